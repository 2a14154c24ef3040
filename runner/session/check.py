"""What must agree between the parts of a session: names, ports, shared wires, running order."""

from __future__ import annotations

from runner.errors import Problem
from runner.music.machine_control import ALL_DEVICES
from runner.session.check_song import check_song
from runner.session.fields_control import NAMES_MACHINE, NAMES_SONG, Action, Trigger
from runner.session.findings import Findings
from runner.session.marks import Marks
from runner.session.model import ControlSpec, MachineSpec, PortSpec, Session
from runner.session.set_aside import Remainder
from runner.session.simulated import LINK_SETTINGS, SETTINGS, plain_key
from runner.session.wording import near_match
from runner.session.yaml_tree import Path

_READ_AS = {
    "threshold": "pressed_from"
}  #: the value that a key stands for, where it has a default of its own
_SHORT_MESSAGE = 3  #: bytes: a channel message


def check_session(session: Session, marks: Marks, rest: Remainder) -> list[Problem]:
    """Return all problems, errors and warnings, of a session whose values are each fine by themselves."""
    findings = Findings(marks, rest)
    _ports(session, findings)
    _machines(session, findings)
    _shared_wires(session, findings)
    if session.clock.port is not None:
        findings.port(("clock", "port"), session.clock.port, session, "in")
    _song_names(session, findings)
    for index in range(len(session.songs)):
        check_song(session, index, findings)
    _around_the_songs(session, findings)
    return findings.problems


def _ports(session: Session, findings: Findings) -> None:
    made: dict[str, str] = {}
    for name, port in session.ports.items():
        if port.simulate is not None and name not in findings.rest.ports:
            _simulated(name, port, port.simulate, findings)
        if port.loops_to is not None:
            findings.port(("ports", name, "loops-to"), port.loops_to, session, "in")
        if port.create is None:
            continue
        if port.create in made:
            findings.add(("ports", name, "create"), f"port {made[port.create]} already has this name")
        made.setdefault(port.create, name)


def _simulated(name: str, port: PortSpec, kind: str, findings: Findings) -> None:
    """Check what is set of a simulated machine."""
    table = {**SETTINGS[kind], **LINK_SETTINGS} if kind != "sink" else SETTINGS[kind]
    for where, values in (("settings", port.settings), ("faults", port.faults)):
        for key, value in values.items():
            path = ("ports", name, where, key)
            setting = table.get(plain_key(key))
            if setting is None:
                hint = near_match(plain_key(key), table)
                findings.add(path, f"a simulated {kind} has no such setting", hint, key=True)
            elif wrong := setting.problem(value):
                findings.add(path, wrong)


def _machines(session: Session, findings: Findings) -> None:
    channels: dict[tuple[str, int], str] = {}
    for name, machine in session.machines.items():
        path = ("machines", name)
        findings.port((*path, "port"), machine.port, session, "out")
        if name in findings.rest.machines:
            continue
        if "starts" in machine.model_fields_set and "transport" not in machine.follows:
            message = "means nothing to a machine that does not follow transport"
            findings.add((*path, "starts"), message, "add transport to follows", "warning")
        if machine.answers and findings.port((*path, "answers"), machine.port, session, "in"):
            _one_answer(name, session, findings)
        if machine.channel is None:
            continue
        other = channels.setdefault((machine.port, machine.channel), name)
        if other != name:
            message = f"machine {other} has the same channel on the same port: both play what either is sent"
            findings.add((*path, "channel"), message, severity="warning")


def _one_answer(name: str, session: Session, findings: Findings) -> None:
    """Answers are told apart by port and device number."""
    machine = session.machines[name]
    for other, before in session.machines.items():
        if other == name:
            return
        same_id = machine.device_id == before.device_id or ALL_DEVICES in (_id(machine), _id(before))
        if before.answers and before.port == machine.port and same_id:
            text = f"machine {other} on the same port answers as well: nobody can tell whose answer it is"
            findings.add(("machines", name, "answers"), text, "give each its own device-id")
            return


def _id(machine: MachineSpec) -> int:
    return ALL_DEVICES if machine.device_id is None else machine.device_id


def _shared_wires(session: Session, findings: Findings) -> None:
    """Clock and transport reach every machine on a port, so those who follow must want the same."""
    first: dict[str, tuple[str, MachineSpec]] = {}
    for name, machine in session.machines.items():
        if name in findings.rest.machines or not {"clock", "transport"} & set(machine.follows):
            continue
        other, before = first.setdefault(machine.port, (name, machine))
        for key, attribute in (("offset", "offset_ns"), ("starts", "starts"), ("relay", "relay")):
            if getattr(machine, attribute) != getattr(before, attribute):
                path = ("machines", name, key)
                if findings.marks.node(path) is None:
                    path = ("machines", other, key)
                message = (
                    f"must be the same for {other} and {name}: they follow one clock on port {machine.port}"
                )
                findings.add(path, message, "use a port for each, or the same value")


def _song_names(session: Session, findings: Findings) -> None:
    seen: dict[str, int] = {}
    for index, song in enumerate(session.songs):
        if song.song in seen:
            line = findings.marks.place(("songs", seen[song.song], "song"))[0]
            findings.add(("songs", index, "song"), f"a song of this name stands at line {line} already")
        seen.setdefault(song.song, index)


def _around_the_songs(session: Session, findings: Findings) -> None:
    for number, place in enumerate(session.order):
        path = findings.item_path(("order",), number)
        whole = findings.marks.node((*path, "song")) is None
        findings.song(path if whole else (*path, "song"), place.song, session)
    for number, control in enumerate(session.controls):
        path = findings.item_path(("controls",), number)
        findings.port((*path, "port"), control.port, session, "in")
        _control_action((*path, "do"), control.do, session, findings)
    _one_switch(session, findings)
    for number, entry in enumerate(session.schedule):
        path = findings.item_path(("schedule",), number)
        if entry.roll is not None:
            findings.song((*path, "roll"), entry.roll, session)
    for number, lamp in enumerate(session.lamps):
        path = findings.item_path(("lamps",), number)
        if findings.port((*path, "port"), lamp.port, session, "out"):
            _lamp_on_wire(path, number, session, findings)


def _control_action(path: Path, action: Action, session: Session, findings: Findings) -> None:
    """What an action names must be there."""
    if action.word in NAMES_SONG and action.name:
        findings.song(path, action.name, session)
    elif action.word in NAMES_MACHINE:
        findings.machine(path, action.name, session)
    elif action.word == "place" and not (findings.rest.all_songs or ("order",) in findings.rest.gone):
        places = len(session.running_order)
        if int(action.name) > places:
            findings.add(path, f"no such place: the running order has {places}")


def _one_switch(session: Session, findings: Findings) -> None:
    """Presses of one kind or another are told apart on one switch only if it is read in one way."""
    first: dict[tuple[str, Trigger, int | None], ControlSpec] = {}
    for number, control in enumerate(session.controls):
        other = first.setdefault((control.port, control.when, control.channel), control)
        for key in ("threshold", "inverted", "releases"):
            seen, before = (getattr(spec, _READ_AS.get(key, key)) for spec in (control, other))
            if seen != before and control.press != other.press:
                path = findings.item_path(("controls",), number)
                text = (
                    f"is not the same in all controls with {control.when} on {control.port}: they are taken"
                )
                findings.add(path, f"{key} {text} for two switches, each by itself", severity="warning")


def _lamp_on_wire(path: Path, number: int, session: Session, findings: Findings) -> None:
    """A long message holds up what else is on a wire that carries a byte in 320 µs."""
    lamp = session.lamps[number]
    if session.link_of(lamp.port) != "din" or not _carries_clock(session, lamp.port):
        return
    for key, message in (("on", lamp.on), ("off", lamp.off)):
        size = len(message.message(lamp.channel)) if message is not None else 0
        if size > _SHORT_MESSAGE:
            text = f"{size} bytes take {size * 0.32:.1f} ms of the wire to {lamp.port}: its clock waits"
            hint = "give lamps a port of their own, or a shorter message"
            findings.add((*path, key), text, hint, "warning")


def _carries_clock(session: Session, port: str) -> bool:
    return any(machine.port == port and machine.follows_clock for machine in session.machines.values())
