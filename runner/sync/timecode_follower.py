"""Follows another machine's time code: quarter frames in; song position and predicted times out. Pure.

Rules of this file: a quarter frame is to the follower within (`follower.Follower`) what a clock is, and its
number is known from the time code, not from counting: the same servo, lock states, dropout and freewheel
policy, with another tick. The song's tempo map then turns times into clocks, so that whoever asks gets the
answers that the follower of a beat clock gives. Time code has no Start and no Stop: it plays from its first
whole set of eight on, and has stopped when it stays away for the freewheel span.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from runner.music import FrameRate, TimeCode
from runner.music.mtc import PER_FRAME, PIECES
from runner.sync.follower import Follower
from runner.sync.mtc import TimeCodeReader, WholeTime
from runner.sync.prior import CLOCKS_PER_QUARTER, NS_PER_MINUTE, SteadyPrior, TempoPrior
from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent, Tick, TickVerdict
from runner.sync.states import LockState, Transport
from runner.sync.tape_scale import TapeScale
from runner.sync.timecode_notices import Notice, Notices, TimeCodeNotice

_DROPPED = 2 * PER_FRAME  #: quarter frames of the two numbers that drop-frame leaves out
_UNSURE_SETS = 2  #: so many whole sets in a row must be off: a single one may be damaged on its way
_SLIGHT_SETS = (
    8  #: the same if they are off by less than a set: quarter frames in bursts are counted right later
)
_NOT_DROPPED = "is coded as drop-frame and has a number that drop-frame leaves out"
_DROPS = "is coded as non-drop and leaves out the numbers of drop-frame"


class TimeCodeFollower:
    """One followed time code. `prior` gives the song time (ns, 0 at bar 1) of each clock count; `origin` the
    time code of song time 0 at a frame rate; `rate` is the session's, in place of what the code names.
    """

    def __init__(
        self,
        config: FollowerConfig,
        prior: TempoPrior,
        origin: Callable[[FrameRate], TimeCode],
        rate: FrameRate | None = None,
    ) -> None:
        self._config = config
        self._prior = prior
        self._origin_at = origin
        self._wanted = rate
        self._reader = TimeCodeReader()
        self._row: deque[int] = deque(maxlen=PIECES)  # arrivals of quarter frames in a row
        self._inner: Follower | None = None
        self._scale: TapeScale | None = None
        self._named: FrameRate | None = None  # the rate that the code names
        self._unsure = 0  # whole sets in a row that do not fit
        self._slight = 0  # the same by less than a set
        self.damaged = 0  #: whole sets that did not fit, between others that did
        self._events: deque[FollowerEvent] = deque(maxlen=1024)
        self._notices = Notices()
        self._code: TimeCode | None = None

    # -- what comes in ---------------------------------------------------------------------------

    def quarter(self, data: bytes, arrival_ns: int) -> Tick:
        """Take one quarter frame."""
        whole = self._reader.take(data)
        if self._reader.in_row == 1:
            self._row.clear()
        self._row.append(arrival_ns)
        if self._reader.reverse:
            return self._backward(whole, arrival_ns)
        inner = self._inner
        if inner is None or inner.transport is not Transport.PLAYING or inner.carrying_on:
            if whole is None:
                return Tick(TickVerdict.IDLE, None, None, 0.0)
            return self._run(whole)
        tick = inner.clock(arrival_ns)
        self._drain(inner)
        if whole is not None and tick.verdict is not TickVerdict.REFUSED:
            self._compare(whole, tick, arrival_ns)
        return self._outward(tick)

    def full(self, code: TimeCode, t_ns: int) -> None:
        """Take a full message: it stands there, and runs from the next quarter frame on."""
        self._code = self._renamed(code)
        self._reader.forget()
        self._row.clear()
        self._halt(t_ns, "full message")
        self._events.append(FollowerEvent(EventKind.LOCATED, t_ns, self._clocks_of_code(self._code)))

    def advance(self, now_ns: int) -> None:
        """Let time pass: notice time code that stays away."""
        if self._inner is not None:
            self._inner.advance(now_ns)
            self._drain(self._inner)

    # -- what is known ---------------------------------------------------------------------------

    def next_deadline_ns(self) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        return None if self._inner is None else self._inner.next_deadline_ns()

    def time_of(self, count: float) -> int | None:
        """Return the predicted time of a song position in clocks; None while it does not run."""
        if self._inner is None or self._scale is None:
            return None
        return self._inner.time_of(self._scale.count_of_ns(self._prior.ns_of(count)))

    def count_at(self, now_ns: int) -> float | None:
        """Return the song position at `now_ns` in clocks, between quarter frames too."""
        inner = self._inner
        if inner is None or inner.transport is not Transport.PLAYING:
            return None if self._code is None else self._count_of_code(self._code)
        at = inner.count_at(now_ns)
        return None if at is None else self._prior.count_of(self._ns_of_inner(at))

    def clock_ahead(self, clocks: int = 1) -> int | None:
        """Return the predicted time of the clock so many after the newest; None while it does not run."""
        return self.time_of(self.next_count - 1 + clocks)

    @property
    def next_count(self) -> int:
        """The clock that is next after the newest quarter frame."""
        inner = self._inner
        if inner is not None and inner.transport is Transport.PLAYING:
            return math.floor(self._prior.count_of(self._ns_of_inner(inner.next_count - 1))) + 1
        return 0 if self._code is None else math.ceil(self._count_of_code(self._code))

    @property
    def code(self) -> TimeCode | None:
        """The time last read, two frames on if forward; None before the first."""
        return self._code

    @property
    def frame_rate(self) -> FrameRate | None:
        """The rate by which its numbers are read; None before the first."""
        return None if self._scale is None else self._scale.rate

    @property
    def broken(self) -> int:
        """Quarter frames that came out of order, or gave no time."""
        return self._reader.broken

    @property
    def state(self) -> LockState:
        """How far it can be trusted."""
        return LockState.SILENT if self._inner is None else self._inner.state

    @property
    def transport(self) -> Transport:
        """Playing, from the first whole set on, or stopped."""
        return Transport.STOPPED if self._inner is None else self._inner.transport

    @property
    def carrying_on(self) -> bool:
        """Whether the song goes on without it, its freewheel span being over."""
        return self._inner is not None and self._inner.carrying_on

    @property
    def tape_ns(self) -> float | None:
        """The time of the newest quarter frame by its own number, in ns from bar 1; None if not playing."""
        inner = self._inner
        if inner is None or inner.transport is not Transport.PLAYING:
            return None
        return self._ns_of_inner(inner.next_count - 1)

    @property
    def speed(self) -> float | None:
        """Its frames against those that its rate should have: 1.0 when equal; None while unknown."""
        return None if self._inner is None else self._inner.rate

    @property
    def jitter_ns(self) -> float:
        """Standard deviation of the arrivals about the estimated line."""
        return 0.0 if self._inner is None else self._inner.jitter_ns

    @property
    def bpm(self) -> float | None:
        """The song's tempo at its present position and speed; None while unknown."""
        speed, inner = self.speed, self._inner
        if speed is None or inner is None or inner.transport is not Transport.PLAYING:
            return None
        count = self._prior.count_of(self._ns_of_inner(inner.next_count - 1))
        interval = self._prior.ns_of(count + 1) - self._prior.ns_of(count)
        return NS_PER_MINUTE / CLOCKS_PER_QUARTER / interval * speed

    def events(self) -> list[FollowerEvent]:
        """Return what there is to report since the last call, positions in clocks, oldest first."""
        out = list(self._events)
        self._events.clear()
        return out

    def notices(self) -> list[TimeCodeNotice]:
        """Return what is to be said of the time code itself since the last call."""
        return self._notices.drain()

    # -- inside ----------------------------------------------------------------------------------

    def _run(self, whole: WholeTime) -> Tick:
        """Begin to follow with a whole set: it plays from its first quarter frame on."""
        code = self._renamed(whole.code)
        scale = self._scale = TapeScale(self._origin_at(code.rate))
        self._code = code.plus(2)
        self._unsure = self._slight = 0
        first = scale.count_of_code(code)
        interval_ns = 1e9 / (PER_FRAME * float(code.rate.frames_per_second))
        prior = SteadyPrior(NS_PER_MINUTE / CLOCKS_PER_QUARTER / interval_ns)
        inner = self._inner = Follower(self._config, prior)
        inner.stand_at(first, running=True)
        tick = Tick(TickVerdict.IDLE, None, None, 0.0)
        for arrival_ns in self._row:
            tick = inner.clock(arrival_ns)
        self._drain(inner)
        return self._outward(tick)

    def _renamed(self, code: TimeCode) -> TimeCode:
        """Return a time under the rate that the session wants; say so once if the code names another."""
        named, wanted = code.rate, self._wanted
        if self._named is not None and named is not self._named:
            text = f"its frame rate changes from {self._named.value} to {named.value}"
            self._notices.add_once(Notice.CHANGED_RATE, 0, code, text)
        self._named = named
        if wanted is None or wanted is named:
            return code
        text = f"time code says {named.value} frames, and the session {wanted.value}"
        self._notices.add_once(Notice.RATE, 0, code, text)
        frames = min(code.frames, wanted.count - 1)
        return TimeCode(code.hours, code.minutes, code.seconds, frames, wanted)

    def _ns_of_inner(self, at: float) -> float:
        assert self._scale is not None
        return self._scale.ns_of_count(at)

    def _count_of_code(self, code: TimeCode) -> float:
        scale = self._scale
        if scale is None or scale.rate is not code.rate:
            scale = self._scale = TapeScale(self._origin_at(code.rate))
        return self._prior.count_of(scale.ns_of_count(scale.count_of_code(code)))

    def _clocks_of_code(self, code: TimeCode) -> int:
        return round(self._count_of_code(code))

    def _compare(self, whole: WholeTime, tick: Tick, t_ns: int) -> None:
        """Hold the number of a whole set against the count."""
        scale = self._scale
        if tick.clocks is None or scale is None:
            return
        if whole.code.rate is not self._named:
            if self._doubted():
                code = self._renamed(whole.code)
                if code.rate is not scale.rate:
                    self._jump(code, t_ns, 0)
            return
        code = self._renamed(whole.code)
        off = scale.count_of_code(code, PIECES - 1) - tick.clocks
        if whole.dropped:
            self._notices.add_once(Notice.NUMBERS, t_ns, code, _NOT_DROPPED)
        if off == 0:
            self.damaged += self._unsure + self._slight
            self._unsure = self._slight = 0
        elif tick.verdict is TickVerdict.PENDING:
            pass  # a gap whose length is not settled yet
        elif off == _DROPPED and not code.rate.is_drop and _at_drop(code):
            self._notices.add_once(Notice.NUMBERS, t_ns, code, _DROPS)
            scale.skew += off
        elif abs(off) <= _DROPPED and code.rate.is_drop and _at_drop(code):
            scale.skew += off  # numbers that do not exist were taken for the next that does
        elif abs(off) < PIECES and self._slight < _SLIGHT_SETS - 1:
            self._slight += 1
        elif abs(off) < PIECES or self._doubted():
            self._jump(code, t_ns, off)
        else:
            return
        self._code = code.plus(2)

    def _doubted(self) -> bool:
        """Count a set that does not fit; whether there were so many in a row that they are believed."""
        self._unsure += 1
        return self._unsure >= _UNSURE_SETS

    def _jump(self, code: TimeCode, t_ns: int, off: int) -> None:
        frames = off / PER_FRAME
        if abs(off) >= PIECES or off == 0:
            text = f"time code jumped by {frames:+.0f} frames to {code}"
            self._notices.add(Notice.JUMPED, t_ns, code, text, frames)
        # numbered anew: what lies before the jump is no help any longer
        self._row.clear()
        self._reader.forget()
        self._halt(t_ns, "jump")

    def _backward(self, whole: WholeTime | None, t_ns: int) -> Tick:
        if whole is not None:
            self._code = self._renamed(whole.code)
            text = f"time code runs in reverse at {self._code}"
            self._notices.add_once(Notice.REVERSE, t_ns, self._code, text)
        self._halt(t_ns, "reverse")
        return Tick(TickVerdict.IDLE, None, None, self.jitter_ns)

    def _halt(self, t_ns: int, why: str) -> None:
        inner, self._inner = self._inner, None
        if inner is None or inner.transport is not Transport.PLAYING:
            return
        at = self._outward_clocks(inner.next_count - 1)
        self._events.append(FollowerEvent(EventKind.STOPPED, t_ns, at, text=why))

    def _drain(self, inner: Follower) -> None:
        for event in inner.events():
            clocks = None if event.clocks is None else self._outward_clocks(event.clocks)
            self._events.append(event._replace(clocks=clocks))

    def _outward_clocks(self, at: int) -> int:
        return round(self._prior.count_of(self._ns_of_inner(at)))

    def _outward(self, tick: Tick) -> Tick:
        return tick if tick.clocks is None else tick._replace(clocks=self._outward_clocks(tick.clocks))


def _at_drop(code: TimeCode) -> bool:
    """Whether a set lies at the beginning of a minute at which drop-frame leaves out two numbers."""
    return code.seconds == 0 and code.minutes % 10 != 0 and code.frames < 2 + 2 * PER_FRAME
