"""A time code follower with what there is to say of its time code: as `ClockListener` is for clock. Pure."""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable

from runner.errors import Severity
from runner.music import FrameRate, TimeCode
from runner.music.mtc import PIECES, read_full
from runner.sync.findings import KINDS, Code, Finding
from runner.sync.jitter import JitterClass, JitterFigures, JitterMeter
from runner.sync.prior import CLOCKS_PER_QUARTER, TempoPrior
from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent, Tick, TickVerdict
from runner.sync.states import LockState
from runner.sync.timecode_follower import TimeCodeFollower
from runner.sync.timecode_notices import Notice, TimeCodeNotice

_MOST_OF_A_KIND = 200
_LOOK_EVERY = 4 * PIECES  #: quarter frames between two looks at the speed
_FEW = 4  #: quarter frames: so many may be lost one by one; more is a dropout
_FEWEST = 240  #: quarter frames before anything is said of the speed
_SURE_SD = 0.00003  #: of a speed, before it is told: a thirtieth of what pull-down makes
_OFF = 0.0004  #: speeds that are nearer to 1 are nobody's business
_PULL = 1000 / 1001  #: of a second at 30 frames against one at 30000/1001
_PULL_NEAR = 0.00025
_CODES = {
    Notice.JUMPED: Code.CODE_JUMP,
    Notice.REVERSE: Code.CODE_REVERSE,
    Notice.RATE: Code.CODE_RATE,
    Notice.CHANGED_RATE: Code.CODE_RATE,
    Notice.NUMBERS: Code.CODE_NUMBERS,
}


_ANEW = frozenset((EventKind.STARTED, EventKind.STOPPED, EventKind.LOST, EventKind.RELOCKED))


class SpeedMeter:
    """The speed of a tape by the straight line through all quarter frames of some seconds.

    Longer than the servo's memory, which has to follow a tape that sways: the line's standard deviation is
    sqrt(12) sigma / (T N^1.5), 0.003 % after 5 s at 30 frames a second and 1 ms of jitter.
    """

    __slots__ = ("_n", "_x0", "_xx", "_xy", "_y0", "_yy", "mean_x", "mean_y")

    def __init__(self) -> None:
        self._n = 0
        self._x0 = self._y0 = 0.0
        self.mean_x = self.mean_y = 0.0
        self._xx = self._xy = self._yy = 0.0

    def add(self, tape_ns: float, arrival_ns: int) -> None:
        """Take one quarter frame: its own time, and when it came."""
        if not self._n:
            self._x0, self._y0 = tape_ns, float(arrival_ns)
        x, y = tape_ns - self._x0, arrival_ns - self._y0
        self._n += 1
        off_x, off_y = x - self.mean_x, y - self.mean_y
        self.mean_x += off_x / self._n
        self.mean_y += off_y / self._n
        self._xx += off_x * (x - self.mean_x)
        self._xy += off_x * (y - self.mean_y)
        self._yy += off_y * (y - self.mean_y)

    @property
    def long_enough(self) -> bool:
        """Whether it has seen 20 s."""
        return 2 * self.mean_x > 20e9

    def result(self) -> tuple[float, float]:
        """Return speed and its standard deviation; the latter is infinite while it is not known."""
        if self._n < _FEWEST or self._xx <= 0 or self._xy <= 0:
            return 1.0, math.inf
        slope = self._xy / self._xx
        rest = max(0.0, self._yy - slope * self._xy) / (self._n - 2)
        return 1.0 / slope, math.sqrt(rest / self._xx)


class TimeCodeListener:
    """Feeds the follower and watches it. Times are monotonic ns."""

    def __init__(
        self,
        config: FollowerConfig,
        prior: TempoPrior,
        origin: Callable[[FrameRate], TimeCode],
        rate: FrameRate | None = None,
        machine: str = "",
    ) -> None:
        self.follower = TimeCodeFollower(config, prior, origin, rate)
        self.jitter = JitterMeter()
        self.heard = 0  #: quarter frames so far
        self.heard_to_lock: int | None = None
        self.locked_at: int | None = None  #: song position in clocks at the first lock
        self._machine = machine
        self._events: deque[FollowerEvent] = deque(maxlen=1024)
        self._out: list[Finding] = []
        self._told: Counter[Code] = Counter()
        self._speed = SpeedMeter()
        self._since_look = 0
        self._speed_told: float | None = None
        self._away_ns: int | None = None  # since when it is overdue
        self._last_ns = 0
        self._broken = 0  # breaks in the row of pieces that were told of

    def take(self, data: bytes, t_ns: int) -> Tick | None:
        """Take one whole message, whatever it is; returns what a quarter frame was taken for."""
        status = data[0] if data else 0
        if status == 0xF1 and len(data) == 2:
            return self._quarter(data, t_ns)
        if status == 0xF0:
            code = read_full(data)
            if code is not None:
                self.follower.full(code, t_ns)
                self._pass_on(t_ns)
        return None

    def _quarter(self, data: bytes, t_ns: int) -> Tick:
        tick = self.follower.quarter(data, t_ns)
        self.heard += 1
        self._last_ns = t_ns
        if tick.verdict is TickVerdict.COUNTED:
            self.jitter.add(t_ns, tick.due_ns)
            tape_ns = self.follower.tape_ns
            if tape_ns is not None:
                self._speed.add(tape_ns, t_ns)
        self._pass_on(t_ns)
        self._since_look += 1
        if self._since_look >= _LOOK_EVERY:
            self._since_look = 0
            self._look_at_speed(t_ns, tick.clocks)
        return tick

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        self.follower.advance(now_ns)
        self._pass_on(now_ns)

    def next_deadline_ns(self) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        return self.follower.next_deadline_ns()

    def events(self) -> list[FollowerEvent]:
        """Return the follower's reports since the last call, oldest first."""
        out = list(self._events)
        self._events.clear()
        return out

    def findings(self) -> list[Finding]:
        """Return what there is to say since the last call, oldest first."""
        out, self._out = self._out, []
        return out

    def joined_late(self, t_ns: int, clocks: int, text: str) -> None:
        """Take note that a song was joined after its start."""
        self._find(Code.CODE_JOINED, t_ns, clocks, clocks / CLOCKS_PER_QUARTER, text)

    def close(self, t_ns: int) -> JitterFigures:
        """End a take: judge the jitter, and return its figures."""
        broken, damaged = self.follower.broken, self.follower.damaged
        if broken or damaged:
            text = f"quarter frames: {broken} out of order, {damaged} whole sets that did not fit"
            self._find(Code.CODE_BROKEN, t_ns, None, broken + damaged, text)
        figures = self.jitter.figures()
        if figures.kind is not JitterClass.UNKNOWN:
            severity: Severity = "warning" if figures.kind is JitterClass.BURSTS else "note"
            text = f"time code jitter {figures.sd_ns / 1e3:.0f} us, {figures.kind.text}"
            self._find(Code.CODE_JITTER, t_ns, None, figures.sd_ns / 1e3, text, severity)
        return figures

    # ------------------------------------------------------------------ inside

    def _pass_on(self, t_ns: int) -> None:
        for event in self.follower.events():
            self._events.append(event)
            self._on_event(event)
        for notice in self.follower.notices():
            self._on_notice(notice, t_ns)

    def _on_event(self, event: FollowerEvent) -> None:
        kind = event.kind
        if kind is EventKind.MISSING and self._away_ns is None:
            self._missing(event)
        elif kind is EventKind.DROPOUT:
            self._away_ns = self._last_ns
        elif kind is EventKind.RELOCKED and self._away_ns is not None:
            away = (event.t_ns - self._away_ns) / 1e6
            self._away_ns = None
            if event.size <= _FEW:
                self._missing(event)
            else:
                text = f"time code was away for {away:.0f} ms"
                self._find(Code.CODE_DROPOUT, event.t_ns, event.clocks, away, text)
        elif kind is EventKind.LOST:
            away = event.size / 1e6
            text = f"time code stopped at {self.follower.code} and stayed away for {away:.0f} ms"
            self._away_ns = None
            self._find(Code.CODE_ENDED, event.t_ns - round(event.size), event.clocks, away, text)
        if kind in _ANEW:
            self._speed = SpeedMeter()
        locked = kind is EventKind.STATE and self.follower.state is LockState.LOCKED
        if locked and self.heard_to_lock is None:
            self.heard_to_lock, self.locked_at = self.heard, event.clocks

    def _missing(self, event: FollowerEvent) -> None:
        broken = self.follower.broken
        if broken == self._broken:
            return  # none is missing from their row: they were late, and came together
        self._broken = broken
        number = max(1, round(event.size))
        text = f"{number} quarter frame{'s' if number != 1 else ''} of time code missing"
        self._find(Code.CODE_MISSING, event.t_ns, event.clocks, number, text)

    def _on_notice(self, notice: TimeCodeNotice, t_ns: int) -> None:
        code = _CODES[notice.kind]
        self._find(code, notice.t_ns or t_ns, None, notice.size, notice.text)

    def _look_at_speed(self, t_ns: int, clocks: int | None) -> None:
        """Say once what is wrong with the speed, when it is sure."""
        rate = self.follower.frame_rate
        speed, sd = self._speed.result()
        if rate is None or sd > _SURE_SD:
            return
        if self._speed.long_enough:
            self._speed = SpeedMeter()  # so that a change of speed is seen as well
        off = speed - 1.0
        told = self._speed_told
        if abs(off) < _OFF or (told is not None and abs(speed - told) < max(_OFF, 0.1 * abs(off))):
            return
        self._speed_told = speed
        text = f"time code of {rate.value} frames runs at {speed:.5f} of its speed"
        if abs(speed - _PULL) < _PULL_NEAR and rate is FrameRate.FPS_30:
            text = "time code counts 30 frames a second and runs at 29.97: 3.6 s an hour too slow"
        elif abs(speed - _PULL) < _PULL_NEAR:
            text = f"time code counts {rate.value} frames a second and runs at 0.999 of that: pulled down"
        elif abs(speed - 1 / _PULL) < _PULL_NEAR and rate.is_drop:
            text = "time code counts 29.97 drop-frame and runs at 30 frames a second: 3.6 s an hour too fast"
        elif abs(speed - 1 / _PULL) < _PULL_NEAR:
            text = f"time code counts {rate.value} frames a second and runs at 1.001 of that: pulled up"
        self._find(Code.CODE_SPEED, t_ns, clocks, 100.0 * off, text)

    def _find(
        self,
        code: Code,
        t_ns: int,
        clocks: float | None,
        size: float,
        text: str,
        severity: Severity | None = None,
    ) -> None:
        self._told[code] += 1
        if self._told[code] <= _MOST_OF_A_KIND:
            kind = severity or KINDS[code].severity
            self._out.append(Finding(code, kind, t_ns, clocks, size, text, self._machine))
