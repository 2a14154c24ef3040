"""What the desk tells the engine, and what the engine answers. Pure.

Everything but a course is small JSON; a course is the block of bytes that `Course.pack` makes. The
kinds are numbers on the wire and never change their meaning within one version of the framing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import IntEnum
from typing import Any, Self


class Command(IntEnum):
    """Desk to engine."""

    CONFIGURE = 1  #: JSON of `RigConfig`; opens the ports
    COURSE = 2  #: the next course to roll, packed; replaces one that was not rolled
    ROLL = 3  #: JSON of `RollOrder`
    STOP = 4  #: JSON {"why"}
    PANIC = 5  #: JSON {"why"}; stop, then silence every channel of every machine
    GO = 6  #: end a hold or an endless loop at its next seam
    MUTE = 7  #: JSON {"machine": index, "muted": bool}
    SEND = 8  #: JSON {"messages": [[port, machine, hex], ...]}; only out of the order of the timeline
    QUIT = 9  #: stop, silence, close the ports, exit
    EXTEND = 10  #: a packed course that follows the one that rolls, without a gap
    NOTE = 11  #: JSON {"t_ns", "data"}: a finding of the desk's own for the take that rolls


class Answer(IntEnum):
    """Engine to desk, on the same socket."""

    READY = 64  #: JSON: ports open, warnings about rights, whether this engine replaces a dead one
    FAULT = 65  #: JSON {"kind", "text", "port"}: it cannot do what it was told
    LOADED = 66  #: a course is in place


@dataclass(frozen=True, slots=True)
class RigMachine:
    """What the player must know of a machine: where it is, and how it wants to be silenced."""

    name: str
    port: int
    channel: int | None = None  #: 1 to 16
    follows: tuple[str, ...] = ()  #: of "clock", "transport", "position"
    all_notes_off: bool = True
    reset_controllers: bool = False
    all_sound_off: bool = False


@dataclass(frozen=True, slots=True)
class ClockPolicy:
    """Whose clock rules, and what to do when it fails.

    `port` is where the other machine's clock comes in, `machine` its name for people. Without clock the
    song goes on for `freewheel_clocks` (24 a quarter), or for `freewheel_ns` if that is given; then it
    does as `then` says, "stop" or "carry-on". `straight_ports` pass each tick on at once; all others
    get the clock from the servo.
    """

    source: str = "internal"  #: or "beat-clock", or "time-code"
    port: int | None = None
    machine: str = ""
    freewheel_clocks: int = 48
    freewheel_ns: int | None = None
    then: str = "stop"
    straight_ports: tuple[int, ...] = ()
    tempo_limit_percent: float = 0.1
    frame_rate: str = ""  #: of time code, if not as it says itself


@dataclass(frozen=True, slots=True)
class RigConfig:
    """The rig as the engine sees it: ports in the order of their numbers, machines, clock policy."""

    ports: tuple[dict[str, Any], ...]
    machines: tuple[RigMachine, ...]
    clock: ClockPolicy = field(default_factory=ClockPolicy)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return the config that `to_dict` described."""
        clock = dict(data["clock"])
        clock["straight_ports"] = tuple(clock["straight_ports"])
        return cls(
            ports=tuple(data["ports"]),
            machines=tuple(
                RigMachine(**{**machine, "follows": tuple(machine["follows"])})
                for machine in data["machines"]
            ),
            clock=ClockPolicy(**clock),
        )


@dataclass(frozen=True, slots=True)
class RollOrder:
    """Roll the loaded course; `take` is the desk's key for the record, echoed in every take record."""

    take: str
    song: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return asdict(self)
