"""The clock watch: says what was wrong with the clock that came in, where, and by how much.

Apart from the servo: it is told what the follower made of each clock and judges it by its own means. It
is told of our own sends, so that our own clock coming back is known for what it is. What may turn out
to be part of something larger (a missing clock that was only late, an extra clock of a second source, a
small step of a swaying tempo) is held back until that is clear (`held`). The tempo is judged in
`tempo_judge`, second sources in `sources`. Findings are bounded (`book`).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from runner.errors import Severity
from runner.sync.book import MOST_OF_A_KIND, FindingBook
from runner.sync.findings import Code, Finding
from runner.sync.held import HOLD_CLOCKS, Bunch, HeldReports
from runner.sync.jitter import JitterClass, JitterFigures, JitterMeter
from runner.sync.prior import CLOCKS_PER_QUARTER, TempoPrior
from runner.sync.reports import EventKind, FollowerEvent, Tick, TickVerdict
from runner.sync.sources import OldGrid, SourceMeter
from runner.sync.tempo_judge import Pace, TempoJudge
from runner.sync.transport_watch import TransportWatch

__all__ = ["ClockWatch", "Pace", "WatchConfig"]

_DOUBLE = 1.8
_JOINED = 1.15  #: the tempo may seem to rise by more than this because a second clock has joined
_LOOK_EVERY = 6  #: clocks between two looks for a second source


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


class ClockWatch:
    """Watches one clock. Feed it all that came in; drain `findings`; call `close` when a take ends."""

    def __init__(self, config: WatchConfig | None = None, prior: TempoPrior | None = None) -> None:
        self._config = WatchConfig() if config is None else config
        self.jitter = JitterMeter()
        self._book = FindingBook(self._config.machine)
        self._tempo = TempoJudge(self._book, self._config.tempo_limit_percent, prior)
        self._sources = SourceMeter()
        self._held = HeldReports()
        self._transport = TransportWatch(self._book, self._config.start_wait_clocks)
        self._now = 0
        self._mixed_ns: int | None = None
        self._old_grid: OldGrid | None = None
        self._last_due_ns: int | None = None
        self._late_due = self._config.lock_due is not None
        self._was_locked = False
        self._look = 0
        self._refusals: Counter[str] = Counter()

    # -- what is told ----------------------------------------------------------------------------

    def tick(self, arrival_ns: int, tick: Tick) -> None:
        """Take one clock and what the follower made of it."""
        self._heard(arrival_ns)
        if tick.verdict is TickVerdict.REFUSED:
            return
        self._sources.arrived(arrival_ns)
        in_song = tick.clocks is not None
        if self._transport.clock(arrival_ns, in_song=in_song, interval_ns=self._interval_ns):
            self._sources.clear()
        pending = tick.verdict is TickVerdict.PENDING
        self.jitter.add(arrival_ns, None if pending else tick.due_ns)
        if tick.due_ns is not None and not pending:
            self._last_due_ns = tick.due_ns
        if in_song:
            self._tempo.measure(arrival_ns, tick)
        self._let_go(arrival_ns)
        self._look = (self._look + 1) % _LOOK_EVERY
        if not self._look and self._mixed_ns is None:
            self._look_for_a_second(arrival_ns, tick.clocks)

    def pace(self, t_ns: int, clocks: int | None, pace: Pace) -> None:
        """Take the follower's view of the tempo, once a beat or so."""
        self._was_locked = self._was_locked or pace.locked
        if pace.locked and pace.rate is not None and pace.rate > _DOUBLE:
            self._mixed(t_ns, clocks, f"clocks come {pace.rate:.2f} times as fast as the song's")
        step = self._tempo.pace(t_ns, clocks, pace)
        if step is not None:
            self._held.hold(step)

    def sent(self, t_ns: int) -> None:
        """Take a clock that we sent ourselves to the machine that is followed (or on its port)."""
        self._sources.sent(t_ns)

    def sensing(self, t_ns: int) -> None:
        """Take FE: from now on something must come every 300 ms."""
        self._heard(t_ns)
        self._transport.sensing(t_ns)

    def message(self, t_ns: int) -> None:
        """Take any other message: it counts as a sign of life."""
        self._heard(t_ns)

    def started(self, t_ns: int) -> None:
        """Take Start or Continue, obeyed or not."""
        self._heard(t_ns)
        self._transport.started(t_ns)

    def stopped(self, t_ns: int) -> None:
        """Take Stop, obeyed or not."""
        self._heard(t_ns)
        self._transport.stopped()

    def locked_late(self, t_ns: int, clocks: int) -> None:
        """Take the position at which the follower locked, if that was in the song."""
        due = self._config.lock_due
        if due is None or not self._late_due:
            return
        self._late_due = False
        due = max(due, self._transport.started_at)  # a master may join the song where it likes
        if clocks > due:
            beats = (clocks - due) / CLOCKS_PER_QUARTER
            self._book.add(Code.LATE_LOCK, t_ns, clocks, beats,
                       f"the lock came {beats:.1f} beats after the pre-roll")  # fmt: skip

    def event(self, event: FollowerEvent) -> None:
        """Take a report of the follower."""
        kind = event.kind
        if kind is EventKind.EXTRA:
            self._sources.extra(event.t_ns)
            if not self._held.hold_unless_late(event, self._interval_ns):
                return
            if self._sources.crowded(max(self._now, event.t_ns), CLOCKS_PER_QUARTER * self._interval_ns):
                self._mixed(event.t_ns, event.clocks, "about as many clocks too many as there should be")
        elif kind is EventKind.MISSING:
            self._held.hold_unless_late(event, self._interval_ns)
        elif kind is EventKind.STEP:
            self._held.hold(event)
            self._tempo.stepped(event)
            if event.size > _JOINED and self._last_due_ns is not None:
                self._old_grid = OldGrid(self._last_due_ns, self._interval_ns)
        elif kind is EventKind.JUMP:
            self._held.hold(event)
        elif kind is EventKind.REFUSED:
            self._refused(event)
        else:
            self._transport.event(event)
            if kind is EventKind.STARTED:
                self._tempo.begin()

    def advance(self, now_ns: int) -> None:
        """Let time pass: active sensing, Start without clock, findings held back long enough."""
        if now_ns <= self._now:
            return
        self._now = now_ns
        self._transport.advance(now_ns, self._interval_ns)
        self._let_go(now_ns)

    def next_deadline_ns(self) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        return self._transport.next_deadline_ns(self._interval_ns)

    def close(self, t_ns: int) -> JitterFigures:
        """End a take: let go what is held back, judge the jitter, and return its figures."""
        self._let_go(t_ns, everything=True)
        for why, count in self._refusals.items():
            if count:
                self._book.add(Code.REFUSED, t_ns, None, count, f"{count} more refused: {why}")
        self._refusals.clear()
        figures = self.jitter.figures()
        if figures.kind is not JitterClass.UNKNOWN:
            severity: Severity = "warning" if figures.kind is JitterClass.BURSTS else "note"
            self._book.add(
                Code.JITTER, t_ns, None, figures.sd_ns / 1e3,
                f"jitter {figures.sd_ns / 1e3:.0f} us, {figures.kind.text}",
                {"class": figures.kind.value, "earliest_us": figures.earliest_ns / 1e3,
                 "latest_us": figures.latest_ns / 1e3, "clocks": figures.clocks},
                severity,
            )  # fmt: skip
        if self._late_due and self._transport.began and not self._was_locked:
            due = self._config.lock_due
            self._book.add(Code.LATE_LOCK, t_ns, due, 0.0, "the follower never locked")
        return figures

    def findings(self) -> list[Finding]:
        """Return what was found since the last call, oldest first."""
        return self._book.drain()

    @property
    def unreported(self) -> Counter[Code]:
        """How many findings of a code there were beyond those that were reported."""
        return self._book.unreported

    # -- inside ----------------------------------------------------------------------------------

    @property
    def _interval_ns(self) -> float:
        return self._tempo.interval_ns

    def _heard(self, t_ns: int) -> None:
        self.advance(t_ns)
        self._transport.heard(t_ns)

    def _look_for_a_second(self, t_ns: int, clocks: int | None) -> None:
        """See whether a second clock has joined, by the arrivals alone."""
        if self._sources.alternating():
            self._mixed(t_ns, clocks, "intervals are of two lengths in turn")
            return
        grid = self._old_grid
        if grid is None:
            return
        if self._sources.carries_on(grid):
            self._mixed(t_ns, clocks, "the clock of before goes on among more clocks")
        elif t_ns - grid.at_ns > 2 * CLOCKS_PER_QUARTER * grid.interval_ns:
            self._old_grid = None

    def _mixed(self, t_ns: int, clocks: int | None, why: str) -> None:
        """Two sources, or our own clock coming back."""
        if self._mixed_ns is not None:
            return
        self._mixed_ns = t_ns
        self._tempo.mixed = True
        self._old_grid = None
        extras = float(self._held.take_extras())
        lag = self._sources.echo_lag_ns()
        if lag is not None:
            self._book.add(Code.LOOP, t_ns, clocks, extras,
                           f"our own clock comes back {lag / 1e6:.1f} ms after we send it",
                           {"lag_ms": lag / 1e6})  # fmt: skip
        else:
            self._book.add(Code.MERGED, t_ns, clocks, extras, f"two clocks on one port: {why}")

    def _let_go(self, now_ns: int, everything: bool = False) -> None:
        """Report what was held back for long enough."""
        mixed, hold_ns = self._mixed_ns, HOLD_CLOCKS * self._interval_ns
        if mixed is not None and now_ns - mixed > 4 * hold_ns and not self._still_mixed(now_ns, 2 * hold_ns):
            self._mixed_ns = None
            self._tempo.mixed = False
        for held in self._held.let_go(now_ns, self._interval_ns, everything=everything):
            self._tell(held)

    def _still_mixed(self, now_ns: int, span_ns: float) -> bool:
        return self._sources.extras_within(now_ns, span_ns) > 0 or self._sources.alternating()

    def _tell(self, held: FollowerEvent | Bunch) -> None:
        if isinstance(held, Bunch):
            many = "clock" if held.clocks == 1 else "clocks"
            self._book.add(Code.BUNCHED, held.first.t_ns, held.first.clocks, float(held.clocks),
                           f"{held.clocks} {many} came up to {held.late_ns / 1e6:.0f} ms late, together",
                           )  # fmt: skip
        elif held.kind is EventKind.MISSING:
            many = "clock is" if held.size == 1 else "clocks are"
            text = f"{held.size:.0f} {many} missing"
            if held.size > 1:
                text += f"; {held.size * self._interval_ns / 1e6:.0f} ms went by prediction"
            self._book.add(Code.MISSING, held.t_ns, held.clocks, held.size, text)
        elif held.kind is EventKind.EXTRA:
            if self._mixed_ns is None:
                self._book.add(Code.EXTRA, held.t_ns, held.clocks, 1.0, "one clock too many")
        elif held.kind is EventKind.STEP:
            self._tempo.tell_step(held)
        elif held.kind is EventKind.JUMP and self._mixed_ns is None and not self._tempo.sways:
            size = held.size / 1e6
            self._book.add(Code.JUMP, held.t_ns, held.clocks, size,
                           f"the clock's phase jumped by {size:+.1f} ms")  # fmt: skip

    def _refused(self, event: FollowerEvent) -> None:
        """The first refusal of a kind is told at once, the others as a number at the end."""
        if event.text in self._refusals or len(self._refusals) >= MOST_OF_A_KIND:
            self._refusals[event.text] += round(event.size)
            return
        self._refusals[event.text] = 0
        self._book.add(Code.REFUSED, event.t_ns, event.clocks, event.size, f"refused: {event.text}")
