"""The contract that every MIDI port keeps, and the settings that a port is opened with.

The contract (one suite in tests/contract runs it over every kind of port):

1.  `send(data)` takes one whole MIDI message with its status byte (running status is never used), or,
    on a port opened with `raw=True`, also a piece of a system exclusive message. It returns as soon as
    the message is handed over, never waits for the wire, and keeps the order of what it is given.
2.  `send` raises `SendError` and nothing else: the port is closed, has no output, or the system refused.
    A failed send is counted and changes nothing else: the next send may work.
3.  `send` checks only that there is something to send. Its bytes were checked when the song was compiled;
    here is no time for it.
4.  `start(receive)` begins delivery. Before it, arriving messages are dropped. `receive(arrival_ns, data)`
    gets one whole message at a time, with its status byte, in order of arrival; a real-time byte inside
    another message is given first, on its own. A sysex arrives with F0 and F7.
5.  `arrival_ns` is monotonic time, the best estimate of when the message reached this computer: never
    later than the call, and never before the arrival given with the message before it.
6.  `receive` may be called from a thread of the system's (`threaded` is then true), so it must be cheap,
    must not block and must not raise; `Inbox` is made for it. Ports that are not `threaded` call it from
    within `due` or `send`, on the caller's own thread.
7.  Bytes that are not MIDI are dropped and counted in `counts.bad_bytes`; they raise nothing. Active
    sensing, clock and system exclusive are delivered like everything else.
8.  `due(now_ns)` lets a simulated machine act on all that it has to do up to `now_ns`;
    `next_deadline_ns()` says when it wants to be called again, None for never. Ports of the system need
    neither: for them both do nothing. What a simulated machine says, it says only within `due`.
9.  `present()` is false when what the port was opened on has gone. It may take a millisecond and more: it
    is never called while a song is playing on time, except from where that does not matter.
10. A port that is not present may come back: `returned()` says whether it could be opened now (`trouble` why
    not), and then `mend()`, called until it returns True, opens it again in steps of a few milliseconds, so
    that a clock on another port need not wait. What was delivered to `receive` before is so after. With
    `PortConfig.wait` a port that is missing from the start is opened in the same way.
11. `close()` may be called twice, from the thread that opened the port; after it nothing is delivered.
    Silencing what sounds is the player's business, not that of `close`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, Protocol, runtime_checkable

from runner.errors import PortError

Direction = Literal["in", "out", "both"]
Medium = Literal["system", "virtual", "simulated", "memory", "null"]
Receive = Callable[[int, bytes], None]  #: (arrival in monotonic ns, one whole MIDI message)
NowNs = Callable[[], int]  #: monotonic time in ns

DIRECTIONS: tuple[Direction, ...] = ("in", "out", "both")
MEDIA: tuple[Medium, ...] = ("system", "virtual", "simulated", "memory", "null")


class SendError(PortError):
    """A message that could not be handed to its port; the text says why and what it was."""


@dataclass(frozen=True, slots=True)
class PortConfig:
    """How one port of a session is opened.

    `name` is the session's short name. `match` (medium `system`) is a glob on the system's port name,
    `create` (medium `virtual`) the name of a port that other programs can connect to, `simulate` (medium
    `simulated`) the kind of machine. `raw` allows pieces of a sysex to be sent. With `wait` a port of the
    system that is not there is no error: it is opened when it comes. `required` is only told in records and
    answers: what a missing port means is not decided here. `faults` is for simulated and memory ports only;
    its keys are those of the machine model.
    """

    name: str
    medium: Medium
    match: str = ""
    create: str = ""
    simulate: str = ""
    direction: Direction = "both"
    raw: bool = False
    wait: bool = False
    required: bool = True
    faults: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        wanted = {"system": self.match, "virtual": self.create, "simulated": self.simulate}
        if self.medium not in MEDIA:
            raise PortError(self.name, f"no such medium, got {self.medium!r} (use one of {', '.join(MEDIA)})")
        if self.direction not in DIRECTIONS:
            raise PortError(
                self.name, f"no such direction, got {self.direction!r} (use one of {', '.join(DIRECTIONS)})"
            )
        if not wanted.get(self.medium, "-"):
            key = {"system": "match", "virtual": "create", "simulated": "simulate"}[self.medium]
            raise PortError(self.name, f"a {self.medium} port needs a text for `{key}`")

    @property
    def has_input(self) -> bool:
        """Whether messages can arrive."""
        return self.direction != "out"

    @property
    def has_output(self) -> bool:
        """Whether messages can be sent."""
        return self.direction != "in"

    def to_dict(self) -> dict[str, Any]:
        """Return the settings as plain values, fit for JSON; `from_dict` reads them back."""
        return {**asdict(self), "faults": dict(self.faults)}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> PortConfig:
        """Return the settings that `to_dict` wrote; PortError names a key that does not belong."""
        known = cls.__dataclass_fields__
        name = str(values.get("name", "?"))
        strange = sorted(set(values) - set(known))
        if strange:
            raise PortError(name, f"unknown settings {', '.join(strange)} (known: {', '.join(known)})")
        missing = sorted({"name", "medium"} - set(values))
        if missing:
            raise PortError(name, f"missing settings {', '.join(missing)}")
        return cls(**values)


@dataclass(slots=True)
class PortCounts:
    """What went through a port since it was opened; read it, never write it from outside."""

    sent: int = 0  #: messages handed over
    send_errors: int = 0  #: sends that raised
    received: int = 0  #: whole messages delivered
    bad_bytes: int = 0  #: bytes that were no MIDI, or belonged to a message that was never completed


@runtime_checkable
class Port(Protocol):
    """One MIDI connection, in, out or both; the contract stands at the head of this module."""

    @property
    def name(self) -> str:
        """The session's short name of the port."""

    @property
    def has_input(self) -> bool:
        """Whether messages can arrive."""

    @property
    def has_output(self) -> bool:
        """Whether messages can be sent."""

    @property
    def threaded(self) -> bool:
        """Whether `receive` is called from another thread than the one that drives the port."""

    @property
    def counts(self) -> PortCounts:
        """What went through the port since it was opened."""

    def start(self, receive: Receive) -> None:
        """Begin to deliver arriving messages to `receive`; may be called once."""

    def send(self, data: bytes) -> None:
        """Hand one message over; raises SendError."""

    def due(self, now_ns: int) -> None:
        """Let a simulated machine act up to `now_ns`; nothing on other ports."""

    def next_deadline_ns(self) -> int | None:
        """When `due` wants to be called next; None on ports that need no calls."""

    @property
    def required(self) -> bool:
        """What the session says of it."""

    @property
    def trouble(self) -> str:
        """Why the port could not be opened when that was last tried; empty if it is open."""

    def returned(self) -> bool:
        """Whether a port that is not present could be opened now."""

    def mend(self) -> bool:
        """Do the next step of opening it again; True when it is whole. Raises RigError."""

    def complete(self) -> None:
        """Open what `open_ports` put off."""

    def present(self) -> bool:
        """Whether what the port was opened on is still there; may take milliseconds."""

    def describe(self) -> str:
        """What the port is, for people: the system's name, or the machine that is simulated."""

    def close(self) -> None:
        """End delivery and let the port go; may be called twice."""


class ConfiguredPort:
    """What every kind of port has in common: its settings and its counts."""

    def __init__(self, config: PortConfig) -> None:
        self._config = config
        self._counts = PortCounts()
        self._trouble = ""

    @property
    def name(self) -> str:
        """The session's short name of the port."""
        return self._config.name

    @property
    def has_input(self) -> bool:
        """Whether messages can arrive."""
        return self._config.has_input

    @property
    def has_output(self) -> bool:
        """Whether messages can be sent."""
        return self._config.has_output

    @property
    def counts(self) -> PortCounts:
        """What went through the port since it was opened."""
        return self._counts

    @property
    def required(self) -> bool:
        """What the session says of it."""
        return self._config.required

    @property
    def trouble(self) -> str:
        """Why the port could not be opened when that was last tried; empty if it is open."""
        return self._trouble

    def present(self) -> bool:
        """Whether what the port was opened on is there."""
        raise NotImplementedError

    def returned(self) -> bool:
        """Whether it could be opened again; what is no port of the system needs no opening."""
        return self.present()

    def mend(self) -> bool:
        """Nothing to do: present is open."""
        return True

    def complete(self) -> None:
        """Nothing to do: nothing was put off."""
