"""Judges the tempo that a clock was found to have: not the song's, swaying, or changed without a word.

Told once a beat what the follower makes of the tempo, and at each clock how far it is from the song's map.
A step small enough to be a part of a sway is told only if there is none.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from runner.sync.book import FindingBook
from runner.sync.findings import Code
from runner.sync.held import SMALL_STEP, STEP_HOLD_CLOCKS
from runner.sync.pace import PaceMeter
from runner.sync.prior import SteadyPrior, TempoPrior
from runner.sync.reports import EventKind, FollowerEvent, Tick, TickVerdict

_UNSEEN_STEP = 0.01
_SURE = 4.0
_PATIENCE = ((2.0, 1), (0.5, 3), (0.0, 6))  #: percent off, and the beats that it takes to be told
_STEP_SETTLES_CLOCKS = 18  #: after a step, the tempo that was found is good enough to size it by


@dataclass(frozen=True, slots=True)
class Pace:
    """The follower's view of the tempo at a beat: `rate` against the song's with its sd, None if blind."""

    bpm: float
    rate: float | None
    rate_sd: float
    locked: bool


class TempoJudge:
    """The tempo of one clock against the song's and against its own past. Writes into `book`."""

    __slots__ = (
        "_before_step", "_bends", "_book", "_interval_ns", "_limit_percent", "_meter", "_off_beats",
        "_origin", "_paces", "_prior", "_told", "mixed", "sways",
    )  # fmt: skip

    def __init__(self, book: FindingBook, limit_percent: float, prior: TempoPrior | None) -> None:
        self._book = book
        self._limit_percent = limit_percent
        self._prior: TempoPrior = SteadyPrior(120.0, None) if prior is None else prior
        self._interval_ns = 20_833_333.0
        self._meter = PaceMeter()
        self._origin: int | None = None  # arrival time at which the song's map is taken to begin
        self._told: float | None = None  # how far off the song's tempo was last told to be, in percent
        self._bends: deque[tuple[int, float]] = deque(maxlen=32)  # (time, ratio) of steps
        self._paces: deque[tuple[int, float, float]] = deque(maxlen=5)  # (time, bpm, relative sd), by beat
        self._off_beats = 0  # beats in a row with the tempo surely off to the same side
        self._before_step: float | None = None
        self.sways = False  #: whether the tempo was found to sway
        self.mixed = False  #: two clocks are mixed: their tempo says nothing about the song's

    @property
    def interval_ns(self) -> float:
        """The time from clock to clock, as it was at the last beat."""
        return self._interval_ns

    def begin(self) -> None:
        """The song begins: its map is laid on its first clock."""
        self._origin = None
        self._meter.clear()

    def measure(self, arrival_ns: int, tick: Tick) -> None:
        """Take a clock of the song: its time error against the map, and see whether these sway."""
        assert tick.clocks is not None
        if tick.verdict is TickVerdict.PENDING:
            return
        x = self._prior.ns_of(tick.clocks)
        if self._origin is None:
            self._origin = arrival_ns - round(x)
        if not self._meter.add(x, arrival_ns - self._origin - x) or self.sways or self.mixed:
            return
        sway = self._meter.sway(tick.jitter_ns)
        if sway is not None:
            self.sways = True
            self._book.add(
                Code.WANDER, arrival_ns, tick.clocks, sway.amplitude_ns / 1e6,
                f"the tempo sways: {sway.amplitude_ns / 1e6:.1f} ms either way "
                f"in about {sway.period_ns / 1e9:.1f} s",
                {"amplitude_ms": sway.amplitude_ns / 1e6, "period_s": sway.period_ns / 1e9},
            )  # fmt: skip

    def stepped(self, event: FollowerEvent) -> None:
        """Take a step that the follower noticed; `tell_step` comes when it has been held long enough."""
        self._bends.append((event.t_ns, event.size))
        if self._before_step is None and self._paces:
            self._before_step = self._paces[-1][1]

    def pace(self, t_ns: int, clocks: int | None, pace: Pace) -> FollowerEvent | None:
        """Take the tempo of a beat; return a step that the follower took in its stride, if there was one."""
        if pace.bpm > 0:
            self._interval_ns = 60e9 / 24 / pace.bpm
        if not pace.locked:
            self._paces.clear()
            return None
        if not self.mixed:
            self._judge_tempo(t_ns, clocks, pace)
        return self._unseen_step(t_ns, clocks, pace)

    def tell_step(self, event: FollowerEvent) -> None:
        """Write down a step, unless it is a part of a sway, or was taken back at once."""
        before, self._before_step = self._before_step, None
        settled_ns = event.t_ns + _STEP_SETTLES_CLOCKS * self._interval_ns
        if before is not None and self._paces and self._paces[-1][0] > settled_ns:
            event = event._replace(size=self._paces[-1][1] / before)
        change = event.size - 1
        span = STEP_HOLD_CLOCKS * self._interval_ns
        opposite = any((ratio - 1) * change < 0 and abs(at - event.t_ns) < span for at, ratio in self._bends)
        if self.mixed or (abs(change) < SMALL_STEP and (self.sways or opposite)):
            return
        text = f"the tempo changed by {100 * change:+.1f} % and the song does not say so"
        self._book.add(Code.STEP, event.t_ns, event.clocks, 100 * change, text)

    def _judge_tempo(self, t_ns: int, clocks: int | None, pace: Pace) -> None:
        if pace.rate is None:
            return
        off = 100 * (pace.rate - 1)
        limit = self._limit_percent
        if self._recently_bent(t_ns):
            self._off_beats = 0
            return
        doubt = 100 * _SURE * pace.rate_sd
        sure = abs(off) > limit + doubt
        same_side = sure and self._off_beats * off >= 0
        self._off_beats = (self._off_beats if same_side else 0) + (sure and (1 if off > 0 else -1))
        if abs(self._off_beats) < next(beats for least, beats in _PATIENCE if abs(off) >= least):
            return
        known = self._told
        if known is not None and (self.sways or abs(off - known) <= max(limit, doubt)):
            return
        self._told = off
        self._book.add(
            Code.TEMPO, t_ns, clocks, off,
            f"tempo {pace.bpm:.2f} BPM is {off:+.2f} % off the song's {pace.bpm / pace.rate:.2f}",
            {"measured_bpm": pace.bpm, "song_bpm": pace.bpm / pace.rate, "sd_percent": 100 * pace.rate_sd},
        )  # fmt: skip

    def _recently_bent(self, t_ns: int) -> bool:
        span = STEP_HOLD_CLOCKS * self._interval_ns
        return any(0 <= t_ns - at < span for at, _ in self._bends)

    def _unseen_step(self, t_ns: int, clocks: int | None, pace: Pace) -> FollowerEvent | None:
        """Compare the tempo of three beats ago with today's."""
        relative = pace.rate if pace.rate is not None else pace.bpm
        self._paces.append((t_ns, relative, pace.rate_sd))
        if len(self._paces) < 4 or self._recently_bent(t_ns):
            return None
        then_ns, before, before_sd = self._paces[-4]
        ratio = relative / before
        doubt = (pace.rate_sd**2 + before_sd**2) ** 0.5
        if abs(ratio - 1) <= max(_UNSEEN_STEP, 1.5 * _SURE * doubt):
            return None
        self._bends.append((t_ns, ratio))
        return FollowerEvent(EventKind.STEP, (t_ns + then_ns) // 2, clocks, ratio)
