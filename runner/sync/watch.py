"""The clock watch: says what was wrong with the clock that came in, where, and by how much.

Apart from the servo: it is told what the follower made of each clock and judges it by its own means. It
is told of our own sends, so that our own clock coming back is known for what it is. What may turn out
to be part of something larger (a missing clock that was only late, an extra clock of a second source, a
small step of a swaying tempo) is held back until that is clear. Findings are bounded: beyond
`MOST_OF_A_KIND` of one code they are only counted.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass

from runner.errors import Severity
from runner.sync.findings import KINDS, Code, Finding
from runner.sync.jitter import JitterClass, JitterFigures, JitterMeter
from runner.sync.pace import PaceMeter
from runner.sync.prior import CLOCKS_PER_QUARTER, SteadyPrior, TempoPrior
from runner.sync.reports import EventKind, FollowerEvent, Tick, TickVerdict
from runner.sync.sources import SourceMeter
from runner.sync.states import TransportEvent

MOST_OF_A_KIND = 200
_SENSING_NS = 330_000_000  #: MIDI 1.0 p. 33: 300 ms with 10 % margin
_START_PATIENCE_NS = 500_000_000
_HOLD_CLOCKS = CLOCKS_PER_QUARTER
_BUNCH_NS = 500_000_000
_BUNCH_SLACK = 4.0  #: in clocks: how far beyond a gap the clocks that it held back can come
_SMALL_STEP = 0.03
_STEP_HOLD_CLOCKS = 8 * CLOCKS_PER_QUARTER
_UNSEEN_STEP = 0.01
_SURE = 4.0
_DOUBLE = 1.8
_PATIENCE = ((2.0, 1), (0.5, 3), (0.0, 6))  #: percent off, and the beats that it takes to be told
_LOOK_EVERY = 6  #: clocks between two looks for a second source
_SAME_START_CLOCKS = 6  #: a Start so soon after another is the same one by a second path


@dataclass(frozen=True, slots=True)
class WatchConfig:
    """What the watch has to know.

    `machine`: name for the findings. `tempo_limit_percent`: from where a tempo is not the song's.
    `lock_due`: song position in clocks by which the follower must be locked (bar 1); None: not judged.
    `start_wait_clocks`: clocks without Start that are still a lead.
    """

    machine: str = ""
    tempo_limit_percent: float = 0.1
    lock_due: int | None = None
    start_wait_clocks: int = 16 * CLOCKS_PER_QUARTER


@dataclass(frozen=True, slots=True)
class Pace:
    """The follower's view of the tempo at a beat: `rate` against the song's with its sd, None if blind."""

    bpm: float
    rate: float | None
    rate_sd: float
    locked: bool


class ClockWatch:
    """Watches one clock. Feed it all that came in; drain `findings`; call `close` when a take ends."""

    def __init__(self, config: WatchConfig | None = None, prior: TempoPrior | None = None) -> None:
        self._config = WatchConfig() if config is None else config
        self._prior: TempoPrior = SteadyPrior(120.0, None) if prior is None else prior
        self.jitter = JitterMeter()
        self._sources = SourceMeter()
        self._pace = PaceMeter()
        self._out: list[Finding] = []
        self._told: Counter[Code] = Counter()
        self.unreported: Counter[Code] = Counter()  #: findings beyond `MOST_OF_A_KIND`, by code
        self._held: deque[FollowerEvent] = deque(maxlen=1024)
        self._interval_ns = 20_833_333.0
        self._now = 0
        self._origin: int | None = None
        self._started_ns: int | None = None  # Start seen, no clock yet
        self._in_song = self._began = False
        self._started_at = 0
        self._idle_clocks = 0
        self._mixed_ns: int | None = None
        self._lost: FollowerEvent | None = None
        self._last_clock_ns: int | None = None
        self._sensed_ns: int | None = None
        self._tempo_told: float | None = None
        self._bends: deque[tuple[int, float]] = deque(maxlen=32)  # (time, ratio) of steps
        self._paces: deque[tuple[int, float, float]] = deque(maxlen=5)  # (time, bpm, relative sd), by beat
        self._sways = False
        self._jitter_ns = 0.0
        self._late_due = self._config.lock_due is not None
        self._was_locked = False
        self._look = 0
        self._stopped_by_us = False
        self._refusals: Counter[str] = Counter()
        self._off_beats = 0  # beats in a row with the tempo surely off to the same side
        self._before_step: float | None = None
        self._bunch: FollowerEvent | None = None  # clocks taken for missing that were only late
        self._bunch_ns = self._bunch_late_ns = 0

    # -- what is told ----------------------------------------------------------------------------

    def tick(self, arrival_ns: int, tick: Tick) -> None:
        """Take one clock and what the follower made of it."""
        self._heard(arrival_ns)
        if tick.verdict is TickVerdict.REFUSED:
            return
        self._sources.arrived(arrival_ns)
        self._started_ns = None
        if self._last_clock_ns is not None and self._lost is not None:
            self._came_back(arrival_ns)
        self._last_clock_ns = arrival_ns
        self._jitter_ns = tick.jitter_ns
        self.jitter.add(arrival_ns, None if tick.verdict is TickVerdict.PENDING else tick.due_ns)
        if tick.clocks is None:
            self._idle_clocks += 1
            if self._idle_clocks == self._config.start_wait_clocks and not self._stopped_by_us:
                beats = self._idle_clocks / CLOCKS_PER_QUARTER
                self._find(Code.NO_START, arrival_ns, None, beats,
                           f"clock has run for {beats:.0f} beats without Start or Continue")  # fmt: skip
        else:
            self._idle_clocks = 0
            self._measure(arrival_ns, tick)
        self._let_go(arrival_ns)
        self._look = (self._look + 1) % _LOOK_EVERY
        if not self._look and self._mixed_ns is None and self._sources.alternating():
            self._mixed(arrival_ns, tick.clocks, "intervals are of two lengths in turn")

    def pace(self, t_ns: int, clocks: int | None, pace: Pace) -> None:
        """Take the follower's view of the tempo, once a beat or so."""
        if pace.bpm > 0:
            self._interval_ns = 60e9 / CLOCKS_PER_QUARTER / pace.bpm
        self._was_locked = self._was_locked or pace.locked
        if not pace.locked:
            self._paces.clear()
            return
        self._judge_tempo(t_ns, clocks, pace)
        self._judge_bend(t_ns, clocks, pace)

    def sent(self, t_ns: int) -> None:
        """Take a clock that we sent ourselves to the machine that is followed (or on its port)."""
        self._sources.sent(t_ns)

    def sensing(self, t_ns: int) -> None:
        """Take FE: from now on something must come every 300 ms."""
        self._heard(t_ns)
        self._sensed_ns = t_ns

    def message(self, t_ns: int) -> None:
        """Take any other message: it counts as a sign of life."""
        self._heard(t_ns)

    def started(self, t_ns: int) -> None:
        """Take Start or Continue, obeyed or not."""
        self._heard(t_ns)
        if not self._in_song:
            self._started_ns = t_ns
        self._idle_clocks = 0

    def stopped(self, t_ns: int) -> None:
        """Take Stop, obeyed or not."""
        self._heard(t_ns)
        self._started_ns = None
        self._lost = None

    def locked_late(self, t_ns: int, clocks: int) -> None:
        """Take the position at which the follower locked, if that was in the song."""
        due = self._config.lock_due
        if due is None or not self._late_due:
            return
        self._late_due = False
        due = max(due, self._started_at)  # a master may join the song where it likes
        if clocks > due:
            beats = (clocks - due) / CLOCKS_PER_QUARTER
            self._find(Code.LATE_LOCK, t_ns, clocks, beats,
                       f"the lock came {beats:.1f} beats after the pre-roll")  # fmt: skip

    def event(self, event: FollowerEvent) -> None:
        """Take a report of the follower."""
        kind = event.kind
        if kind is EventKind.EXTRA:
            self._sources.extra(event.t_ns)
            if self._bunched(event):
                return
            self._held.append(event)
            if self._sources.crowded(max(self._now, event.t_ns), CLOCKS_PER_QUARTER * self._interval_ns):
                self._mixed(event.t_ns, event.clocks, "about as many clocks too many as there should be")
        elif kind in (EventKind.MISSING, EventKind.STEP, EventKind.JUMP):
            if kind is EventKind.MISSING and self._bunched(event):
                return
            self._held.append(event)
            if kind is EventKind.STEP:
                self._bends.append((event.t_ns, event.size))
                if self._before_step is None and self._paces:
                    self._before_step = self._paces[-1][1]
        elif kind is EventKind.STARTED:
            self._in_song = self._began = True
            self._started_at = event.clocks or 0
            self._stopped_by_us = False
            self._origin = None
            self._pace.clear()
        elif kind is EventKind.STOPPED:
            self._in_song = False
        elif kind is EventKind.LOST:
            self._ended(event)
        elif kind is EventKind.REDUNDANT:
            if self._stopped_by_us:
                return
            self._redundant(event)
        elif kind is EventKind.POSITION_REFUSED:
            self._find(Code.POSITION_REFUSED, event.t_ns, event.clocks, event.size,
                       f"song position {event.size:.0f} came while playing, not obeyed")  # fmt: skip
        elif kind is EventKind.REFUSED:
            self._refused(event)

    def advance(self, now_ns: int) -> None:
        """Let time pass: active sensing, Start without clock, findings held back long enough."""
        if now_ns <= self._now:
            return
        self._now = now_ns
        if self._sensed_ns is not None and now_ns - self._sensed_ns > _SENSING_NS:
            silent = (now_ns - self._sensed_ns) / 1e6
            self._find(Code.SENSING_LOST, self._sensed_ns + _SENSING_NS, None, silent,
                       f"active sensing fell silent: nothing for {silent:.0f} ms")  # fmt: skip
            self._sensed_ns = None
        patience = max(_START_PATIENCE_NS, 4 * self._interval_ns)
        if self._started_ns is not None and now_ns - self._started_ns > patience:
            waited = (now_ns - self._started_ns) / 1e6
            self._find(Code.START_NO_CLOCK, self._started_ns, None, waited,
                       f"no clock for {waited:.0f} ms after Start or Continue")  # fmt: skip
            self._started_ns = None
        self._let_go(now_ns)

    def next_deadline_ns(self) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        due: list[int] = []
        if self._sensed_ns is not None:
            due.append(self._sensed_ns + _SENSING_NS + 1)
        if self._started_ns is not None:
            due.append(self._started_ns + round(max(_START_PATIENCE_NS, 4 * self._interval_ns)) + 1)
        return min(due, default=None)

    def close(self, t_ns: int) -> JitterFigures:
        """End a take: let go what is held back, judge the jitter, and return its figures."""
        self._let_go(t_ns, everything=True)
        self._held.clear()
        for why, count in self._refusals.items():
            if count:
                self._find(Code.REFUSED, t_ns, None, count, f"{count} more refused: {why}")
        self._refusals.clear()
        figures = self.jitter.figures()
        if figures.kind is not JitterClass.UNKNOWN:
            severity: Severity = "warning" if figures.kind is JitterClass.BURSTS else "note"
            self._find(
                Code.JITTER, t_ns, None, figures.sd_ns / 1e3,
                f"jitter {figures.sd_ns / 1e3:.0f} us, {figures.kind.text}",
                {"class": figures.kind.value, "earliest_us": figures.earliest_ns / 1e3,
                 "latest_us": figures.latest_ns / 1e3, "clocks": figures.clocks},
                severity,
            )  # fmt: skip
        if self._late_due and self._began and not self._was_locked:
            due = self._config.lock_due
            self._find(Code.LATE_LOCK, t_ns, due, 0.0, "the follower never locked")
        return figures

    def findings(self) -> list[Finding]:
        """Return what was found since the last call, oldest first."""
        out = self._out
        self._out = []
        return out

    # -- inside ----------------------------------------------------------------------------------

    def _find(
        self, code: Code, t_ns: int, clocks: float | None, size: float, text: str,
        evidence: Mapping[str, float | int | str] | None = None, severity: Severity | None = None,
    ) -> None:  # fmt: skip
        self._told[code] += 1
        if self._told[code] > MOST_OF_A_KIND:
            self.unreported[code] += 1
            return
        level = KINDS[code].severity if severity is None else severity
        self._out.append(
            Finding(code, level, t_ns, clocks, size, text, self._config.machine, dict(evidence or {}))
        )

    def _heard(self, t_ns: int) -> None:
        self.advance(t_ns)
        if self._sensed_ns is not None:
            self._sensed_ns = max(self._sensed_ns, t_ns)

    def _measure(self, arrival_ns: int, tick: Tick) -> None:
        """Collect time errors against the song's map, and see whether they sway."""
        assert tick.clocks is not None
        if tick.verdict is TickVerdict.PENDING:
            return
        x = self._prior.ns_of(tick.clocks)
        if self._origin is None:
            self._origin = arrival_ns - round(x)
        if self._pace.add(x, arrival_ns - self._origin - x) and not self._sways and self._mixed_ns is None:
            sway = self._pace.sway(tick.jitter_ns)
            if sway is not None:
                self._sways = True
                self._find(
                    Code.WANDER, arrival_ns, tick.clocks, sway.amplitude_ns / 1e6,
                    f"the tempo sways: {sway.amplitude_ns / 1e6:.1f} ms either way "
                    f"in about {sway.period_ns / 1e9:.1f} s",
                    {"amplitude_ms": sway.amplitude_ns / 1e6, "period_s": sway.period_ns / 1e9},
                )  # fmt: skip

    def _judge_tempo(self, t_ns: int, clocks: int | None, pace: Pace) -> None:
        if pace.rate is None or self._mixed_ns is not None:
            return
        if pace.rate > _DOUBLE:
            self._mixed(t_ns, clocks, f"clocks come {pace.rate:.2f} times as fast as the song's")
            return
        off = 100 * (pace.rate - 1)
        limit = self._config.tempo_limit_percent
        if self._recently_bent(t_ns):
            self._off_beats = 0
            return
        sure = abs(off) > limit + 100 * _SURE * pace.rate_sd
        same_side = sure and self._off_beats * off >= 0
        self._off_beats = (self._off_beats if same_side else 0) + (sure and (1 if off > 0 else -1))
        if abs(self._off_beats) < next(beats for least, beats in _PATIENCE if abs(off) >= least):
            return
        known = self._tempo_told
        if known is None or abs(off - known) > max(limit, 100 * _SURE * pace.rate_sd):
            if known is not None and self._sways:
                return
            self._tempo_told = off
            self._find(
                Code.TEMPO, t_ns, clocks, off,
                f"tempo {pace.bpm:.2f} BPM is {off:+.2f} % off the song's {pace.bpm / pace.rate:.2f}",
                {"measured_bpm": pace.bpm, "song_bpm": pace.bpm / pace.rate,
                 "sd_percent": 100 * pace.rate_sd},
            )  # fmt: skip

    def _recently_bent(self, t_ns: int) -> bool:
        span = _STEP_HOLD_CLOCKS * self._interval_ns
        return any(0 <= t_ns - at < span for at, _ in self._bends)

    def _judge_bend(self, t_ns: int, clocks: int | None, pace: Pace) -> None:
        """Find a step that the servo took in its stride: the tempo of two beats ago against today's."""
        relative = pace.rate if pace.rate is not None else pace.bpm
        self._paces.append((t_ns, relative, pace.rate_sd))
        if len(self._paces) < 4 or self._recently_bent(t_ns):
            return
        then_ns, before, before_sd = self._paces[-4]
        ratio = relative / before
        doubt = (pace.rate_sd**2 + before_sd**2) ** 0.5
        if abs(ratio - 1) > max(_UNSEEN_STEP, 1.5 * _SURE * doubt):
            self._bends.append((t_ns, ratio))
            middle = (t_ns + then_ns) // 2
            self._held.append(FollowerEvent(EventKind.STEP, middle, clocks, ratio))

    def _bunched(self, event: FollowerEvent) -> bool:
        """Match clocks counted as missing with clocks too many right after: they were only late.

        Return whether all of `event` has been matched; if not, the rest of it is held.
        """
        left = round(event.size)
        for index in range(len(self._held) - 1, -1, -1):
            held = self._held[index]
            missing, extra = (held, event) if event.kind is EventKind.EXTRA else (event, held)
            if missing.kind is not EventKind.MISSING or extra.kind is not EventKind.EXTRA:
                continue
            late = (extra.t_ns - missing.t_ns) / self._interval_ns
            if not -2.0 < late < missing.size + _BUNCH_SLACK:
                continue
            pairs = min(left, round(held.size))
            del self._held[index]
            if held.size > pairs:
                self._held.insert(index, held._replace(size=held.size - pairs))
            self._note_bunch(missing, extra.t_ns, pairs)
            left -= pairs
            if not left:
                return True
        if left < event.size:
            self._held.append(event._replace(size=float(left)))
            return True
        return False

    def _note_bunch(self, missing: FollowerEvent, extra_ns: int, pairs: int) -> None:
        bunch = self._bunch
        if bunch is not None and extra_ns - bunch.t_ns < _BUNCH_NS:
            self._bunch = bunch._replace(size=bunch.size + pairs)
        else:
            self._tell_bunch()
            self._bunch, self._bunch_late_ns = missing._replace(size=float(pairs)), 0
        self._bunch_ns = extra_ns
        self._bunch_late_ns = max(self._bunch_late_ns, extra_ns - missing.t_ns)

    def _tell_bunch(self) -> None:
        bunch, self._bunch = self._bunch, None
        if bunch is not None:
            late = self._bunch_late_ns / 1e6
            many = "clock" if bunch.size == 1 else "clocks"
            self._find(Code.BUNCHED, bunch.t_ns, bunch.clocks, bunch.size,
                       f"{bunch.size:.0f} {many} came up to {late:.0f} ms late, together")  # fmt: skip

    def _mixed(self, t_ns: int, clocks: int | None, why: str) -> None:
        """Two sources, or our own clock coming back."""
        if self._mixed_ns is not None:
            return
        self._mixed_ns = t_ns
        extras = sum(1 for held in self._held if held.kind is EventKind.EXTRA)
        lag = self._sources.echo_lag_ns()
        if lag is not None:
            self._find(Code.LOOP, t_ns, clocks, float(extras),
                       f"our own clock comes back {lag / 1e6:.1f} ms after we send it",
                       {"lag_ms": lag / 1e6})  # fmt: skip
        else:
            self._find(Code.MERGED, t_ns, clocks, float(extras), f"two clocks on one port: {why}")
        self._held = deque((held for held in self._held if held.kind is not EventKind.EXTRA), maxlen=1024)

    def _let_go(self, now_ns: int, everything: bool = False) -> None:
        """Report what was held back for long enough."""
        interval = self._interval_ns
        mixed, hold_ns = self._mixed_ns, _HOLD_CLOCKS * interval
        if mixed is not None and now_ns - mixed > 4 * hold_ns and not self._still_mixed(now_ns, 2 * hold_ns):
            self._mixed_ns = None
        if self._bunch is not None and (everything or now_ns - self._bunch_ns > hold_ns):
            self._tell_bunch()
        while self._held:
            held = self._held[0]
            hold = 1.5 * _HOLD_CLOCKS if held.kind is EventKind.STEP else float(_HOLD_CLOCKS)
            if held.kind is EventKind.STEP and abs(held.size - 1) < _SMALL_STEP:
                hold = _STEP_HOLD_CLOCKS
            if not everything and now_ns - held.t_ns < hold * interval:
                break
            self._held.popleft()
            self._tell(held)

    def _still_mixed(self, now_ns: int, span_ns: float) -> bool:
        return self._sources.extras_within(now_ns, span_ns) > 0 or self._sources.alternating()

    def _tell(self, event: FollowerEvent) -> None:
        if event.kind is EventKind.MISSING:
            many = "clock is" if event.size == 1 else "clocks are"
            text = f"{event.size:.0f} {many} missing"
            if event.size > 1:
                text += f"; {event.size * self._interval_ns / 1e6:.0f} ms went by prediction"
            self._find(Code.MISSING, event.t_ns, event.clocks, event.size, text)
        elif event.kind is EventKind.EXTRA:
            if self._mixed_ns is None:
                self._find(Code.EXTRA, event.t_ns, event.clocks, 1.0, "one clock too many")
        elif event.kind is EventKind.STEP:
            self._tell_step(event)
        elif event.kind is EventKind.JUMP and self._mixed_ns is None and not self._sways:
            size = event.size / 1e6
            self._find(Code.JUMP, event.t_ns, event.clocks, size,
                       f"the clock's phase jumped by {size:+.1f} ms")  # fmt: skip

    def _tell_step(self, event: FollowerEvent) -> None:
        before, self._before_step = self._before_step, None
        if before is not None and self._paces and self._paces[-1][0] > event.t_ns + 18 * self._interval_ns:
            event = event._replace(size=self._paces[-1][1] / before)
        change = event.size - 1
        span = _STEP_HOLD_CLOCKS * self._interval_ns
        opposite = any((ratio - 1) * change < 0 and abs(at - event.t_ns) < span for at, ratio in self._bends)
        if self._mixed_ns is not None or (abs(change) < _SMALL_STEP and (self._sways or opposite)):
            return
        self._find(Code.STEP, event.t_ns, event.clocks, 100 * change,
                   f"the tempo changed by {100 * change:+.1f} % and the song does not say so")  # fmt: skip

    def _redundant(self, event: FollowerEvent) -> None:
        """A message that changes nothing: the same one twice, or the sign that a Stop was lost.

        Start plays from the top (MIDI 1.0 p. 30). Right after another it says nothing new; later in the song
        it says that the master stands elsewhere than we think.
        """
        message = event.text.capitalize()
        clocks = event.clocks or 0
        since = clocks - self._started_at
        if event.text != TransportEvent.START.value or not self._in_song or since <= _SAME_START_CLOCKS:
            self._find(Code.REDUNDANT, event.t_ns, event.clocks, 1.0, f"{message} came again and was ignored")
            return
        self._find(Code.RESTARTED, event.t_ns, event.clocks, float(since),
                   f"Start came {since} clocks into the song: the master began anew, and we did not",
                   {"clocks_apart": clocks})  # fmt: skip

    def _refused(self, event: FollowerEvent) -> None:
        """The first refusal of a kind is told at once, the others as a number at the end."""
        if event.text in self._refusals or len(self._refusals) >= MOST_OF_A_KIND:
            self._refusals[event.text] += round(event.size)
            return
        self._refusals[event.text] = 0
        self._find(Code.REFUSED, event.t_ns, event.clocks, event.size, f"refused: {event.text}")

    def _ended(self, event: FollowerEvent) -> None:
        self._lost = event
        self._stopped_by_us = True
        away = event.size / 1e6
        self._find(Code.NO_STOP, event.t_ns, event.clocks, away,
                   f"the clock ended in the song and no Stop came: nothing for {away:.0f} ms",
                   {"policy": event.text})  # fmt: skip

    def _came_back(self, arrival_ns: int) -> None:
        assert self._lost is not None
        assert self._last_clock_ns is not None
        away = (arrival_ns - self._last_clock_ns) / self._interval_ns
        gone = (arrival_ns - self._last_clock_ns) / 1e6
        self._find(Code.DROPOUT, self._last_clock_ns, self._lost.clocks, away,
                   f"the clock was away for {gone:.0f} ms, too long to go on")  # fmt: skip
        self._lost = None
        self._sources.clear()
