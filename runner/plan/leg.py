"""Compiles one leg: an uninterrupted stretch of a song, from rest or seamlessly from another leg.

What happens, in this order: the clock grid; the transport of each port; the rows of the parts between entry
and exit, with notes ended at the exit and, after a seam, restarted at the entry; cues; the chase; then
everything that may move is placed on the wires, and the queue of each port is followed once to see what a
clock has to wait.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from runner.plan.leg_chase import add_chase
from runner.plan.leg_cues import add_cues
from runner.plan.leg_parts import add_parts
from runner.plan.leg_wire import LegWires
from runner.plan.motion import Motion
from runner.plan.quarter_frames import QuarterFrames
from runner.plan.recorder import add_questions
from runner.plan.report import WireReport
from runner.plan.reporting import Reporter
from runner.plan.score import Score, ScorePort
from runner.plan.stretch import Collected, Frame, LegState, Stretch, frame_of, state_at
from runner.plan.timecode_out import full_draft, role_of
from runner.plan.timeline import ClockRole, EventOrder, Stage, StageMark, Timeline
from runner.plan.transport import LeftOut, PortTransport, TransportPlanner


@dataclass(slots=True)
class CompiledLeg:
    """A leg with what is to be said about it; `after` is how it leaves the rig, if it does not stop it."""

    timeline: Timeline
    wire: list[WireReport]
    left_out: list[LeftOut] = field(default_factory=list)
    after: LegState | None = None


def compile_leg(score: Score, stretch: Stretch, report: Reporter, *, limit_ns: int) -> CompiledLeg:
    """Return the leg of `score` that `stretch` describes.

    `limit_ns` is how long a clock may wait on its wire before there is a warning. What is wrong goes to
    `report`; entry and exit are taken back to whole clocks.
    """
    frame = frame_of(score, stretch)
    out = Collected(report)
    transports = {port.index: _transport(frame, port, report) for port in score.ports}
    for transport in transports.values():
        _transport_rows(frame, out, transport)
    add_parts(frame, out)
    add_cues(frame, out, transports)
    add_chase(frame, out, transports)
    _time_codes(frame, out)
    add_questions(frame, out)
    wires = LegWires(frame, out)
    wires.place()
    reports = wires.measure(limit_ns)
    left_out = [item for transport in transports.values() for item in transport.left_out]
    after = None if stretch.stops else state_at(score, frame.exit_)
    return CompiledLeg(_timeline(frame, out), reports, left_out, after)


def _transport(frame: Frame, port: ScorePort, report: Reporter) -> PortTransport:
    planner = TransportPlanner(frame.score, port, frame.grid, report)
    before = frame.stretch.before
    if before is None and frame.top:
        planner.from_top()
    elif before is None:
        planner.from_within(frame.entry)
    elif frame.stretch.new_song:
        planner.new_song(before.motions.get(port.index, Motion()))
    else:
        planner.seamless(frame.entry, before.motions.get(port.index, Motion()))
    planner.cues(frame.first_ns, frame.last_ns)
    if frame.stretch.stops:
        planner.stop_at_exit()
    return planner.finish()


def _time_codes(frame: Frame, out: Collected) -> None:
    for port in frame.score.ports:
        if port.index not in frame.score.origins:
            continue
        role = role_of(frame, port, out.sources.index("time code"))
        assert role is not None
        frames = QuarterFrames(role, frame.grid.clock_ns, float(frame.grid.quarters0))
        if frames.first < frames.end:
            out.time_codes.append(role)
            out.draft(full_draft(frame, role, frames))


def _transport_rows(frame: Frame, out: Collected, transport: PortTransport) -> None:
    for event in transport.events:
        out.rows.add(
            event.t_ns,
            float(event.quarters),
            event.t_ns - frame.ns_of(event.quarters),
            EventOrder.TRANSPORT,
            event.port,
            event.machine,
            out.sources.index(event.source),
            event.message,
        )


def _timeline(frame: Frame, out: Collected) -> Timeline:
    rows, grid, score = out.rows, frame.grid, frame.score
    clocks = tuple(
        ClockRole(port.index, port.offset_ns, 0, len(grid.clock_ns)) for port in score.ports if port.clock
    )
    candidates = [frame.entry_ns]
    if len(grid.clock_ns):
        candidates.append(grid.clock_ns[0] + min((role.shift_ns for role in clocks), default=0))
    if len(rows):
        candidates.append(rows.t_ns[0])
    start_ns = min(candidates)
    return Timeline(
        song=score.song,
        ports=tuple(port.name for port in score.ports),
        machines=tuple(machine.name for machine in score.machines),
        sources=tuple(out.sources.texts),
        start_ns=start_ns,
        entry_ns=frame.entry_ns,
        exit_ns=frame.exit_ns,
        entry_quarters=float(frame.entry),
        exit_quarters=float(frame.exit_),
        clock_quarters0=float(grid.quarters0),
        clock_ns=grid.clock_ns,
        clocks=clocks,
        stages=tuple(_stages(frame, out, start_ns)),
        events=rows.columns(),
        exit_silence=frame.stretch.stops,
        time_codes=tuple(out.time_codes),
        time_code=score.time_code,
    )


def _stages(frame: Frame, out: Collected, start_ns: int) -> list[StageMark]:
    marks: list[StageMark] = []
    end = frame.score.time.end_quarters
    if frame.cold:
        marks.append(StageMark(Stage.LEAD, float(frame.grid.quarters0), start_ns))
    first = frame.entry
    if frame.top and first < 0:
        marks.append(StageMark(Stage.PRE_ROLL, float(first), frame.entry_ns))
        first = Fraction(0)
    elif frame.pre_ticks:
        begin = frame.roll_quarters
        marks.append(StageMark(Stage.PRE_ROLL, float(begin), frame.ns_of(begin)))
    marks.append(StageMark(Stage.SONG, float(first), frame.ns_of(first)))
    if frame.stretch.stops:
        if frame.exit_ > end > frame.entry:
            marks.append(StageMark(Stage.TAIL, float(end), frame.ns_of(end)))
        marks.append(_end_mark(frame, out))
    return marks


def _end_mark(frame: Frame, out: Collected) -> StageMark:
    """Return the end of the roll: right after the last thing that is sent."""
    last = [frame.exit_ns]
    if len(out.rows):
        last.append(out.rows.t_ns[-1] + 1)
    if len(frame.grid.clock_ns):
        latest = max((port.offset_ns for port in frame.score.ports if port.clock), default=0)
        last.append(frame.grid.clock_ns[-1] + latest + 1)
    t_ns = max(last)
    quarters = frame.exit_ if t_ns == frame.exit_ns else frame.score.time.tempo.quarters_at(t_ns)
    return StageMark(Stage.END, float(quarters), t_ns)


__all__ = ["CompiledLeg", "LegState", "Stretch", "compile_leg", "state_at"]
