"""Follows another machine's MIDI clock: arrivals in; position, tempo and predicted times out.

Rules of this file: position is exact by count (MIDI 1.0 Detailed Specification 4.2.1, pp. 27-32), the
count being corrected for clocks that prediction shows to be missing or too many (`tracker`). Time is
predicted from the line through the arrivals (`servo`), never from a single arrival. What came in never
raises: what cannot be is refused, counted and reported. The states and what moves them are tables in
`states`. Memory is bounded: nothing here grows with the length of a take.
"""

from __future__ import annotations

from collections import deque
from math import isfinite, sqrt

from runner.sync.gate import ArrivalGate
from runner.sync.prior import CLOCKS_PER_QUARTER, NS_PER_MINUTE, TempoPrior
from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent, Tick, TickVerdict
from runner.sync.states import (
    LockEvent,
    LockState,
    Transport,
    TransportAction,
    TransportEvent,
    next_lock,
    next_transport,
)
from runner.sync.tracker import Change, Tracker

__all__ = ["EventKind", "Follower", "FollowerConfig", "FollowerEvent", "Tick", "TickVerdict"]

CLOCKS_PER_MIDI_BEAT = 6
LAST_MIDI_BEAT = 16383
_MOST_EVENTS = 1024
_UNKNOWN_INTERVAL_NS = NS_PER_MINUTE / CLOCKS_PER_QUARTER / 120.0
_UNSURE_NS = 100_000_000  #: more patience while the first clocks come
_SHAKEN_CLOCKS = CLOCKS_PER_QUARTER
_CHANGES = {
    Change.MISSING: EventKind.MISSING,
    Change.EXTRA: EventKind.EXTRA,
    Change.STEP: EventKind.STEP,
    Change.JUMP: EventKind.JUMP,
}


class Follower:
    """One followed clock. Feed it in order of time; it never waits, never raises on what came in.

    Times are monotonic ns. Call `advance` at `next_deadline_ns` (and whenever convenient). `prior` is
    the song's tempo map in clocks from Start; without one the tempo is found blind.
    """

    def __init__(self, config: FollowerConfig | None = None, prior: TempoPrior | None = None) -> None:
        self._config = FollowerConfig() if config is None else config
        self._prior = prior
        self._state = LockState.SILENT
        self._transport = Transport.STOPPED
        self._position = 0  # of the next clock, while not playing
        self._origin = 0  # what the tracker's times count from, ns
        self._tracker = Tracker(prior, self._config.jitter_guess_ns)
        self._last_ns: int | None = None  # arrival of the newest clock
        self._events: deque[FollowerEvent] = deque(maxlen=_MOST_EVENTS)
        self._dropped_events = 0
        self._poor = 0  # clocks in a row with a poor prediction
        self._carrying_on = False
        self._gap_from: int | None = None  # slot of the first overdue clock while freewheeling
        self._gate = ArrivalGate(self._config.max_bpm)

    # -- what comes in ---------------------------------------------------------------------------

    def clock(self, arrival_ns: int) -> Tick:
        """Take one F8 that arrived at `arrival_ns`."""
        interval_ns = 0.0 if self._last_ns is None else self._interval_ns()
        refused, anew = self._gate.admit(arrival_ns, self._last_ns, interval_ns)
        if refused:
            return self._refuse(arrival_ns, refused)
        if anew:
            self._forget()
        self.advance(arrival_ns)
        if self._carrying_on:
            return self._refuse(arrival_ns, "the freewheel span was over; it counts again from a Start")
        tracker = self._tracker
        if not tracker.servo.samples:
            self._origin = arrival_ns
        y = float(arrival_ns - self._origin)
        self._last_ns = arrival_ns
        self._transport, action = next_transport(self._transport, TransportEvent.CLOCK)
        if action is TransportAction.BEGIN:
            due = tracker.time_of(tracker.slot + 1) if tracker.ready else None
            tracker.begin(self._position, y)
            self._report(EventKind.STARTED, arrival_ns, self._position)
        else:
            due = tracker.tick(y)
        self._after_clock(arrival_ns)
        playing = self._transport is Transport.PLAYING
        verdict = TickVerdict.COUNTED if playing else TickVerdict.IDLE
        if tracker.pending:
            verdict = TickVerdict.PENDING
        return Tick(
            verdict,
            tracker.slot if playing else None,
            None if due is None else self._origin + round(due),
            sqrt(tracker.servo.variance),
        )

    def start(self, t_ns: int) -> None:
        """Take FA: the next clock is the downbeat, count 0."""
        self._leave_carry_on(t_ns)
        self._move(TransportEvent.START, t_ns)

    def continue_(self, t_ns: int) -> None:
        """Take FB: the next clock plays the kept position."""
        self._leave_carry_on(t_ns)
        self._move(TransportEvent.CONTINUE, t_ns)

    def stop(self, t_ns: int) -> None:
        """Take FC: keep the position; clocks that follow serve phase and tempo only."""
        self._move(TransportEvent.STOP, t_ns)
        self._carrying_on = False

    def position(self, midi_beats: int, t_ns: int) -> None:
        """Take F2: locate to `midi_beats` (0 to 16383, 6 clocks each); refused while playing."""
        if not 0 <= midi_beats <= LAST_MIDI_BEAT:
            text = f"song position {midi_beats} is outside 0 to 16383"
            self._report(EventKind.REFUSED, t_ns, size=1, text=text)
            return
        self._transport, action = next_transport(self._transport, TransportEvent.POSITION)
        clocks = midi_beats * CLOCKS_PER_MIDI_BEAT
        if action is TransportAction.REFUSE:
            self._report(EventKind.POSITION_REFUSED, t_ns, self.next_count, clocks)
            return
        self._position = clocks
        self._tracker.rest(clocks)
        self._report(EventKind.LOCATED, t_ns, clocks)

    def advance(self, now_ns: int) -> None:
        """Let time pass: notice overdue clocks and the end of the freewheel span."""
        deadline = self.next_deadline_ns()
        if deadline is None or now_ns < deadline:
            return
        if self._state in (LockState.ACQUIRING, LockState.LOCKED):
            self._overdue(deadline)
            deadline = self.next_deadline_ns()
        if deadline is not None and now_ns >= deadline:
            self._span_over(deadline)

    # -- what is known ---------------------------------------------------------------------------

    def next_deadline_ns(self) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        if self._last_ns is None or self._carrying_on:
            return None
        if self._state in (LockState.ACQUIRING, LockState.LOCKED):
            interval, servo = self._interval_ns(), self._tracker.servo
            if not servo.jitter_known:
                return self._last_ns + round(4.0 * interval + _UNSURE_NS)
            return self._last_ns + round(2.0 * interval + max(5.0 * sqrt(servo.variance), 2_000_000.0))
        if self._state is LockState.FREEWHEELING:
            return self._last_ns + max(1, round(self._span_ns() + 1.5 * self._interval_ns()))
        return None

    def time_of(self, count: float) -> int | None:
        """Return the predicted time of song position `count` (clocks, fractions allowed), past or future.

        Between Start and the first clock it is what the clocks so far predict, if locked. None while
        the transport is stopped, or no tempo is known.
        """
        tracker = self._tracker
        if self._transport is Transport.STOPPED or not tracker.ready:
            return None
        if self._transport is Transport.STARTING:
            if self._state is not LockState.LOCKED:
                return None
            rate = tracker.servo.line.rate
            ahead = rate * (tracker.prior.ns_of(count) - tracker.prior.ns_of(self._position))
            return self._origin + round(tracker.time_of(tracker.slot + 1) + ahead)
        y = tracker.time_of(count)
        return self._origin + round(y) if isfinite(y) else None

    def clock_ahead(self, clocks: int = 1) -> int | None:
        """Return the predicted time of the clock `clocks` after the newest, playing or stopped."""
        tracker = self._tracker
        away = self._state in (LockState.SILENT, LockState.LOST) and not self._carrying_on
        if away or not tracker.ready:
            return None
        return self._origin + round(tracker.time_of(tracker.slot + clocks))

    def count_at(self, now_ns: int) -> float | None:
        """Return the song position at `now_ns` in clocks, between ticks too; the kept one when stopped."""
        if self._transport is not Transport.PLAYING:
            return float(self._position)
        if not self._tracker.ready:
            return None
        return self._tracker.slot_at(float(now_ns - self._origin))

    @property
    def state(self) -> LockState:
        """How far the clock can be trusted."""
        return self._state

    @property
    def transport(self) -> Transport:
        """Stopped, starting or playing."""
        return self._transport

    @property
    def carrying_on(self) -> bool:
        """Whether the song goes on without the master, its freewheel span being over."""
        return self._carrying_on

    @property
    def next_count(self) -> int:
        """The song position, in clocks, that the next clock will play (or would, when stopped)."""
        return self._tracker.slot + 1 if self._transport is Transport.PLAYING else self._position

    @property
    def bpm(self) -> float | None:
        """Tempo at the present position in quarter notes a minute; None while unknown."""
        interval = self._tracker.interval() if self._tracker.ready else 0.0
        return NS_PER_MINUTE / CLOCKS_PER_QUARTER / interval if interval > 0 else None

    @property
    def rate(self) -> float | None:
        """The master's tempo against the song's: 1.0 when equal, above when faster; None while unknown."""
        if not self._tracker.told or self._tracker.servo.samples < 2:
            return None
        return 1.0 / self._tracker.servo.line.rate

    @property
    def rate_sd(self) -> float | None:
        """Standard deviation of `rate` (or of the tempo, as a share of it); None while unknown."""
        servo = self._tracker.servo
        line = servo.line
        weight = line.rate_information + line.pull
        if servo.samples < 2 or weight <= 0:
            return None
        return sqrt(servo.variance / weight) / line.rate

    @property
    def jitter_ns(self) -> float:
        """Standard deviation of the arrivals about the estimated line."""
        return sqrt(self._tracker.servo.variance)

    @property
    def ahead_sd_ns(self) -> float | None:
        """Standard deviation of the time predicted one beat ahead; None while no tempo is known."""
        return self._tracker.ahead_sd(CLOCKS_PER_QUARTER) if self._tracker.ready else None

    def events(self) -> list[FollowerEvent]:
        """Return what there is to report since the last call, oldest first, at most 1024 reports."""
        drained = list(self._events)
        self._events.clear()
        if self._dropped_events:
            text = f"{self._dropped_events} older reports were dropped"
            drained.insert(0, FollowerEvent(EventKind.REFUSED, drained[0].t_ns, None, 0.0, text))
            self._dropped_events = 0
        return drained

    def stand_at(self, position: int, *, running: bool) -> None:
        """Begin where the master is known to stand: before the first clock, in place of what came before.

        `position` is the song position of its next clock, in clocks; `running` whether it plays.
        """
        self._position = max(0, position)
        self._tracker.rest(self._position)
        self._transport = Transport.STARTING if running else Transport.STOPPED

    def set_prior(self, prior: TempoPrior | None) -> None:
        """Take another song's tempo map, between takes; phase and tempo are found anew."""
        self._prior = prior
        self._forget()

    def reset(self, now_ns: int) -> None:
        """Forget everything but the configuration and the prior."""
        self._forget()
        self._transport, self._position = Transport.STOPPED, 0
        self._carrying_on = False
        self._to(LockEvent.RESET, now_ns)

    # -- inside ----------------------------------------------------------------------------------

    def _forget(self) -> None:
        position = self.next_count
        self._tracker = Tracker(self._prior, self._config.jitter_guess_ns, position)
        self._last_ns = None
        self._gap_from = None
        self._poor = 0
        self._gate.forget()
        if self._transport is Transport.PLAYING:
            self._position = position
            self._transport = Transport.STARTING

    def _interval_ns(self) -> float:
        if self._tracker.ready:
            interval = self._tracker.interval()
            longest = NS_PER_MINUTE / CLOCKS_PER_QUARTER / self._config.min_bpm
            if 0 < interval < longest:
                return interval
            return longest
        return _UNKNOWN_INTERVAL_NS

    def _span_ns(self) -> float:
        fixed = self._config.freewheel_ns
        return fixed if fixed is not None else self._config.freewheel_clocks * self._interval_ns()

    def _report(
        self, kind: EventKind, t_ns: int, clocks: int | None = None, size: float = 0.0, text: str = ""
    ) -> None:
        if len(self._events) == _MOST_EVENTS:
            self._dropped_events += 1
        self._events.append(FollowerEvent(kind, t_ns, clocks, size, text))

    def _to(self, event: LockEvent, t_ns: int) -> None:
        state = next_lock(self._state, event)
        if state is not self._state:
            text = f"{self._state.value} -> {state.value}: {event.value}"
            self._state = state
            self._report(EventKind.STATE, t_ns, self._song_clocks(), text=text)

    def _song_clocks(self) -> int | None:
        return self._tracker.slot if self._transport is Transport.PLAYING else None

    def _move(self, event: TransportEvent, t_ns: int) -> None:
        """Obey a transport message."""
        playing = self._transport is Transport.PLAYING
        self._transport, action = next_transport(self._transport, event)
        if action is TransportAction.NOTHING:
            self._report(EventKind.REDUNDANT, t_ns, self.next_count, 1, event.value)
        elif action is TransportAction.REWIND:
            self._position = 0
            self._tracker.rest(0)
        elif action is TransportAction.HALT:
            self._tracker.conclude()
            self._drain_discoveries()
            if playing:
                self._position = self._tracker.slot + 1
            self._tracker.rest(self._position)
            self._report(EventKind.STOPPED, t_ns, self._position, text=event.value)

    def _leave_carry_on(self, t_ns: int) -> None:
        if self._carrying_on:
            self._carrying_on = False
            self._move(TransportEvent.LOST, t_ns)
            self._forget()

    def _refuse(self, t_ns: int, why: str) -> Tick:
        count = self._gate.count_refusal(t_ns, why)
        if count:
            self._report(EventKind.REFUSED, t_ns, self._song_clocks(), count, why)
        return Tick(TickVerdict.REFUSED, None, None, self.jitter_ns)

    def _after_clock(self, arrival_ns: int) -> None:
        """Report what the clock brought to light and move the lock state."""
        tracker = self._tracker
        if tracker.found:
            self._drain_discoveries()
        state = self._state
        if state is LockState.LOCKED or state is LockState.ACQUIRING:
            if tracker.pending:
                return
            good = self._prediction_good(2.0 if state is LockState.LOCKED else 1.0)
            if state is LockState.ACQUIRING:
                if good:
                    self._poor = 0
                    self._to(LockEvent.SETTLED, arrival_ns)
            elif good:
                self._poor = 0
            else:
                self._poor += 1
                if self._poor > _SHAKEN_CLOCKS:
                    self._to(LockEvent.SHAKEN, arrival_ns)
        elif state is LockState.FREEWHEELING:
            if not tracker.pending:
                self._relock(arrival_ns)
        else:
            self._to(LockEvent.TICK, arrival_ns)

    def _prediction_good(self, slack: float) -> bool:
        servo = self._tracker.servo
        if not servo.jitter_known or not self._tracker.ready:
            return False
        return self._tracker.ahead_sd(CLOCKS_PER_QUARTER) <= slack * self._config.lock_limit_ns

    def _relock(self, arrival_ns: int) -> None:
        first = self._gap_from
        lost = 0 if first is None else max(0, self._tracker.slot - first)
        self._gap_from = None
        self._to(LockEvent.TICK if self._prediction_good(2.0) else LockEvent.MISFIT, arrival_ns)
        self._report(EventKind.RELOCKED, arrival_ns, self._song_clocks(), lost)

    def _drain_discoveries(self) -> None:
        for found in self._tracker.found:
            clocks = found.slot if self._tracker.grid.playing else None
            self._report(_CHANGES[found.change], self._origin + round(found.y), clocks, found.size)
        self._tracker.found.clear()

    def _overdue(self, t_ns: int) -> None:
        self._tracker.conclude()
        self._drain_discoveries()
        self._gap_from = self._tracker.slot + 1
        clocks = self._gap_from if self._transport is Transport.PLAYING else None
        self._to(LockEvent.OVERDUE, t_ns)
        self._report(EventKind.DROPOUT, t_ns, clocks)

    def _span_over(self, t_ns: int) -> None:
        """The freewheel span is over: carry on as master, or stop where prediction says we are."""
        assert self._last_ns is not None
        away = t_ns - self._last_ns
        if self._transport is not Transport.PLAYING:  # a master may rest its clock between Start and bar 1
            self._to(LockEvent.SPAN_OVER_STOPPED, t_ns)
            self._forget()
            return
        reached = self.count_at(t_ns)
        clocks = None if reached is None else int(reached)
        self._to(LockEvent.SPAN_OVER_PLAYING, t_ns)
        self._report(EventKind.LOST, t_ns, clocks, away, self._config.on_dropout)
        if self._config.on_dropout == "carry-on":
            self._carrying_on = True
            return
        self._move(TransportEvent.LOST, t_ns)
        if clocks is not None:
            self._position = max(0, clocks)
        self._forget()
