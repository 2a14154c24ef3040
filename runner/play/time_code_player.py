"""The player when another machine's time code is the master. Pure.

A roll is armed; when time code comes near the song's start it begins, with everything at its predicted time,
Start and the clocks of the lead included: time code can be looked ahead of, which Start cannot. Where
the time code is within the song already, the song is joined at a beat that can still be reached: what must
be in force there is sent at once, Song Position as well, and Continue so that this beat is the first played.

Time code knows no Stop. It has stopped when it stays away for the freewheel span; a jump, a locate or
reverse in mid-song ends the take.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from runner.music import FrameRate
from runner.plan.quarter_frames import origin_at
from runner.plan.timeline import Stage, Timeline
from runner.play.commands import ClockPolicy, RigMachine
from runner.play.following import NOT_A_CLOCK, FollowingPlayer, Heard, ReportSource
from runner.play.legtime import CLOCKS_PER_QUARTER, FollowedTime
from runner.play.player import MOVING, Note
from runner.play.relay import PortRelay, shifts_of
from runner.play.sounding import Sounding
from runner.play.states import PlayEvent, PlayState, next_state
from runner.play.streams import NO_TICK, EventStream, Send
from runner.play.time_code_join import joinings, song_position
from runner.play.time_code_relay import TimeCodeRelay
from runner.play.time_code_stream import TimeCodeStream
from runner.sync.followed import Followed
from runner.sync.prior import GridPrior, SteadyPrior
from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent
from runner.sync.states import LockState, Transport
from runner.sync.timecode_listener import TimeCodeListener

AHEAD_NS = 400_000_000  #: so long before the first thing that is due a roll begins
JOIN_NS = (
    120_000_000  #: from the decision to join to the beat at which it is done: time to send what it needs
)
SETTLING_CLOCKS = CLOCKS_PER_QUARTER  #: that a machine gets before it is continued
_CONTINUE_LEAD_NS = 2_000_000
_CLOCKS_AHEAD = 2  #: the first clock passed on is so many after the present


class TimeCodePlayer(FollowingPlayer):
    """A player that goes by the time code on port `policy.port`."""

    def __init__(
        self,
        machines: Sequence[RigMachine],
        port_count: int,
        sounding: Sounding | None = None,
        policy: ClockPolicy | None = None,
    ) -> None:
        super().__init__(machines, port_count, sounding, policy)
        self._tape = self._listener_of(None)
        self._first = 0  #: count of the first clock of the grid
        self._enter = 0  #: count at which the bars begin that are played or counted
        self._exit = 0

    @property
    def follower(self) -> Followed:
        """Where the master is."""
        return self._tape.follower

    @property
    def _source(self) -> ReportSource:
        return self._tape

    def roll(self, now_ns: int) -> int:
        """Arm the loaded course; return `now_ns`: no anchor yet."""
        assert self._course is not None
        timeline = self._course.legs[0].timeline
        began = super().roll(now_ns)
        start = -self._count0 / CLOCKS_PER_QUARTER
        self._first = self._count_of(timeline.clock_quarters0)
        bars = [mark.quarters for mark in timeline.stages if mark.stage >= Stage.PRE_ROLL]
        self._enter = self._count_of(bars[0] if bars else start)
        self._exit = self._count_of(timeline.exit_quarters)
        for at, note in enumerate(self._notes):
            if "follow" in note.data:  # what a follower of beat clock begins with means nothing here
                self._notes[at] = replace(note, data={"state": note.data["state"], "source": "time code"})
        self._tape = self._listener_of(timeline)
        self._relays = self._make_relays(timeline)
        return began

    def feed(self, port: int, data: bytes, arrival_ns: int) -> Heard:
        """Take a message that came in by any port; returns what became of it if it was time code."""
        if port != self._policy.port or data[0] not in (0xF0, 0xF1):
            return NOT_A_CLOCK
        tick = self._tape.take(data, arrival_ns)
        self._retime()
        for relay in self._relays:
            relay.retime()
        self._drain()
        self._look(arrival_ns)
        if tick is None or tick.clocks is None:
            return NOT_A_CLOCK
        return Heard(tick.due_ns or 0, self._quarters_of(tick.clocks))

    def next_check_ns(self) -> int | None:
        """Return when the follower has something to decide if nothing comes until then."""
        return self._tape.next_deadline_ns()

    def due(self, now_ns: int, ahead_ns: int = 0) -> list[Send]:
        """Return all that is due."""
        self._tape.advance(now_ns)
        self._drain()
        return super().due(now_ns, ahead_ns)

    # ------------------------------------------------------------------ beginning

    def _look(self, now_ns: int) -> None:
        """Begin the armed roll if the time code has come to it."""
        follower = self.follower
        if self.state is not PlayState.ARMED or follower.transport is not Transport.PLAYING:
            return
        here = follower.count_at(now_ns)
        if follower.state is not LockState.LOCKED or here is None:
            return
        first_ns, enter_ns = follower.time_of(self._first), follower.time_of(self._enter)
        if first_ns is None or enter_ns is None or first_ns - now_ns > AHEAD_NS:
            return
        if enter_ns - now_ns >= JOIN_NS:
            self._enter_at(now_ns, max(self._first, math.ceil(here) + _CLOCKS_AHEAD), self._enter)
            return
        ready = here + max(self._clocks_in(JOIN_NS, here), _CLOCKS_AHEAD + 1 + SETTLING_CLOCKS)
        beat = math.ceil(ready / CLOCKS_PER_QUARTER) * CLOCKS_PER_QUARTER
        if beat <= self._exit - CLOCKS_PER_QUARTER:
            self._enter_at(now_ns, math.ceil(here) + _CLOCKS_AHEAD, beat)

    def _clocks_in(self, span_ns: int, here: float) -> float:
        follower = self.follower
        now, later = follower.time_of(here), follower.time_of(here + CLOCKS_PER_QUARTER)
        return 0.0 if now is None or later is None else span_ns * CLOCKS_PER_QUARTER / max(1, later - now)

    def _enter_at(self, now_ns: int, clock: int, count: int) -> None:
        """Begin the roll: the first clock passed on is `clock`, the first one played `count`."""
        assert self._course is not None
        timeline = self._course.legs[0].timeline
        late = count > self._enter
        quarters = self._quarters_of(count)
        self._place_leg(0, 1, FollowedTime(timeline, self.follower, self._count0), now_ns)
        events = self._legs[0].streams[0]
        assert isinstance(events, EventStream)
        events.skip_rows(self._first_row)
        if late:
            for send in self._prelude:  # what was to be sent before the song has no time left
                self._at_once.append(send._replace(due_ns=now_ns))
            self._prelude = []
            self._join(timeline, quarters, now_ns, events)
        else:
            self._schedule_starts(timeline)
        for each in self._legs[0].streams:
            if isinstance(each, TimeCodeStream):
                located = each.begin_at(max(quarters, self._quarters_of(clock)))
                self._at_once += [send._replace(due_ns=now_ns) for send in located if late]
        stages = self._legs[0].stages
        stages.begin_at(quarters)
        self.state = next_state(self.state, PlayEvent.PRE_ROLL if quarters < 0 else PlayEvent.SONG)
        if stages.quarters != quarters:
            self._notes.append(Note("state", now_ns, quarters, {"state": self.state.value}))
        for relay in self._relays:
            relay.begin(clock)

    def _schedule_starts(self, timeline: Timeline) -> None:
        """Send each Start ahead of the song at its predicted time."""
        rows = timeline.events
        time = self._legs[0].time
        for row in range(self._first_row):
            data = rows.bytes_of(row)
            if 0xFA <= data[0] <= 0xFC or data[0] in (0xF2, 0xF3):
                due_ns = time.when(rows.t_ns[row], rows.quarters[row], rows.shift_ns[row])
                self._prelude.append(
                    Send(
                        due_ns,
                        rows.port[row],
                        data,
                        rows.machine[row],
                        rows.source[row],
                        rows.quarters[row],
                        NO_TICK,
                        False,
                    )
                )
        self._prelude.sort(key=lambda send: send.due_ns)

    def _join(self, timeline: Timeline, quarters: float, now_ns: int, events: EventStream) -> None:
        """Bring every machine to where the song is: programs and controllers, position, Continue."""
        self._at_once += [send._replace(due_ns=now_ns) for send in events.chase_to(quarters)]
        beat_ns = self.follower.time_of(self._count0 + quarters * CLOCKS_PER_QUARTER) or now_ns
        left: list[str] = []
        for port, position, runs in joinings(timeline, quarters):
            if port == self._policy.port:
                continue
            if port not in self._position_ports or position < 0:
                left += [
                    machine.name
                    for machine in self._machines
                    if machine.port == port and "transport" in machine.follows
                ]
                continue
            self._at_once.append(
                Send(now_ns, port, song_position(position), 0xFFFF, 0, quarters, NO_TICK, False)
            )
            if runs:
                due_ns = beat_ns - _CONTINUE_LEAD_NS
                self._prelude.append(Send(due_ns, port, b"\xfb", 0xFFFF, 0, quarters, NO_TICK, False))
                for relay in self._relays:
                    if relay.port == port:
                        relay.start_before(round(self._count0 + quarters * CLOCKS_PER_QUARTER))
        text = f"the song was joined at {self._tape.follower.code}, {quarters:g} quarters after bar 1"
        if left:
            text += f"; {', '.join(left)} cannot be located and stay{'s' if len(left) == 1 else ''} out"
        self._tape.joined_late(now_ns, round(self._count0 + quarters * CLOCKS_PER_QUARTER), text)
        self._notes.append(Note("state", now_ns, quarters, {"state": "located"}))

    # ------------------------------------------------------------------ inside

    def _count_of(self, quarters: float) -> int:
        return round(self._count0 + quarters * CLOCKS_PER_QUARTER)

    def _listener_of(self, timeline: Timeline | None) -> TimeCodeListener:
        policy = self._policy
        text = timeline.time_code if timeline is not None else ""
        rate = FrameRate.parse(policy.frame_rate) if policy.frame_rate else None
        prior: GridPrior | SteadyPrior = SteadyPrior(120.0)
        freewheel_ns = policy.freewheel_ns or policy.freewheel_clocks * 20_833_333
        if timeline is not None and len(timeline.clock_ns) > 1:
            prior = GridPrior(timeline.clock_ns, self._first)
            ticks = timeline.clock_ns
            if policy.freewheel_ns is None:
                freewheel_ns = policy.freewheel_clocks * (ticks[-1] - ticks[0]) // (len(ticks) - 1)
        config = FollowerConfig(
            freewheel_ns=max(1, freewheel_ns),
            on_dropout="carry-on" if policy.then == "carry-on" else "stop",
        )

        return TimeCodeListener(config, prior, partial(origin_at, text), rate, policy.machine)

    def _make_relays(self, timeline: Timeline) -> list[PortRelay]:
        shifts = shifts_of([(role.port, role.shift_ns) for role in timeline.clocks])
        end = self._end_of_course()
        return [TimeCodeRelay(port, shift, self.follower, self._first, end) for port, shift in shifts.items()]

    def _end_of_course(self) -> int | None:
        """Return the count after the last clock of all legs and passes; None if one has no end."""
        assert self._course is not None
        legs = self._course.legs
        if any(leg.repeats == 0 for leg in legs):
            return None
        return self._first + sum(leg.repeats * len(leg.timeline.clock_ns) for leg in legs)

    def _on_event(self, event: FollowerEvent) -> None:
        if event.kind is EventKind.LOST and self.state in MOVING and not self.follower.carrying_on:
            self.stop(event.t_ns, "time code stopped and did not come back in time")
        elif event.kind is EventKind.STOPPED and self.state in MOVING and event.text in _BREAKS:
            self.stop(event.t_ns, _BREAKS[event.text])
        else:
            super()._on_event(event)

    def _settle(self, t_ns: int) -> None:
        """Write down all that is left to say of the time code."""
        tape = self._tape
        figures = tape.close(t_ns)
        self._drain_findings()
        if not tape.heard:
            return
        locked_at = None if tape.locked_at is None else self._quarters_of(tape.locked_at)
        data = {
            "state": "settled",
            "source": "time code",
            "quarter_frames_to_lock": tape.heard_to_lock,
            "locked_at_quarters": locked_at,
            "jitter_us": round(figures.sd_ns / 1000, 1),
            "class": figures.kind.value,
        }
        self._notes.append(Note("state", t_ns, math.nan, data))


_BREAKS = {
    "jump": "time code jumped",
    "full message": "the recorder was located",
    "reverse": "time code ran in reverse",
}


__all__ = ["AHEAD_NS", "JOIN_NS", "TimeCodePlayer"]
