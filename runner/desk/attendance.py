"""Who is there behind a port: machines that answer when asked, wires that active sensing keeps alive. Pure.

A port that is there says nothing of the machine behind it: that may be off, or its cable out. Two things
tell.

- A machine with `answers: true` is asked who it is (Identity Request, MIDI 1.0 4.2.1, p. 40) between takes:
  at once, then every `ASK_EVERY_NS`. Twice no answer within `ANSWER_NS`, and it counts as away; one answer,
  and it is there again. It is never asked while anything rolls, and no other machine ever.
- Whoever has once sent Active Sensing must send something every 300 ms (p. 33). A port that falls silent
  after that is told, in takes as well. The port of the clock is left to the follower, which knows better.
  One that is gone and there again stays silent until anything comes in by it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Literal

from runner.music.machine_control import ALL_DEVICES
from runner.session.model import Session
from runner.session.model_rig import MachineSpec

ASK_EVERY_NS = 5_000_000_000
ANSWER_NS = 300_000_000  #: how long a machine may take to answer
MISSES = 2  #: questions without an answer after which a machine is away: a wire may lose one
SILENT_NS = 1_500_000_000  #: well over 330 ms: what comes in is handed on in pieces, and the desk may be busy
ACTIVE_SENSING = b"\xfe"

Present = Callable[[str], bool]  #: whether a port is there, by its name


@dataclass(frozen=True, slots=True)
class Change:
    """A machine is away or there again; a port has fallen silent or speaks again. `text` is for people."""

    what: Literal["away", "there", "silent", "speaks"]
    name: str  #: of the machine, or of the port
    text: str = ""


@dataclass(slots=True)
class _Asked:
    """A machine that says of itself who it is."""

    name: str
    number: int  #: among the session's machines
    port: int
    port_name: str
    device: int
    asked_ns: int | None = None  #: when it was last asked, while no answer has come
    next_ns: int = 0
    misses: int = 0
    away: bool = False

    def hear(self, data: bytes, now_ns: int) -> bool:
        """Take a message from its port; True if it is its answer."""
        if data[:2] != b"\xf0\x7e" or data[3:5] != b"\x06\x02" or len(data) < 6:
            return False
        if self.device not in (ALL_DEVICES, data[2]):
            return False
        self.asked_ns, self.misses, self.next_ns = None, 0, now_ns + ASK_EVERY_NS
        return True


class Attendance:
    """All that a session's machines and ports tell of themselves. Times are monotonic ns."""

    def __init__(self, session: Session) -> None:
        self._specs = dict(session.ports)
        self._ports = tuple(session.ports)
        self._clock_port = session.clock.port
        self._asked = [
            _asked(number, name, machine, self._ports)
            for number, (name, machine) in enumerate(session.machines.items())
            if machine.answers
        ]
        self._sensed: dict[int, int] = {}  #: ports on which active sensing came, and when anything last did
        self._silent: set[int] = set()
        self._found: list[Change] = []

    def take_over(self, away: Collection[str], silent: Collection[str]) -> None:
        """Go on with the machines that were away, and the ports that were silent, when a desk died."""
        for each in self._asked:
            each.away = each.name in away
        self._silent = {self._ports.index(name) for name in silent if name in self._ports}
        self._sensed = dict.fromkeys(self._silent, 0)

    def with_session(self, session: Session) -> Attendance:
        """Return the attendance of another version of the session: what still is as it was is known on."""
        new = Attendance(session)
        stayed = {name for name, spec in self._specs.items() if session.ports.get(name) == spec}
        away = {(each.name, each.port_name, each.device) for each in self._asked if each.away}
        for each in new._asked:
            each.away = each.port_name in stayed and (each.name, each.port_name, each.device) in away
        sensed = stayed - {session.clock.port}
        for port, t_ns in self._sensed.items():
            if self._ports[port] in sensed:
                new._sensed[new._ports.index(self._ports[port])] = t_ns
        new._silent = {new._ports.index(name) for name in self.silent & sensed}
        return new

    @property
    def silent(self) -> set[str]:
        """The ports that fell silent and have not been heard since."""
        return {self._ports[port] for port in self._silent}

    @property
    def away(self) -> dict[str, str]:
        """The machines that do not answer, and what is to be said of it."""
        return {each.name: _away_text(each) for each in self._asked if each.away}

    def hear(self, port: int, data: bytes, t_ns: int) -> None:
        """Take a message that came in; clock is left out."""
        if port >= len(self._ports):
            return
        if data == ACTIVE_SENSING and self._ports[port] != self._clock_port:
            self._sensed.setdefault(port, t_ns)
        if port in self._sensed:
            self._sensed[port] = max(t_ns, self._sensed[port])
        elif port in self._silent:  # it was gone meanwhile, and owes nothing before its next active sensing
            self._speaks(port)
        for each in self._asked:
            if each.port == port and each.hear(data, t_ns) and each.away:
                each.away = False
                self._found.append(Change("there", each.name, f"{each.name} answers again"))

    def due(self, now_ns: int, resting: bool, present: Present) -> list[list[object]]:
        """Return the questions to send, as rows of (port, machine, hex); none unless nothing rolls."""
        rows: list[list[object]] = []
        for each in self._asked:
            if not resting or not present(each.port_name):
                each.asked_ns, each.misses = None, 0  # what comes now, or does not, tells nothing
                each.next_ns = max(each.next_ns, now_ns)
            elif each.asked_ns is not None and now_ns - each.asked_ns >= ANSWER_NS:
                self._miss(each, now_ns)
            if resting and present(each.port_name) and each.asked_ns is None and now_ns >= each.next_ns:
                each.asked_ns = now_ns
                rows.append(
                    [each.port, each.number, bytes([0xF0, 0x7E, each.device, 0x06, 0x01, 0xF7]).hex()]
                )
        return rows

    def changes(self, now_ns: int, ticks: Mapping[int, int], present: Present) -> list[Change]:
        """Return what has changed; `ticks` says when the last clock came in by each port."""
        for port in sorted({*self._sensed, *self._silent}):
            name = self._ports[port]
            heard = [times[port] for times in (self._sensed, ticks) if port in times]
            silent = not heard or now_ns - max(heard) > SILENT_NS
            if not present(name):  # told of already; it begins anew when it is back
                self._sensed.pop(port, None)
            elif silent and port not in self._silent:
                self._silent.add(port)
                text = f"active sensing on port {name} fell silent: its machine is off, or a cable is out"
                self._found.append(Change("silent", name, text))
            elif not silent and port in self._silent:
                self._speaks(port)
        found, self._found = self._found, []
        return found

    def _speaks(self, port: int) -> None:
        self._silent.discard(port)
        self._found.append(Change("speaks", self._ports[port], f"port {self._ports[port]} speaks again"))

    def _miss(self, each: _Asked, now_ns: int) -> None:
        each.asked_ns = None
        each.misses += 1
        each.next_ns = now_ns if each.misses < MISSES else now_ns + ASK_EVERY_NS
        if each.misses >= MISSES and not each.away:
            each.away = True
            self._found.append(Change("away", each.name, _away_text(each)))


def _asked(number: int, name: str, machine: MachineSpec, ports: tuple[str, ...]) -> _Asked:
    device = ALL_DEVICES if machine.device_id is None else machine.device_id
    return _Asked(name, number, ports.index(machine.port), machine.port, device)


def _away_text(each: _Asked) -> str:
    return f"{each.name} on port {each.port_name} does not answer: it is off, or a cable is out"


__all__ = ["Attendance", "Change"]
