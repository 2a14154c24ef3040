"""Compiles one leg: an uninterrupted stretch of a song, from rest or seamlessly from another leg.

What happens where, in this order: the clock grid; the transport of each port; the rows of the parts between
entry and exit, with notes ended at the exit and, after a seam, restarted at the entry; cues; the chase; then
everything that may move is placed on the wires, all is sorted, and the queue of each port is followed once
to see what a clock has to wait.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from runner.plan.chase import ChannelKey, ChannelState, chase_groups, read_states
from runner.plan.columns import Draft, Rows, Sources
from runner.plan.cues import MMC_RECORD_STROBE, MMC_STOP, machine_control
from runner.plan.grid import (
    CLOCKS_PER_QUARTER,
    ClockGrid,
    build_grid,
    lead_ticks,
    on_grid,
    steady_interval_ns,
)
from runner.plan.messages import OFF_VELOCITY, order_of
from runner.plan.place import PROLOGUE_GAP_NS, Placed, pace_back, place
from runner.plan.report import Traffic, WireReport, judge_wire
from runner.plan.reporting import Reporter
from runner.plan.score import Action, CueEvent, Score, ScorePort, Voice
from runner.plan.timeline import NO_MACHINE, ClockRole, EventOrder, Stage, StageMark, Timeline
from runner.plan.transport import (
    LeftOut,
    Motion,
    PortTransport,
    TransportPlanner,
    cue_quarters,
    early_clocks,
    motion_at,
)
from runner.plan.wire import PortWire, measure

AT_START_NS = 5_000_000  #: a Song Select this close behind a Start is meant for it
CONTROL_WINDOW_NS = 5_000_000  #: how far a controller may be brought forward to let a clock pass
EARLIER_CLOCKS = 96  #: of the leg before, that a seamless leg keeps clear of


@dataclass(frozen=True, slots=True)
class LegState:
    """How a leg leaves the rig, for the next one to go on from."""

    quarters: Fraction
    motions: Mapping[int, Motion]
    channels: Mapping[ChannelKey, ChannelState]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Which part of a song a leg plays, and how it is entered and left.

    `before` is None for a leg that begins from rest; else it says how the rig was left. `stops` legs end the
    roll: Stop is sent where the next clock would have been. `restart_notes` strikes the notes again that are
    sounding at the entry.
    """

    entry: Fraction
    exit_: Fraction
    before: LegState | None = None
    stops: bool = True
    restart_notes: bool = False

    @property
    def cold(self) -> bool:
        """Whether nothing rolls before it."""
        return self.before is None


@dataclass(slots=True)
class CompiledLeg:
    """A leg with what is to be said about it."""

    timeline: Timeline
    wire: list[WireReport]
    left_out: list[LeftOut] = field(default_factory=list)
    after: LegState | None = None


def compile_leg(score: Score, stretch: Stretch, report: Reporter, *, limit_ns: int) -> CompiledLeg:
    """Return the leg of `score` that `stretch` describes.

    `limit_ns` is how long a clock may wait on its wire before there is a warning. What is wrong goes to
    `report`; entry and exit are taken back to whole clocks.
    """
    return _LegCompiler(score, stretch, report, limit_ns).compile()


def state_at(score: Score, quarters: Fraction) -> LegState:
    """Return how a whole roll would have left the rig just before a position."""
    at = on_grid(quarters)
    motions = {port.index: motion_at(score, port, at) for port in score.ports}
    return LegState(at, motions, read_states(score.state_messages(score.time.tempo.ns_at(at))))


class _LegCompiler:
    """The work of `compile_leg`, step by step."""

    def __init__(self, score: Score, stretch: Stretch, report: Reporter, limit_ns: int) -> None:
        self.score = score
        self.report = report
        self.limit_ns = limit_ns
        self.stretch = stretch
        self.top = stretch.cold and stretch.entry <= 0
        self.entry = on_grid(score.time.start_quarters if self.top else stretch.entry)
        self.exit = on_grid(stretch.exit_)
        tempo = score.time.tempo
        self.entry_ns, self.exit_ns = tempo.ns_at(self.entry), tempo.ns_at(self.exit)
        self.rows = Rows()
        self.sources = Sources()
        self.drafts: dict[int, list[Draft]] = {}
        self.placed: list[Placed] = []
        self.pre_ticks = self.lead = 0
        self.grid = self._grid()
        self._clock_times: dict[int, Sequence[int]] = {}

    def compile(self) -> CompiledLeg:
        transports = {port.index: self._transport(port) for port in self.score.ports}
        for transport in transports.values():
            self._transport_rows(transport)
        for voice in self.score.voices:
            self._voice(voice, self.entry, self.exit)
        if self.score.click is not None:
            self._click(self.score.click)
        for cue in self.score.cues:
            if self._includes(cue):
                self._cue(cue, transports)
        self._chase(transports)
        self._stop_recorders()
        self._place()
        wire = self._measure()
        timeline = self._timeline()
        left_out = [item for transport in transports.values() for item in transport.left_out]
        after = None if self.stretch.stops else state_at(self.score, self.exit)
        return CompiledLeg(timeline, wire, left_out, after)

    # ------------------------------------------------------------------ clock and transport

    def _grid(self) -> ClockGrid:
        time = self.score.time
        if self.stretch.cold:
            self.lead = lead_ticks(time, self.score.lead, self.entry)
            if not self.top:
                pre_roll = time.span_quarters(self.score.pre_roll, self.entry, backward=True)
                self.pre_ticks = math.ceil(pre_roll * CLOCKS_PER_QUARTER)
                early = max(
                    (early_clocks(self.score, port, self.entry) for port in self.score.ports), default=0
                )
                self.lead = max(self.lead, early - self.pre_ticks)
        return build_grid(time.tempo, self.entry, self.exit, self.lead + self.pre_ticks)

    def _transport(self, port: ScorePort) -> PortTransport:
        planner = TransportPlanner(self.score, port, self.grid, self.report)
        before = self.stretch.before
        if before is not None:
            planner.seamless(self.entry, before.motions.get(port.index, Motion()))
        elif self.top:
            planner.from_top()
        else:
            planner.from_within(self.entry)
        first_ns = -(1 << 62) if self.top else self.entry_ns
        last_ns = (
            (1 << 62) if self.stretch.stops and self.exit >= self.score.time.end_quarters else self.exit_ns
        )
        planner.cues(first_ns, last_ns, last_included=self.stretch.stops)
        if self.stretch.stops:
            planner.stop_at_exit()
        return planner.finish()

    def _transport_rows(self, transport: PortTransport) -> None:
        for event in transport.events:
            self.rows.add(
                event.t_ns,
                float(event.quarters),
                event.t_ns - self._ns_of(event.quarters),
                EventOrder.TRANSPORT,
                event.port,
                event.machine,
                self.sources.index(event.source),
                event.message,
            )

    def _ns_of(self, quarters: Fraction) -> int:
        """Return the time of a position; before the entry of a cold leg the tempo is the entry's."""
        if quarters >= self.entry or not self.stretch.cold:
            return self.score.time.tempo.ns_at(quarters)
        interval = steady_interval_ns(self.score.time.tempo, self.entry)
        return self.entry_ns - round((self.entry - quarters) * CLOCKS_PER_QUARTER * interval)

    # ------------------------------------------------------------------ parts

    def _click(self, voice: Voice) -> None:
        """Add the click: in the pre-roll or count-in, and in the song if it is to go on there."""
        if self.stretch.cold and not self.top:
            begin = self.entry - Fraction(self.pre_ticks, CLOCKS_PER_QUARTER)
            source = self.sources.index(voice.source)
            for row in range(voice.row_at(begin), voice.row_at(self.entry)):
                quarters = Fraction(voice.ticks[row], voice.ppq)
                order = EventOrder(voice.order[row])
                at_ns = self._ns_of(quarters) + voice.offset_ns
                message, port, machine = voice.messages[row], voice.port, voice.machine
                self.rows.add(at_ns, float(quarters), voice.offset_ns, order, port, machine, source, message)
        if not voice.only_pre_roll:
            self._voice(voice, self.entry, self.exit)
        elif self.top:
            self._voice(voice, self.entry, min(Fraction(0), self.exit))

    def _voice(self, voice: Voice, entry: Fraction, exit_: Fraction) -> None:
        """Add what a part plays from `entry` to `exit_`; end there what still sounds."""
        source = self.sources.index(voice.source)
        first, last = voice.row_at(entry), voice.row_at(exit_)
        begin = self.rows.add_voice(voice, first, last, source)
        partner = voice.partner
        stretch = partner[first:last]
        restart = set(self.score.sounding_at(voice, self.entry)) if self.stretch.restart_notes else set()
        strays = [
            row for row, other in enumerate(stretch, first) if -1 < other < first and other not in restart
        ]
        for row in strays:
            self.rows.drop(begin + row - first)
        hanging = [row for row, other in enumerate(stretch, first) if other >= last]
        for row in sorted(restart):
            self._note_at(voice, voice.messages[row], self.entry, EventOrder.NOTE_ON, source)
        for row in (*hanging, *sorted(row for row in restart if partner[row] >= last)):
            on = voice.messages[row]
            off = bytes((on[0] & 0x8F, on[1], OFF_VELOCITY))
            self._note_at(voice, off, exit_, EventOrder.NOTE_OFF, source)
        self._programs(voice, first, last, begin)

    def _note_at(
        self, voice: Voice, message: bytes, quarters: Fraction, order: EventOrder, source: int
    ) -> None:
        t_ns = self.score.time.tempo.ns_at(quarters) + voice.offset_ns
        self.rows.add(
            t_ns, float(quarters), voice.offset_ns, order, voice.port, voice.machine, source, message
        )

    def _programs(self, voice: Voice, first: int, last: int, begin: int) -> None:
        """Take the programs of a part out of its rows and send them early, each with its bank."""
        low = bisect_left(voice.state_rows, first)
        high = bisect_left(voice.state_rows, last)
        pending: dict[int, list[int]] = {}
        for row in voice.state_rows[low:high]:
            if voice.order[row] != EventOrder.PROGRAM:
                continue
            self.rows.drop(begin + row - first)
            status = voice.messages[row][0]
            rows = pending.setdefault(status & 0x0F, [])
            rows.append(row)
            if status & 0xF0 == 0xC0:
                self._program_draft(voice, rows, voice.settle_ns)
                del pending[status & 0x0F]
        for rows in pending.values():
            self._program_draft(voice, rows, 0)

    def _program_draft(self, voice: Voice, rows: Sequence[int], settle_ns: int) -> None:
        row = rows[-1]
        draft = Draft(
            voice.ns[row] + voice.offset_ns,
            Fraction(voice.ticks[row], voice.ppq),
            voice.offset_ns,
            settle_ns,
            EventOrder.PROGRAM,
            voice.port,
            voice.machine,
            voice.source,
            tuple(voice.messages[each] for each in rows),
            voice.messages[row][0] & 0x0F,
        )
        self.drafts.setdefault(voice.port, []).append(draft)

    # ------------------------------------------------------------------ cues

    def _includes(self, cue: CueEvent) -> bool:
        if not self.top and cue.t_ns < self.entry_ns:
            return False
        if self.stretch.stops:
            whole = self.exit >= self.score.time.end_quarters
            return whole or cue.t_ns <= self.exit_ns
        return cue.t_ns < self.exit_ns

    def _cue(self, cue: CueEvent, transports: Mapping[int, PortTransport]) -> None:
        if cue.action is Action.TRANSPORT:
            return
        if cue.action is Action.SELECT:
            self._select_cue(cue, transports[cue.port])
        elif cue.action in (Action.PROGRAM, Action.SYSEX):
            self.drafts.setdefault(cue.port, []).append(_cue_draft(cue))
        elif cue.action is Action.NOTE:
            self._note_cue(cue)
        else:
            for message in cue.messages:
                self._cue_row(cue, message, cue.t_ns, float(cue.point.quarters), cue.point.shift_ns)

    def _select_cue(self, cue: CueEvent, transport: PortTransport) -> None:
        """Send Song Select ahead of its moment, but only while the port's machines stand."""
        draft = _cue_draft(cue)
        moment_ns = draft.t_ns - draft.settle_ns
        for first_ns, _ in transport.running:
            if first_ns <= moment_ns <= first_ns + AT_START_NS:
                moment_ns = first_ns - PROLOGUE_GAP_NS  # meant for the start itself, and so goes before it
        need_ns = self.score.ports[cue.port].link.duration_ns(draft.size)
        if any(first < moment_ns and moment_ns - need_ns < last for first, last in transport.running):
            at_text = self.score.time.at_text(cue_quarters(self.score, cue))
            self.report.add(
                cue.path,
                "song select and song position are only sent while nothing plays, and "
                f"port {self.score.ports[cue.port].name} plays at {at_text}",
                hint="set it before the song starts, or stop the machine a beat before",
            )
            return
        draft = replace(draft, settle_ns=draft.t_ns - moment_ns)
        self.drafts.setdefault(cue.port, []).append(draft)

    def _note_cue(self, cue: CueEvent) -> None:
        on, off = cue.messages
        self._cue_row(cue, on, cue.t_ns, float(cue.point.quarters), cue.point.shift_ns)
        assert cue.end is not None
        if cue.end_ns <= self.exit_ns or cue.t_ns >= self.exit_ns:
            self._cue_row(cue, off, cue.end_ns, float(cue.end.quarters), cue.end.shift_ns)
        else:
            self._cue_row(cue, off, self.exit_ns, float(self.exit), 0)

    def _cue_row(self, cue: CueEvent, message: bytes, t_ns: int, quarters: float, shift_ns: int) -> None:
        self.rows.add(
            t_ns + cue.offset_ns,
            quarters,
            shift_ns + cue.offset_ns,
            order_of(message),
            cue.port,
            cue.machine,
            self.sources.index(cue.source),
            message,
        )

    def _stop_recorders(self) -> None:
        """End with a machine control Stop what was told to record."""
        if not self.stretch.stops:
            return
        strobe = MMC_RECORD_STROBE
        told = {
            (cue.port, cue.machine): cue
            for cue in self.score.cues
            if self._includes(cue)
            and cue.machine != NO_MACHINE
            and cue.messages[0][3:5] == bytes((6, strobe))
        }
        for cue in told.values():
            machine = self.score.machines[cue.machine]
            if machine.recorder:
                message = machine_control(machine.device_id, MMC_STOP)
                self._cue_row(cue, message, self.exit_ns, float(self.exit), 0)

    # ------------------------------------------------------------------ chase

    def _chase(self, transports: Mapping[int, PortTransport]) -> None:
        """Send what would be in force at the entry."""
        if self.top:
            return
        wanted = read_states(self.score.state_messages(self.entry_ns))
        before = self.stretch.before
        groups = chase_groups(wanted, None if before is None else before.channels)
        drafts: dict[int, list[Draft]] = {}
        for (port, channel), group in groups:
            drafts.setdefault(port, []).append(self._chase_draft(port, channel, group))
        if before is not None:
            for port, items in drafts.items():
                self.drafts.setdefault(port, []).extend(items)
            return
        self._name_what_is_not_chased()
        for scored in self.score.ports:
            items = drafts.get(scored.index, [])
            items += self._select_drafts(scored)
            for source, message in transports[scored.index].prologue:
                items.append(self._prologue_draft(scored, source, message))
            if items:
                self._send_ahead(scored, items)

    def _chase_draft(self, port: int, channel: int, group: tuple[bytes, ...]) -> Draft:
        machines = [m for m in self.score.ports[port].machines if m.channel == channel + 1]
        machine = machines[0] if machines else None
        offset = machine.offset_ns if machine else 0
        is_program = group[-1][0] & 0xF0 == 0xC0
        return Draft(
            self.entry_ns + offset,
            self.entry,
            offset,
            machine.settle_ns if machine and is_program else 0,
            EventOrder.PROGRAM if is_program else EventOrder.CONTROL,
            port,
            machine.index if machine else NO_MACHINE,
            "chase",
            group,
            channel,
        )

    def _select_drafts(self, port: ScorePort) -> list[Draft]:
        """Return the Song Select that was last sent to a port before the entry."""
        earlier = [
            cue
            for cue in self.score.cues
            if cue.port == port.index and cue.action is Action.SELECT and not self._includes(cue)
            and cue.t_ns < self.entry_ns and cue.messages[0][0] == 0xF3
        ]  # fmt: skip
        return [self._prologue_draft(port, earlier[-1].source, earlier[-1].messages[0])] if earlier else []

    def _prologue_draft(self, port: ScorePort, source: str, message: bytes) -> Draft:
        locators = [m.index for m in port.followers if m.position]
        machine = locators[0] if len(locators) == 1 else NO_MACHINE
        at_ns, shift = self.entry_ns + port.offset_ns, port.offset_ns
        return Draft(
            at_ns, self.entry, shift, 0, EventOrder.TRANSPORT, port.index, machine, source, (message,)
        )

    def _send_ahead(self, port: ScorePort, items: Sequence[Draft]) -> None:
        """Send a chase before the first clock, early enough for every program to be in force."""
        first_clock = self.grid.ns_of_tick(0) + port.offset_ns
        offsets = [machine.offset_ns for machine in port.machines]
        end_ns = min(first_clock, self.entry_ns + min(offsets, default=0)) - PROLOGUE_GAP_NS
        settle_ns = max((item.settle_ns for item in items), default=0)
        end_ns = min(end_ns, self.entry_ns + min(offsets, default=0) - settle_ns)
        self.placed += pace_back(items, end_ns)

    def _name_what_is_not_chased(self) -> None:
        for cue in self.score.cues:
            if cue.action is Action.SYSEX and cue.t_ns < self.entry_ns and cue.messages[0][3:4] != b"\x06":
                self.report.note(
                    cue.path,
                    f"is not sent by a roll from {self.score.time.at_text(self.entry)}: "
                    "what a system exclusive message leaves in force is not known",
                )

    # ------------------------------------------------------------------ wires

    def _clocks(self, port: ScorePort) -> Sequence[int]:
        """Return the clock times of a port; the same list for all ports without an offset."""
        if not port.clock:
            return ()
        times = self._clock_times.get(port.offset_ns)
        if times is None:
            offset = port.offset_ns
            times = [t_ns + offset for t_ns in self.grid.clock_ns] if offset else self.grid.clock_ns.tolist()
            self._clock_times[offset] = times
        return times

    def _clocks_with_earlier(self, port: ScorePort) -> Sequence[int]:
        """Return the port's clocks and, before a seam, the last ones of the leg that came before."""
        clocks = self._clocks(port)
        before = self.stretch.before
        if before is None or not port.clock:
            return clocks
        tempo = self.score.time.tempo
        count = EARLIER_CLOCKS
        step = Fraction(1, CLOCKS_PER_QUARTER)
        shift = self.entry_ns - tempo.ns_at(before.quarters) + port.offset_ns
        earlier = tempo.ns_of_grid(before.quarters - step * count, step, count)
        return [*(t_ns + shift for t_ns in earlier), *clocks]

    def _place(self) -> None:
        """Find the time of everything that may move, and put it among the rows."""
        if not self.drafts and not self.placed:
            return
        for port in self.score.ports:
            drafts = self.drafts.get(port.index)
            if not drafts:
                continue
            rows = self.rows.of_port(port.index)
            times = [self.rows.t_ns[row] for row in rows]
            sizes = [len(self.rows.data[row]) for row in rows]
            wire = PortWire(port.link, self._clocks_with_earlier(port), times, sizes)
            self.placed += place(port, wire, drafts)
        for placed in self.placed:
            draft = placed.draft
            self.rows.add(
                placed.t_ns,
                float(draft.quarters),
                draft.shift_ns + placed.t_ns - draft.t_ns,
                draft.order,
                draft.port,
                draft.machine,
                self.sources.index(draft.source),
                placed.data,
            )

    def _measure(self) -> list[WireReport]:
        """Follow each port's queue, bring controllers forward where a clock would wait, order all rows."""
        reports: list[WireReport] = []
        rows = self.rows
        by_port = rows.by_port()
        for port in self.score.ports:
            clocks = self._clocks(port)
            mine = by_port.get(port.index, [])
            if not mine and not clocks:
                continue
            times = [rows.t_ns[row] for row in mine]
            sizes = [len(rows.data[row]) for row in mine]
            load = measure(
                port.link,
                clocks,
                times,
                sizes,
                self._movable(mine) if clocks else None,
                limit_ns=self.limit_ns,
                window_ns=CONTROL_WINDOW_NS,
            )
            for index, t_ns in load.moved.items():
                rows.move(mine[index], t_ns)
            traffic = Traffic(clocks, self.grid.quarters0, rows, mine, self.sources.texts)
            reports.append(judge_wire(self.score, port, load, traffic, self.report))
        rows.arrange(by_port.values())
        return reports

    def _movable(self, mine: Sequence[int]) -> bytes | None:
        """Return which rows are controllers, bends or pressures; None if there are none."""
        order, data = self.rows.order, self.rows.data
        flags = bytearray(order[row] == EventOrder.CONTROL for row in mine)
        at = flags.find(1)
        if at < 0:
            return None
        while at >= 0:
            flags[at] = data[mine[at]][0] & 0xF0 in _MOVABLE
            at = flags.find(1, at + 1)
        return bytes(flags)

    # ------------------------------------------------------------------ the timeline

    def _timeline(self) -> Timeline:
        rows, grid = self.rows, self.grid
        clocks = tuple(
            ClockRole(port.index, port.offset_ns, 0, len(grid.clock_ns))
            for port in self.score.ports
            if port.clock
        )
        candidates = [self.entry_ns]
        if len(grid.clock_ns):
            candidates.append(grid.clock_ns[0] + min((role.shift_ns for role in clocks), default=0))
        if len(rows):
            candidates.append(rows.t_ns[0])
        start_ns = min(candidates)
        return Timeline(
            song=self.score.song,
            ports=tuple(port.name for port in self.score.ports),
            machines=tuple(machine.name for machine in self.score.machines),
            sources=tuple(self.sources.texts),
            start_ns=start_ns,
            entry_ns=self.entry_ns,
            exit_ns=self.exit_ns,
            entry_quarters=float(self.entry),
            exit_quarters=float(self.exit),
            clock_quarters0=float(grid.quarters0),
            clock_ns=grid.clock_ns,
            clocks=clocks,
            stages=tuple(self._stages(start_ns)),
            events=rows.columns(),
            exit_silence=self.stretch.stops,
        )

    def _stages(self, start_ns: int) -> list[StageMark]:
        marks: list[StageMark] = []
        time = self.score.time
        if self.stretch.cold:
            marks.append(StageMark(Stage.LEAD, float(self.grid.quarters0), start_ns))
            if self.top and self.entry < 0:
                marks.append(StageMark(Stage.PRE_ROLL, float(self.entry), self.entry_ns))
            elif self.pre_ticks:
                tick = self.grid.entry - self.pre_ticks
                begin = self.entry - Fraction(self.pre_ticks, CLOCKS_PER_QUARTER)
                marks.append(StageMark(Stage.PRE_ROLL, float(begin), self.grid.ns_of_tick(tick)))
        first = max(self.entry, Fraction(0)) if self.top else self.entry
        if first < 0 and self.stretch.before is not None:
            marks.append(StageMark(Stage.PRE_ROLL, float(first), self.entry_ns))
            first = Fraction(0)
        marks.append(StageMark(Stage.SONG, float(first), time.tempo.ns_at(first)))
        if self.stretch.stops:
            if self.exit > time.end_quarters > self.entry:
                marks.append(
                    StageMark(Stage.TAIL, float(time.end_quarters), time.tempo.ns_at(time.end_quarters))
                )
            marks.append(self._end_mark())
        return marks

    def _end_mark(self) -> StageMark:
        """Return the end of the roll: right after the last thing that is sent."""
        last = [self.exit_ns]
        if len(self.rows):
            last.append(self.rows.t_ns[-1] + 1)
        if len(self.grid.clock_ns):
            latest = max((port.offset_ns for port in self.score.ports if port.clock), default=0)
            last.append(self.grid.clock_ns[-1] + latest + 1)
        t_ns = max(last)
        quarters = self.exit if t_ns == self.exit_ns else self.score.time.tempo.quarters_at(t_ns)
        return StageMark(Stage.END, float(quarters), t_ns)


_MOVABLE = frozenset((0xA0, 0xB0, 0xD0, 0xE0))


def _cue_draft(cue: CueEvent) -> Draft:
    message = cue.messages[-1]
    channel = message[0] & 0x0F if message[0] < 0xF0 else -1
    order = {Action.PROGRAM: EventOrder.PROGRAM, Action.SELECT: EventOrder.TRANSPORT}.get(
        cue.action, EventOrder.CONTROL
    )
    settle_ns = 0 if cue.action is Action.SYSEX else cue.settle_ns
    return Draft(
        cue.t_ns + cue.offset_ns,
        cue.point.quarters,
        cue.point.shift_ns + cue.offset_ns,
        settle_ns,
        order,
        cue.port,
        cue.machine,
        cue.source,
        cue.messages,
        channel,
    )


__all__ = ["CompiledLeg", "LegState", "Stretch", "compile_leg", "state_at"]
