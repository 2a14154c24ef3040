"""What all simulated machines are made of: an outbox, a list of complaints, settings, an identity.

A machine is a pure model. It is given messages with their times, says what it has to say when `due` is
called, and never reads a clock. Messages reach it whole, one at a time, in order.
"""

from __future__ import annotations

import difflib
import heapq
import math
import re
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, NamedTuple, Protocol, TypeVar

from runner.errors import PortError

CLOCKS_PER_MIDI_BEAT = 6  #: MIDI 1.0 p. 27: the unit of Song Position Pointer is six clocks
MOST_COMPLAINTS = 1_000
_IDENTITY_DELAY_NS = 2_000_000
_UNITS_NS = {"ns": 1, "us": 1_000, "µs": 1_000, "ms": 1_000_000, "s": 1_000_000_000}
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(ns|us|µs|ms|s)")


class Said(NamedTuple):
    """One message that a machine sends, and when (monotonic ns)."""

    t_ns: int
    data: bytes


class Complaint(NamedTuple):
    """Something that a machine was sent and could not make good use of; `code` is stable."""

    t_ns: int
    code: str
    text: str


class Machine(Protocol):
    """A simulated machine. Times are monotonic ns and never go back."""

    @property
    def kind(self) -> str:
        """What it is, as a session writes it: ``drum-machine``."""

    @property
    def complaints(self) -> Complaints:
        """What it has to complain about."""

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message that arrived at `t_ns`."""

    def due(self, now_ns: int) -> list[Said]:
        """Return what it says up to `now_ns`, in order of time, and act on timers until then."""

    def next_deadline_ns(self) -> int | None:
        """When `due` wants to be called next; None while it has nothing to do by itself."""


class Outbox:
    """Messages that a machine will say, in order of time and of `say` among equals."""

    __slots__ = ("_count", "_heap")

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, bytes]] = []
        self._count = 0

    def say(self, t_ns: int, data: bytes) -> None:
        """Put a message in, to be said at `t_ns`."""
        heapq.heappush(self._heap, (t_ns, self._count, data))
        self._count += 1

    def due(self, now_ns: int) -> list[Said]:
        """Return and remove what is to be said up to `now_ns`."""
        said: list[Said] = []
        while self._heap and self._heap[0][0] <= now_ns:
            t_ns, _, data = heapq.heappop(self._heap)
            said.append(Said(t_ns, data))
        return said

    def next_ns(self) -> int | None:
        """Return the time of the next message, None when there is none."""
        return self._heap[0][0] if self._heap else None


class Complaints:
    """The first `MOST_COMPLAINTS` complaints; the others are counted."""

    __slots__ = ("_kept", "more")

    def __init__(self) -> None:
        self._kept: list[Complaint] = []
        self.more = 0  #: complaints beyond those kept

    def add(self, t_ns: int, code: str, text: str) -> None:
        """Complain."""
        if len(self._kept) < MOST_COMPLAINTS:
            self._kept.append(Complaint(t_ns, code, text))
        else:
            self.more += 1

    def all(self) -> tuple[Complaint, ...]:
        """Return those kept, oldest first."""
        return tuple(self._kept)

    def codes(self) -> list[str]:
        """Return the codes of those kept, oldest first."""
        return [complaint.code for complaint in self._kept]


def identity_reply(data: bytes, device_id: int, family: int) -> bytes | None:
    """Return the answer to an Identity Request for `device_id`, None if `data` is not one.

    MIDI 1.0 p. 40; the maker is 7D, the number set apart for non-commercial use (p. 34).
    """
    if len(data) != 6 or data[:2] != b"\xf0\x7e" or data[3:] != b"\x06\x01\xf7":
        return None
    if data[2] not in (device_id, 0x7F):
        return None
    return bytes((0xF0, 0x7E, device_id, 6, 2, 0x7D, family, 0, 1, 0, 0, 0, 0, 1, 0xF7))


def answer_identity(out: Outbox, data: bytes, t_ns: int, device_id: int, family: int) -> None:
    """Say who the machine is, if `data` asks for it."""
    reply = identity_reply(data, device_id, family)
    if reply is not None:
        out.say(t_ns + _IDENTITY_DELAY_NS, reply)


def check_range(what: str, value: float, low: float, high: float) -> None:
    """Raise ValueError unless `value` is from `low` to `high`."""
    if not low <= value <= high:
        raise ValueError(f"{what} must be from {low} to {high}, got {value}")


SettingsT = TypeVar("SettingsT")


def read_settings(kind: type[SettingsT], values: Mapping[str, Any], port: str) -> SettingsT:
    """Return the settings and faults that a session wrote, as the machine's own dataclass.

    Keys are the names of the fields with ``-`` for ``_``. A field that ends in ``_ns`` is written without
    it and takes a span: ``settle: 120 ms``.

    Raises:
        PortError: an unknown key (with near matches), a value of the wrong sort or out of range.
    """
    known: dict[str, str] = {}
    defaults = kind()
    for field in fields(kind):  # type: ignore[arg-type]
        known[field.name.removesuffix("_ns").replace("_", "-")] = field.name
    given: dict[str, Any] = {}
    for key, value in values.items():
        plain = key.replace("_", "-").removesuffix("-ns")
        if plain not in known:
            near = difflib.get_close_matches(plain, known, n=2, cutoff=0.5)
            hint = f"did you mean {' or '.join(near)}?" if near else f"it has {', '.join(sorted(known))}"
            raise PortError(port, f"the simulated machine has no setting {key!r}; {hint}")
        name = known[plain]
        given[name] = _setting(value, getattr(defaults, name), name.endswith("_ns"), f"{port}: {plain}")
    try:
        return kind(**given)
    except ValueError as error:
        raise PortError(port, f"simulated machine: {error}") from error


def _setting(value: Any, default: Any, is_time: bool, where: str) -> Any:
    if is_time:
        return _time_ns(value, where)
    if isinstance(default, bool):
        if isinstance(value, bool):
            return value
        raise PortError(where, f"needs true or false, got {value!r}")
    if isinstance(default, frozenset):
        if isinstance(value, list | tuple | set | frozenset):
            return frozenset(_number(item, int, where) for item in value)
        raise PortError(where, f"needs a list of whole numbers, got {value!r}")
    if isinstance(default, Mapping):
        if isinstance(value, Mapping):
            return {_number(key, int, where): _number(item, float, where) for key, item in value.items()}
        raise PortError(where, f"needs a mapping of numbers, got {value!r}")
    return _number(value, type(default), where)


def _number(value: Any, kind: type[int] | type[float], where: str) -> int | float:
    try:
        number = float(value) if not isinstance(value, bool) else math.nan
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number) or (kind is int and (number < 0 or number != int(number))):
        sort = "a whole number of 0 or more" if kind is int else "a number"
        raise PortError(where, f"needs {sort}, got {value!r}")
    return kind(number)


def _time_ns(value: Any, where: str) -> int:
    """Read ``120 ms``; a bare whole number is ns."""
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return value
    found = _SPAN.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None:
        raise PortError(where, f"needs a time such as 120 ms, got {value!r}")
    return round(float(found[1]) * _UNITS_NS[found[2]])
