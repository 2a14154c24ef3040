"""The player when another machine is the clock master. Pure.

The roll is armed; the master's Start begins it, its count is the song position, its Stop ends it. What
stands in the timeline goes out at the predicted time of its moment (so that early machines and programs
work under a foreign clock too), the clock is relayed, and the watch says what was wrong with it.

What lies before the master's Start (programs, lead) is sent when the roll is armed, at its own pace.
Start itself is passed on the moment it arrives, so that it comes before the clock that plays bar 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from runner.plan.timeline import EventOrder, Stage, Timeline
from runner.play.commands import ClockPolicy, RigMachine
from runner.play.legtime import CLOCKS_PER_QUARTER, FollowedTime, LegTime
from runner.play.player import MOVING, AnyStream, Note, Player, time_code_streams
from runner.play.relay import MOST_AT_ONCE, PortRelay, shifts_of
from runner.play.sounding import Sounding
from runner.play.states import PlayEvent, PlayState, next_state
from runner.play.streams import NEVER, EventStream, Send
from runner.play.time_code_stream import TimeCodeStream
from runner.sync.findings import Finding
from runner.sync.followed import Followed
from runner.sync.follower import EventKind, FollowerConfig, FollowerEvent, TickVerdict
from runner.sync.listener import ClockListener
from runner.sync.prior import GridPrior
from runner.sync.record import FollowRecord, SongGrid
from runner.sync.states import LockState, Transport
from runner.sync.watch import WatchConfig

PRELUDE_MARGIN_NS = 5_000_000  #: from arming to the first message that goes ahead of the master's Start


_STARTS = (b"\xfa", b"\xfb")


class Heard(NamedTuple):
    """What became of a clock that came in: when it was predicted, and its song position (or NaN)."""

    due_ns: int
    quarters: float


NOT_A_CLOCK = Heard(0, math.nan)


class ReportSource(Protocol):
    """Whatever listens to the master and has something to say of it."""

    def events(self) -> list[FollowerEvent]:
        """Return what happened since the last call."""

    def findings(self) -> list[Finding]:
        """Return what is wrong with the master, since the last call."""


class FollowingPlayer(Player):
    """A player that goes by the clock on port `policy.port`."""

    def __init__(
        self,
        machines: Sequence[RigMachine],
        port_count: int,
        sounding: Sounding | None = None,
        policy: ClockPolicy | None = None,
    ) -> None:
        super().__init__(machines, port_count, sounding)
        self._policy = policy or ClockPolicy()
        self._listener = ClockListener(_config(self._policy), WatchConfig(machine=self._policy.machine))
        self._relays: list[PortRelay] = []
        self._prelude: list[Send] = []
        self._at_once: list[Send] = []
        self._starts: list[Send] = []
        self._first_row = 0
        self._count0 = 0.0
        self._position_ports = tuple(
            sorted({machine.port for machine in machines if "position" in machine.follows})
        )

    @property
    def moving(self) -> bool:
        """Whether a roll is under way; a roll that waits for the master's Start is one."""
        return self.state in MOVING or self.state is PlayState.ARMED

    @property
    def follower(self) -> Followed:
        """Where the master is."""
        return self._listener.follower

    @property
    def _source(self) -> ReportSource:
        """What reports on the master."""
        return self._listener

    # ------------------------------------------------------------------ orders

    def roll(self, now_ns: int) -> int:
        """Arm the loaded course, which the master's Start will begin; return `now_ns`: no anchor yet."""
        state = next_state(self.state, PlayEvent.ARM)
        assert self._course is not None
        timeline = self._course.legs[0].timeline
        self._go = False
        self._tick = 0
        self._legs = []
        start_quarters = _start_quarters(timeline)
        self._count0 = -start_quarters * CLOCKS_PER_QUARTER
        record = self._listen_anew(timeline, start_quarters)
        self._relays = self._make_relays(timeline)
        self._split_prelude(timeline, start_quarters, now_ns)
        self.state = state
        data = {"state": state.value, "follow": record.to_dict()}
        self._notes.append(Note("state", now_ns, start_quarters, data))
        self._note_muted(now_ns, start_quarters)
        return now_ns

    def feed(self, port: int, data: bytes, arrival_ns: int) -> Heard:
        """Take a message that came in by any port; returns what became of it if it was the master's clock."""
        if port != self._policy.port:
            return NOT_A_CLOCK
        heard = NOT_A_CLOCK
        status = data[0]
        if status == 0xF8:
            heard = self._clock(arrival_ns)
        elif status == 0xFC:
            self._master_stops(arrival_ns)
        else:
            self._listener.take(data, arrival_ns)
            if status in (0xFA, 0xFB):
                self._begin(arrival_ns, status)
        self._drain()
        return heard

    # ------------------------------------------------------------------ what the loop asks

    def next_deadline_ns(self) -> int | None:
        """Return when `due` is next worth calling."""
        soonest = super().next_deadline_ns()
        candidates = [relay.due_ns for relay in self._relays]
        if self._prelude:
            candidates.append(self._prelude[0].due_ns)
        nearest = min(candidates, default=NEVER)
        if nearest == NEVER:
            return soonest
        return nearest if soonest is None else min(soonest, nearest)

    def next_check_ns(self) -> int | None:
        """Return when the follower or the watch has something to decide if nothing comes until then."""
        return self._listener.next_deadline_ns()

    def due(self, now_ns: int, ahead_ns: int = 0) -> list[Send]:
        """Return all that is due: what goes ahead of Start, Start, clocks, events."""
        self._listener.advance(now_ns)
        self._drain()
        until_ns = now_ns + ahead_ns
        sends: list[Send] = []
        while self._prelude and self._prelude[0].due_ns <= until_ns:
            sends += self._pass([self._prelude.pop(0)])
        started, self._at_once = self._at_once, []
        sends += self._pass(started)
        self._note_starts([send._replace(due_ns=now_ns) for send in started])
        for index, relay in enumerate(self._relays):
            end = relay.next_count + MOST_AT_ONCE  # what is due beyond that waits for the next turn
            while relay.due_ns <= until_ns and relay.next_count < end:
                clocks = relay.take(self._quarters_of(relay.next_count))
                sends += clocks
                if not index:  # one port's is enough to know our own clock by if it comes back
                    for send in clocks:
                        self._listener.sent(max(now_ns, send.due_ns))
        rest = super().due(now_ns, ahead_ns)
        self._note_starts(rest)
        sends += rest
        sends.sort(key=lambda send: send.due_ns)
        return sends

    def start_is_out(self, port: int, t_ns: int) -> None:
        """Take note that a port has been handed Start or Continue: its next clock keeps its distance."""
        for relay in self._relays:
            if relay.port == port:
                relay.start_sent(t_ns)

    def position(self, now_ns: int) -> float:
        """Return the song position by the master's count; NaN while nothing is armed."""
        if self.state is PlayState.ARMED:
            return -self._count0 / CLOCKS_PER_QUARTER
        return super().position(now_ns)

    # ------------------------------------------------------------------ inside

    def _listen_anew(self, timeline: Timeline, start_quarters: float) -> FollowRecord:
        """Follow with the song's tempo map from here on; of what was known, only where the master stands.

        Returns all that the new follower starts with, so that the take can be followed again later.
        """
        known = self._listener.follower
        running = known.transport is not Transport.STOPPED and not known.carrying_on
        ticks = timeline.clock_ns
        entry_at = round((timeline.entry_quarters - timeline.clock_quarters0) * CLOCKS_PER_QUARTER)
        first = round((timeline.clock_quarters0 - start_quarters) * CLOCKS_PER_QUARTER)
        record = FollowRecord(
            port=self._policy.port or 0,
            own_port=next((role.port for role in timeline.clocks if role.port != self._policy.port), None),
            follower=_config(self._policy),
            watch=WatchConfig(
                self._policy.machine, self._policy.tempo_limit_percent, max(0, round(self._count0))
            ),
            position=known.next_count,
            running=running,
            grid=SongGrid(first, entry_at, len(ticks), SongGrid.sum_of(ticks)),
        )
        prior = GridPrior(ticks, first) if len(ticks) > 1 else None
        self._listener = record.listener(prior)
        return record

    def _streams(self, timeline: Timeline, time: LegTime) -> list[AnyStream]:
        # the clock comes from the relays
        return [EventStream(timeline, time.when), *time_code_streams(timeline, time)]

    def _make_relays(self, timeline: Timeline) -> list[PortRelay]:
        shifts = shifts_of([(role.port, role.shift_ns) for role in timeline.clocks])
        straight = self._policy.straight_ports
        return [
            PortRelay(port, shift, self.follower, straight=port in straight)
            for port, shift in shifts.items()
            if port != self._policy.port
        ]

    def _split_prelude(self, timeline: Timeline, start_quarters: float, now_ns: int) -> None:
        """Take what lies before the master's position 0, transport left out, to be sent at its own pace."""
        events = timeline.events
        start_ns = next(
            (
                mark.t_ns
                for mark in timeline.stages
                if mark.stage is not Stage.LEAD and mark.quarters >= start_quarters
            ),
            timeline.entry_ns,
        )
        rows = [row for row in range(len(events)) if events.t_ns[row] < start_ns]
        stream = EventStream(timeline, lambda t_ns, _quarters, _shift: t_ns)
        taken = [stream.take_with_order() for _ in rows]
        first = taken[0][1].due_ns if taken else 0
        base = now_ns + PRELUDE_MARGIN_NS - first
        self._prelude = [
            send._replace(due_ns=base + send.due_ns) for order, send in taken if order != EventOrder.TRANSPORT
        ]
        self._starts = [send for order, send in taken if order == EventOrder.TRANSPORT]
        self._first_row = len(rows)

    def _clock(self, arrival_ns: int) -> Heard:
        tick = self._listener.clock(arrival_ns)
        if tick.verdict is TickVerdict.REFUSED:
            return Heard(0, math.nan)
        for relay in self._relays:
            relay.arrived(arrival_ns)
        self._retime()
        quarters = math.nan if tick.clocks is None else self._quarters_of(tick.clocks)
        return Heard(tick.due_ns or 0, quarters)

    def _quarters_of(self, count: int) -> float:
        return (count - self._count0) / CLOCKS_PER_QUARTER

    def _begin(self, arrival_ns: int, status: int) -> None:
        """Start or Continue came: begin the roll, and pass it on before the clock that follows it."""
        if self.state is not PlayState.ARMED or self.follower.transport is not Transport.STARTING:
            return
        assert self._course is not None
        timeline = self._course.legs[0].timeline
        count = self.follower.next_count
        for send in self._prelude:  # the master did not wait for the programs: they go at once
            self._at_once.append(send._replace(due_ns=arrival_ns))
        self._prelude = []
        quarters = self._quarters_of(count)
        self._at_once += self._transport(arrival_ns, status, quarters)
        self._place_leg(0, 1, FollowedTime(timeline, self.follower, self._count0), arrival_ns)
        stream = self._legs[0].streams[0]
        assert isinstance(stream, EventStream)
        stream.skip_rows(self._first_row)
        if count > 0:
            self._notes.append(Note("state", arrival_ns, quarters, {"state": "located"}))
            self._at_once += [send._replace(due_ns=arrival_ns) for send in stream.chase_to(quarters)]
        for each in self._legs[0].streams:
            if isinstance(each, TimeCodeStream):  # what lies in the lead is left out
                located = each.begin_at(quarters)
                self._at_once += [send._replace(due_ns=arrival_ns) for send in located if count > 0]
        stages = self._legs[0].stages
        stages.begin_at(quarters)
        self.state = next_state(self.state, PlayEvent.PRE_ROLL if quarters < 0 else PlayEvent.SONG)
        if stages.quarters != quarters:  # where a stage begins just here, its own mark will say so
            self._notes.append(Note("state", arrival_ns, quarters, {"state": self.state.value}))
        for relay in self._relays:
            relay.begin(count)
        events = timeline.events
        for row in range(self._first_row, len(events)):  # machines that start later than the master does
            if events.bytes_of(row) in _STARTS and events.quarters[row] >= quarters:
                for relay in self._relays:
                    if relay.port == events.port[row]:
                        relay.start_before(round(self._count0 + events.quarters[row] * CLOCKS_PER_QUARTER))

    def _note_starts(self, sends: Sequence[Send]) -> None:
        """Tell each port's relay that its Start goes out; when it really did, the loop says."""
        for send in sends:
            if send.data in _STARTS and not send.cut:
                self.start_is_out(send.port, send.due_ns)

    def _transport(self, arrival_ns: int, status: int, quarters: float) -> list[Send]:
        """Return the Start (or position and Continue) of the machines that go with the master."""
        if status == 0xFA and self.follower.next_count == 0:
            return [send._replace(due_ns=arrival_ns) for send in self._starts]
        beats = min(0x3FFF, self.follower.next_count // 6)
        locate = bytes((0xF2, beats & 0x7F, beats >> 7))
        sends: list[Send] = []
        for port in self._position_ports:
            if port != self._policy.port:
                sends += [
                    Send(arrival_ns, port, data, 0xFFFF, 0, quarters, -1, False) for data in (locate, b"\xfb")
                ]
        return sends

    def _master_stops(self, arrival_ns: int) -> None:
        moving = self.state in MOVING
        owed = self._owed_clocks() if moving else []
        rest = self._rest_of_song() if moving else None
        self._listener.stop(arrival_ns)
        if not moving:
            return
        # what the master has played goes out before anything ends, in one go with the cuts
        self._cuts += [send._replace(due_ns=arrival_ns) for send in (*owed, *self._pass(rest or []))]
        if rest is None:
            self.stop(arrival_ns, "the clock master stopped")
            return
        self.state = next_state(self.state, PlayEvent.END)
        self._end(arrival_ns, self._quarters_of(self.follower.next_count), "end of the song", "complete")
        if self.sounding.any_left(self._ports):
            self.silence(arrival_ns)

    def _owed_clocks(self) -> list[Send]:
        """Return the clocks that came and were not passed on yet: the rig stops where the master does."""
        owed: list[Send] = []
        for relay in self._relays:
            while relay.next_count < self.follower.next_count:
                owed += relay.take(self._quarters_of(relay.next_count))
        return owed

    def _rest_of_song(self) -> list[Send] | None:
        """Return what the last clock interval still holds if every clock of the song has come, else None.

        A master that stops where its song ends does so before the next clock would come: that is the
        song's end, and no broken take.
        """
        leg = self._legs[-1] if self._legs else None
        if leg is None or self._course is None or self.follower.transport is not Transport.PLAYING:
            return None
        spec = self._course.legs[leg.index]
        last_pass = self._go if spec.repeats == 0 else leg.passes >= spec.repeats
        if leg.index + 1 < len(self._course.legs) or not last_pass:
            return None
        assert isinstance(leg.time, FollowedTime)
        if self.follower.next_count < leg.time.count(leg.timeline.exit_quarters) - 0.5:
            return None
        rest: list[Send] = []
        for stream in leg.streams:
            while isinstance(stream, EventStream) and stream.due_ns != NEVER:
                rest += stream.take()
        return rest

    def _end(self, t_ns: int, quarters: float, why: str, outcome: str) -> None:
        for relay in self._relays:
            relay.halt()
        self._prelude = []
        self._at_once = []
        self._settle(t_ns)  # ahead of the end: what comes after it is in no take
        super()._end(t_ns, quarters, why, outcome)

    def _settle(self, t_ns: int) -> None:
        """Write down all that is left to say of the master's clock."""
        report, figures = self._listener.close(t_ns)
        self._drain_findings()
        if not self._listener.clocks_heard:
            return
        locked_at = None if report.locked_at is None else self._quarters_of(report.locked_at)
        self._notes.append(
            Note("state", t_ns, math.nan, {
                "state": "settled",
                "locked_after_beats": report.beats_to_settle,
                "locked_at_quarters": locked_at,
                "enough": report.enough,
                "beats_needed": report.beats_needed,
                "text": report.text,
                "jitter_us": round(figures.sd_ns / 1000, 1),
                "class": figures.kind.value,
            })
        )  # fmt: skip

    def _drain(self) -> None:
        """Write down what follower and watch report, and act on a lost clock."""
        for event in self._source.events():
            self._on_event(event)
        self._drain_findings()
        if self.follower.state is LockState.FREEWHEELING:
            for relay in self._relays:
                relay.retime()

    def _on_event(self, event: FollowerEvent) -> None:
        quarters = math.nan if event.clocks is None else self._quarters_of(event.clocks)
        if event.kind is EventKind.STATE:
            data = {"state": "clock", "lock": self.follower.state.value, "why": event.text}
            self._notes.append(Note("state", event.t_ns, quarters, data))
            if self.follower.state is LockState.FREEWHEELING:
                for relay in self._relays:
                    relay.overdue(event.t_ns)
            self._retime()
        elif event.kind is EventKind.LOST and self.state in MOVING and not self.follower.carrying_on:
            self.stop(event.t_ns, "the clock was lost and did not come back in time")

    def _drain_findings(self) -> None:
        for finding in self._source.findings():
            self._notes.append(self._note_of(finding))

    def _note_of(self, finding: Finding) -> Note:
        quarters = math.nan if finding.clocks is None else self._quarters_of(round(finding.clocks))
        data = {
            "code": finding.code.value,
            "severity": finding.severity,
            "text": finding.text,
            "machine": finding.machine,
            "size": finding.size,
            "count": max(1, round(finding.size)) if finding.unit == "clocks" else 1,
            "evidence": dict(finding.evidence),
        }
        return Note("finding", finding.t_ns, quarters, data)


def _config(policy: ClockPolicy) -> FollowerConfig:
    return FollowerConfig(
        freewheel_clocks=max(1, policy.freewheel_clocks),
        freewheel_ns=policy.freewheel_ns,
        on_dropout="carry-on" if policy.then == "carry-on" else "stop",
    )


def _start_quarters(timeline: Timeline) -> float:
    """Return the song position of the master's position 0: where the pre-roll begins, or bar 1."""
    return min(0.0, *(mark.quarters for mark in timeline.stages if mark.stage >= 1))
