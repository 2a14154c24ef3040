"""The cues of one leg: those that are sent at their moment, and drafts of those that are sent ahead."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

from runner.plan.columns import Draft
from runner.plan.cues import MMC_STOP, is_record, machine_control
from runner.plan.messages import note_off, order_of
from runner.plan.motion import cue_quarters
from runner.plan.place import PROLOGUE_GAP_NS
from runner.plan.score import Action, CueEvent
from runner.plan.stretch import Collected, Frame
from runner.plan.timeline import NO_MACHINE, EventOrder
from runner.plan.transport import PortTransport

AT_START_NS = 5_000_000  #: a Song Select this close behind a Start is meant for it


def add_cues(frame: Frame, out: Collected, transports: Mapping[int, PortTransport]) -> None:
    """Add the leg's cues, except for Start, Stop and Continue, which belong to the transport."""
    raw: list[CueEvent] = []
    for cue in frame.score.cues:
        if not frame.includes(cue):
            if frame.stretch.restart_notes and cue.t_ns < frame.entry_ns < cue.end_ns:
                _add_note(frame, out, cue, restart=True)
        elif cue.action is Action.SELECT:
            _add_select(frame, out, cue, transports[cue.port])
        elif cue.action in (Action.PROGRAM, Action.SYSEX):
            out.draft(cue_draft(cue))
        elif cue.action is Action.NOTE:
            _add_note(frame, out, cue)
        elif cue.action is not Action.TRANSPORT:
            for message in cue.messages:
                _add_row(out, cue, message, cue.t_ns, float(cue.point.quarters), cue.point.shift_ns)
            if cue.action is Action.RAW:
                raw.append(cue)
    _end_raw_notes(frame, out, raw)
    if frame.stretch.stops:
        _stop_recorders(frame, out)


def cue_draft(cue: CueEvent) -> Draft:
    """Return a cue as something that may be sent ahead of its moment."""
    message = cue.messages[-1]
    orders = {Action.PROGRAM: EventOrder.PROGRAM, Action.SELECT: EventOrder.TRANSPORT}
    return Draft(
        cue.t_ns + cue.offset_ns,
        cue.point.quarters,
        cue.point.shift_ns + cue.offset_ns,
        0 if cue.action is Action.SYSEX else cue.settle_ns,
        orders.get(cue.action, EventOrder.CONTROL),
        cue.port,
        cue.machine,
        cue.source,
        cue.messages,
        message[0] & 0x0F if message[0] < 0xF0 else -1,
    )


def _add_select(frame: Frame, out: Collected, cue: CueEvent, transport: PortTransport) -> None:
    """Send Song Select ahead of its moment, but only while the port's machines stand."""
    draft = cue_draft(cue)
    moment_ns = draft.t_ns - draft.settle_ns
    for first_ns, _ in transport.running:
        if first_ns <= moment_ns <= first_ns + AT_START_NS:
            moment_ns = first_ns - PROLOGUE_GAP_NS  # meant for the start itself, and so goes before it
    port = frame.score.ports[cue.port]
    need_ns = port.link.duration_ns(draft.size)
    if any(first < moment_ns and moment_ns - need_ns < last for first, last in transport.running):
        at_text = frame.score.time.at_text(cue_quarters(frame.score, cue))
        out.report.add(
            cue.path,
            "song select and song position are only sent while nothing plays, and "
            f"port {port.name} plays at {at_text}",
            hint="set it before the song starts, or stop the machine a beat before",
        )
        return
    out.draft(replace(draft, settle_ns=draft.t_ns - moment_ns))


def _add_note(frame: Frame, out: Collected, cue: CueEvent, *, restart: bool = False) -> None:
    """Add a note cue; it ends with the leg at the latest."""
    on, off = cue.messages
    if restart:
        _add_row(out, cue, on, frame.entry_ns, float(frame.entry), 0)
    else:
        _add_row(out, cue, on, cue.t_ns, float(cue.point.quarters), cue.point.shift_ns)
    assert cue.end is not None
    if cue.end_ns <= frame.exit_ns or cue.t_ns >= frame.exit_ns:
        _add_row(out, cue, off, cue.end_ns, float(cue.end.quarters), cue.end.shift_ns)
    else:
        _add_row(out, cue, off, frame.exit_ns, float(frame.exit_), 0)


def _end_raw_notes(frame: Frame, out: Collected, cues: list[CueEvent]) -> None:
    """End with the leg the notes that raw bytes began and never ended."""
    open_notes: Counter[tuple[int, int, int]] = Counter()
    last: dict[tuple[int, int, int], CueEvent] = {}
    for cue in cues:
        for message in cue.messages:
            if message[0] & 0xE0 != 0x80:
                continue
            key = (cue.port, message[0] & 0x0F, message[1])
            if order_of(message) is EventOrder.NOTE_ON:
                open_notes[key] += 1
                last[key] = cue
            elif open_notes[key]:
                open_notes[key] -= 1
    for key in open_notes.elements():
        cue = last[key]
        at_ns = max(frame.exit_ns, cue.t_ns)
        _add_row(out, cue, note_off(key[1] + 1, key[2]), at_ns, float(frame.exit_), at_ns - frame.exit_ns)


def _stop_recorders(frame: Frame, out: Collected) -> None:
    """End with a machine control Stop what was told to record."""
    told = {
        cue.machine: cue
        for cue in frame.score.cues
        if cue.machine != NO_MACHINE and is_record(cue) and cue.t_ns < frame.last_ns
    }
    for cue in told.values():
        machine = frame.score.machines[cue.machine]
        if machine.recorder:
            message = machine_control(machine.device_id, MMC_STOP)
            _add_row(out, cue, message, frame.exit_ns, float(frame.exit_), 0)


def _add_row(
    out: Collected, cue: CueEvent, message: bytes, t_ns: int, quarters: float, shift_ns: int
) -> None:
    out.rows.add(
        t_ns + cue.offset_ns,
        quarters,
        shift_ns + cue.offset_ns,
        order_of(message),
        cue.port,
        cue.machine,
        out.sources.index(cue.source),
        message,
    )
