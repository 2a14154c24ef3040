"""A follower with its clock watch: one object to feed with all that a port's clock source sends."""

from __future__ import annotations

from collections import deque

from runner.sync.findings import Finding
from runner.sync.follower import Follower
from runner.sync.jitter import JitterFigures
from runner.sync.prior import CLOCKS_PER_QUARTER, TempoPrior
from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent, Tick
from runner.sync.settling import SettlingReport, settling_report
from runner.sync.states import LockState, Transport
from runner.sync.watch import ClockWatch, Pace, WatchConfig

_MOST_EVENTS = 1024


class ClockListener:
    """Feeds follower and watch alike. Times are monotonic ns; `follower` answers questions of time."""

    def __init__(
        self,
        follower: FollowerConfig | None = None,
        watch: WatchConfig | None = None,
        prior: TempoPrior | None = None,
    ) -> None:
        self._config = FollowerConfig() if follower is None else follower
        self._watch_config = WatchConfig() if watch is None else watch
        self.follower = Follower(self._config, prior)
        self.watch = ClockWatch(self._watch_config, prior)
        self._events: deque[FollowerEvent] = deque(maxlen=_MOST_EVENTS)
        self._since_pace = 0
        self._clocks_heard = 0
        self._clocks_to_lock: int | None = None
        self._locked_at: int | None = None

    def take(self, data: bytes, t_ns: int) -> Tick | None:
        """Take one whole message of the master's, whatever it is; returns what a clock was taken for."""
        status = data[0] if data else 0
        if status == 0xF8:
            return self.clock(t_ns)
        if status == 0xFE:
            self.sensing(t_ns)
        elif status == 0xFA:
            self.start(t_ns)
        elif status == 0xFB:
            self.continue_(t_ns)
        elif status == 0xFC:
            self.stop(t_ns)
        elif status == 0xF2 and len(data) == 3:
            self.position(data[1] | data[2] << 7, t_ns)
        else:
            self.message(t_ns)
        return None

    def clock(self, arrival_ns: int) -> Tick:
        """Take one F8."""
        tick = self.follower.clock(arrival_ns)
        self._clocks_heard += 1
        self._pass_on(arrival_ns)
        self.watch.tick(arrival_ns, tick)
        self._since_pace += 1
        if self._since_pace >= CLOCKS_PER_QUARTER:
            self._since_pace = 0
            self._tell_pace(arrival_ns, tick.clocks)
        return tick

    def start(self, t_ns: int) -> None:
        """Take FA."""
        self.watch.started(t_ns)
        self.follower.start(t_ns)
        self._pass_on(t_ns)

    def continue_(self, t_ns: int) -> None:
        """Take FB."""
        self.watch.started(t_ns)
        self.follower.continue_(t_ns)
        self._pass_on(t_ns)

    def stop(self, t_ns: int) -> None:
        """Take FC."""
        self.follower.stop(t_ns)
        self.watch.stopped(t_ns)
        self._pass_on(t_ns)

    def position(self, midi_beats: int, t_ns: int) -> None:
        """Take F2."""
        self.follower.position(midi_beats, t_ns)
        self.watch.message(t_ns)
        self._pass_on(t_ns)

    def sensing(self, t_ns: int) -> None:
        """Take FE."""
        self.watch.sensing(t_ns)

    def message(self, t_ns: int) -> None:
        """Take any other message from the master: a sign of life."""
        self.watch.message(t_ns)

    def sent(self, t_ns: int) -> None:
        """Take note of a clock that we sent on the master's own port."""
        self.watch.sent(t_ns)

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        self.follower.advance(now_ns)
        self._pass_on(now_ns)
        self.watch.advance(now_ns)

    def next_deadline_ns(self) -> int | None:
        """Return when `advance` next has something to decide; None while nothing can fall due."""
        deadlines = (self.follower.next_deadline_ns(), self.watch.next_deadline_ns())
        return min((each for each in deadlines if each is not None), default=None)

    def events(self) -> list[FollowerEvent]:
        """Return the follower's reports since the last call, oldest first."""
        out = list(self._events)
        self._events.clear()
        return out

    def findings(self) -> list[Finding]:
        """Return what the watch found since the last call, oldest first."""
        return self.watch.findings()

    @property
    def clocks_heard(self) -> int:
        """How many clocks came in, refused ones too."""
        return self._clocks_heard

    def close(self, t_ns: int) -> tuple[SettlingReport, JitterFigures]:
        """End a take: settle what is held back and say how the follower settled."""
        self._pass_on(t_ns)
        figures = self.watch.close(t_ns)
        locked_before = self._clocks_to_lock is not None and self._locked_at is None
        report = settling_report(
            self._clocks_to_lock, self._locked_at, self._watch_config.lock_due, locked_before,
            self.follower.jitter_ns, self._config.lock_limit_ns,
        )  # fmt: skip
        return report, figures

    def _pass_on(self, t_ns: int) -> None:
        for event in self.follower.events():
            self._events.append(event)
            self.watch.event(event)
            if event.kind is EventKind.STATE and self.follower.state is LockState.LOCKED:
                self._note_lock(event)
            elif event.kind is EventKind.STARTED and self._clocks_to_lock is not None:
                self.watch.locked_late(t_ns, event.clocks or 0)

    def _note_lock(self, event: FollowerEvent) -> None:
        if self._clocks_to_lock is None:
            self._clocks_to_lock = self._clocks_heard
            self._locked_at = event.clocks
        if event.clocks is not None:
            self.watch.locked_late(event.t_ns, event.clocks)

    def _tell_pace(self, t_ns: int, clocks: int | None) -> None:
        follower = self.follower
        bpm, sd = follower.bpm, follower.rate_sd
        if bpm is None or sd is None:
            return
        locked = follower.state is LockState.LOCKED
        at = clocks if follower.transport is Transport.PLAYING else None
        self.watch.pace(t_ns, at, Pace(bpm, follower.rate, sd, locked))
