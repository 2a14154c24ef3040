"""What a session's wires say when asked: who answers an Identity Request, how long a loop of cable takes.

The bytes are read and made here; the ports are opened, asked and closed again.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from runner.ports.base import Port, PortConfig, SendError

IDENTITY_REQUEST = bytes.fromhex("F07E7F0601F7")  # MIDI 1.0, p. 40; 7F asks every device
ANSWER_NS = 300_000_000  #: how long a machine may take to answer
PROBES = 16  #: messages sent round a loop
_STEP_S = 0.001
_LOST_NS = 200_000_000  #: a probe that is not back by then is lost
_PROBE = bytes.fromhex("F07D545752")  # 7D: for use that is not commercial (MIDI 1.0, p. 34), no machine's


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a machine says that it is, as numbers in hex: they stand in its manual."""

    device: int
    maker: str
    family: str
    member: str
    version: str

    def __str__(self) -> str:
        return f"maker {self.maker}, family {self.family}, member {self.member}, version {self.version}"


@dataclass(frozen=True, slots=True)
class Loop:
    """What came back of the messages sent from port `out` to port `into`; times in ns, sorted."""

    out: str
    into: str
    sent: int
    times_ns: tuple[int, ...]
    problem: str = ""

    @property
    def median_ms(self) -> float:
        """The middle of the times there and back, in ms; NaN if nothing came back."""
        return statistics.median(self.times_ns) / 1e6 if self.times_ns else float("nan")

    @property
    def spread_ms(self) -> float:
        """The longest time less the shortest, in ms."""
        return (self.times_ns[-1] - self.times_ns[0]) / 1e6 if self.times_ns else float("nan")


@dataclass(slots=True)
class Wires:
    """What was found: why ports could not be opened, who answered on each, what came round each loop."""

    problems: dict[str, str] = field(default_factory=dict)
    answers: dict[str, list[Identity]] = field(default_factory=dict)
    loops: list[Loop] = field(default_factory=list)


def read_identity(data: bytes) -> Identity | None:
    """Return what an Identity Reply says, None if it is none (MIDI 1.0, p. 40).

    The maker has one byte, or three of which the first is 00; family and member have their low byte first.
    """
    if len(data) < 6 or data[:2] != b"\xf0\x7e" or data[3:5] != b"\x06\x02" or data[-1] != 0xF7:
        return None
    size = 3 if data[5] == 0 else 1
    body = data[5 + size : -1]
    if len(body) != 8:
        return None
    return Identity(
        device=data[2],
        maker=data[5 : 5 + size].hex(" ").upper(),
        family=f"{body[1]:02X} {body[0]:02X}",
        member=f"{body[3]:02X} {body[2]:02X}",
        version=body[4:].hex(" ").upper(),
    )


Open = Callable[[Mapping[str, PortConfig], Callable[[], int]], Mapping[str, Port]]


def ask_wires(
    configs: Mapping[str, PortConfig],
    loops: Mapping[str, str],
    open_them: Open | None = None,
    clock: Callable[[], int] = time.monotonic_ns,
    sleep: Callable[[float], None] = time.sleep,
) -> Wires:
    """Open the ports, ask on those that go both ways, measure the loops (output to input by name).

    A port that cannot be opened is a problem and does not keep the others from being asked.

    Raises:
        RigError: a simulated machine is set to what it cannot be.
    """
    from runner.ports.registry import open_ports

    wires = Wires()
    ports: dict[str, Port] = {}
    heard: dict[str, list[tuple[int, bytes]]] = {name: [] for name in configs}
    opened = (open_them or open_ports)(
        {name: replace(config, wait=True) for name, config in configs.items()}, clock
    )
    try:
        for name, port in opened.items():
            if port.trouble:
                wires.problems[name] = port.trouble.removeprefix(f"port {name}: ")
                continue
            ports[name] = port
            if port.has_input:
                port.start(lambda at_ns, data, name=name: heard[name].append((at_ns, data)))  # type: ignore[misc]
        driver = _Driver(ports, clock, sleep)
        _ask_who_is_there(driver, loops, heard, wires)
        for out, into in loops.items():
            if out in ports and into in ports:
                wires.loops.append(_go_round(driver, out, into, heard[into]))
    finally:
        for port in opened.values():
            port.close()
    return wires


@dataclass(slots=True)
class _Driver:
    ports: Mapping[str, Port]
    clock: Callable[[], int]
    sleep: Callable[[float], None]

    def wait(self, span_ns: int, until: Callable[[], bool] = lambda: False) -> None:
        """Let the ports act for so long, or until something is true."""
        end_ns = self.clock() + span_ns
        while self.clock() < end_ns and not until():
            for port in self.ports.values():
                port.due(self.clock())
            self.sleep(_STEP_S)


def _ask_who_is_there(
    driver: _Driver, loops: Mapping[str, str], heard: Mapping[str, list[tuple[int, bytes]]], wires: Wires
) -> None:
    """Ask on all ports at once that go both ways; what leads back to an input of ours is no machine."""
    asked = [
        name
        for name, port in driver.ports.items()
        if port.has_input and port.has_output and name not in loops and name not in loops.values()
    ]
    for name in asked:
        try:
            driver.ports[name].send(IDENTITY_REQUEST)
            wires.answers[name] = []
        except SendError as error:
            wires.problems[name] = str(error).removeprefix(f"port {name}: ")
    if wires.answers:
        driver.wait(ANSWER_NS)
    for name, found in wires.answers.items():
        identities = (read_identity(data) for _, data in heard[name])
        found += dict.fromkeys(identity for identity in identities if identity is not None)


def _go_round(driver: _Driver, out: str, into: str, heard: list[tuple[int, bytes]]) -> Loop:
    """Send one message after the other, each when the one before is back or lost."""
    times: list[int] = []
    for number in range(PROBES):
        probe = _PROBE + bytes((number, 0xF7))
        heard.clear()
        sent_ns = driver.clock()
        try:
            driver.ports[out].send(probe)
        except SendError as error:
            return Loop(out, into, number, tuple(sorted(times)), str(error))
        driver.wait(_LOST_NS, lambda probe=probe: any(data == probe for _, data in heard))  # type: ignore[misc]
        times += [at_ns - sent_ns for at_ns, data in heard if data == probe][:1]
        if number == 2 and not times:
            return Loop(out, into, number + 1, ())  # there is no cable
    return Loop(out, into, PROBES, tuple(sorted(times)))
