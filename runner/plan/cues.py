"""The cues of a song: from the session's words to bytes and moments."""

from __future__ import annotations

from collections.abc import Sequence

from runner.music import Point, SongTime
from runner.plan import messages as midi
from runner.plan.reporting import Path, Reporter
from runner.plan.score import Action, CueEvent, ScoreMachine, ScorePort
from runner.plan.timeline import NO_MACHINE
from runner.session.marks import path_text
from runner.session.model import CueSpec, Session, SongSpec

DEFAULT_VELOCITY = 100
DEFAULT_DEVICE = 127
_MMC = 0x06  #: sub-id 1 of a MIDI Machine Control command (RP-013)
MMC_STOP, MMC_RECORD_STROBE, MMC_RECORD_EXIT = 0x01, 0x06, 0x07
_RECORD, _RECORD_EXIT = bytes((_MMC, MMC_RECORD_STROBE)), bytes((_MMC, MMC_RECORD_EXIT))


def machine_control(device: int, command: int) -> bytes:
    """Return a MIDI Machine Control command without data: F0 7F device 06 command F7 (RP-013, p. 1)."""
    return bytes((0xF0, 0x7F, device, _MMC, command, 0xF7))


def is_record(cue: CueEvent) -> bool:
    """Return whether a cue tells a recorder to record, or to stop recording."""
    message = cue.messages[0]
    return message[:2] == b"\xf0\x7f" and message[3:5] in (_RECORD, _RECORD_EXIT)


def is_record_strobe(cue: CueEvent) -> bool:
    """Return whether a cue tells a recorder to record."""
    return is_record(cue) and cue.messages[0][3:5] == _RECORD


def read_cues(
    session: Session,
    song: SongSpec,
    path: Path,
    time: SongTime,
    ports: Sequence[ScorePort],
    machines: Sequence[ScoreMachine],
    report: Reporter,
) -> list[CueEvent]:
    """Return the song's cues in the order of their moments; what makes no sense goes to `report`."""
    by_port = {port.name: port for port in ports}
    by_name = {machine.name: machine for machine in machines}
    events: list[CueEvent] = []
    for index, cue in enumerate(song.cues):
        place = (*path, "cues", index)
        try:
            point = time.resolve(cue.at)
        except ValueError as error:
            report.add((*place, "at"), str(error), seen=str(cue.at))
            continue
        machine = by_name.get(cue.machine or "")
        port = by_port[cue.port] if cue.port else ports[machine.port] if machine else None
        if port is None:
            report.add(place, f"no machine {cue.machine} in this session")
            continue
        try:
            actions = _actions(session, cue, machine)
        except ValueError as error:
            report.add(place, str(error))
            continue
        for action, group in actions:
            # transport belongs to the port, and so goes by the offset of those who share its clock
            whole_port = action in (Action.TRANSPORT, Action.SELECT) and port.is_led
            event = CueEvent(
                path=place,
                source=path_text(place),
                action=action,
                point=point,
                t_ns=time.ns_of(point),
                port=port.index,
                machine=machine.index if machine else NO_MACHINE,
                offset_ns=port.offset_ns if whole_port or machine is None else machine.offset_ns,
                settle_ns=machine.settle_ns if machine else 0,
                messages=group,
            )
            events.append(_with_end(event, cue, time) if action is Action.NOTE else event)
    events.sort(key=lambda event: event.t_ns)
    return events


def _with_end(event: CueEvent, cue: CueSpec, time: SongTime) -> CueEvent:
    """Return a note cue with its end: one beat after it if the cue says nothing."""
    point = event.point
    if cue.length is None:
        meter = time.meters.meter_at(point.quarters)
        end = Point(point.quarters + meter.quarters_per_beat, point.shift_ns)
    elif cue.length.is_musical:
        end = Point(point.quarters + time.span_quarters(cue.length, point.quarters), point.shift_ns)
    else:
        end = Point(point.quarters, point.shift_ns + time.span_ns(cue.length))
    return CueEvent(
        event.path, event.source, event.action, point, event.t_ns, event.port, event.machine,
        event.offset_ns, event.settle_ns, event.messages, end, time.ns_of(end),
    )  # fmt: skip


def _actions(
    session: Session, cue: CueSpec, machine: ScoreMachine | None
) -> list[tuple[Action, tuple[bytes, ...]]]:
    """Return what one cue sends: groups of messages, and how each is to be scheduled."""
    if cue.action in ("start", "stop", "continue_"):
        word = {"start": midi.START, "stop": midi.STOP, "continue_": midi.CONTINUE}[cue.action]
        return [(Action.TRANSPORT, (word,))]
    if cue.song_select is not None:
        return [(Action.SELECT, (midi.song_select(cue.song_select),))]
    if cue.sysex is not None:
        return [(Action.SYSEX, (midi.system_exclusive(cue.sysex),))]
    if cue.record is not None:
        device = machine.device_id if machine else DEFAULT_DEVICE
        command = MMC_RECORD_STROBE if cue.record else MMC_RECORD_EXIT
        return [(Action.SYSEX, (machine_control(device, command),))]
    if cue.raw is not None:
        return [(_raw_action(message), (message,)) for message in midi.split_messages(cue.raw)]
    channel = cue.channel if cue.channel is not None else machine.channel if machine else None
    if channel is None:
        raise ValueError("needs a channel: give one here, or to the machine")
    return [_channel_action(session, cue, channel)]


def _raw_action(message: bytes) -> Action:
    if message[0] in (0xF2, 0xF3):
        return Action.SELECT
    return Action.SYSEX if message[0] == 0xF0 else Action.RAW


def _channel_action(session: Session, cue: CueSpec, channel: int) -> tuple[Action, tuple[bytes, ...]]:
    if cue.program is not None:
        return Action.PROGRAM, _program(session, cue, channel)
    if cue.note is not None:
        velocity = DEFAULT_VELOCITY if cue.velocity is None else cue.velocity
        return Action.NOTE, (midi.note_on(channel, cue.note, velocity), midi.note_off(channel, cue.note))
    if cue.control is not None:
        return Action.CONTROL, (midi.control(channel, cue.control, cue.value or 0),)
    if cue.bend is not None:
        return Action.CONTROL, (midi.pitch_bend(channel, cue.bend),)
    if cue.pressure is not None:
        return Action.CONTROL, (midi.channel_pressure(channel, cue.pressure),)
    number = cue.rpn if cue.rpn is not None else cue.nrpn
    assert number is not None
    value = ((cue.value or 0) << 7) | (cue.fine or 0)
    group = midi.parameter(channel, number[0] << 7 | number[1], value, registered=cue.rpn is not None)
    return Action.CONTROL, group


def _program(session: Session, cue: CueSpec, channel: int) -> tuple[bytes, ...]:
    assert cue.program is not None
    if cue.machine is not None:
        spec = session.machines[cue.machine]
        bank = None if cue.bank is None else spec.bank_bytes(cue.bank)
        return midi.program_group(channel, spec.program_byte(cue.program), bank)
    # straight to a port there is no machine whose numbering could say otherwise: counted from 1
    if not 1 <= cue.program <= 128:
        raise ValueError(f"programs count from 1 to 128 for a cue to a port, got {cue.program}")
    pair = cue.bank
    if isinstance(pair, int):
        if not 1 <= pair <= 16_384:
            raise ValueError(f"banks count from 1 to 16384 for a cue to a port, got {pair}")
        pair = ((pair - 1) >> 7, (pair - 1) & 0x7F)
    return midi.program_group(channel, cue.program - 1, pair)
