"""What the daemon is doing just now: one value for the live view, for lamps and for others' programs. Pure.

The desk fills it; `to_dict` and `from_dict` carry it over the control socket. A reader takes what it knows
and leaves what it does not, so that a newer daemon and an older view understand each other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

STATES = (
    "starting",  # the session is read, the engine is not there yet
    "ready",  # the daemon waits for an order
    "waiting",  # between songs: for a control, or for the time to the next
    "armed",  # for the other machine's Start
    "lead",  # clock without Start
    "pre-roll",
    "rolling",
    "tail",
    "closing",  # the take's record is being finished
    "trouble",  # nothing can roll; `alarms` say why
)
VERDICTS = ("clean", "flawed", "failed", "interrupted")
SEVERITIES = ("note", "warning", "error")


@dataclass(frozen=True, slots=True)
class NextCue:
    """The next message that the song sends at a moment of its own."""

    at: str = ""  #: such as "bar 17 beat 3"
    machine: str = ""
    what: str = ""  #: in words, such as "program 12"
    in_s: float | None = None  #: seconds until then; None if it is not known


@dataclass(frozen=True, slots=True)
class PortStatus:
    """Whether a port of the session is there."""

    name: str
    present: bool = True
    text: str = ""  #: what is to be said of it, such as since when it is gone
    required: bool = True  #: false where no roll waits for the machines on it


@dataclass(frozen=True, slots=True)
class TakeStatus:
    """One take that is finished."""

    song: str
    pass_name: str = ""
    number: int = 0
    verdict: str = ""  #: one of `VERDICTS`
    folder: str = ""


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something that a person should see to."""

    since_utc: str  #: such as "2026-05-02T19:30:00Z"
    severity: str = "warning"  #: one of `SEVERITIES`
    text: str = ""


@dataclass(frozen=True, slots=True)
class Status:
    """What the daemon is doing; times in seconds, tempo in quarter notes a minute."""

    session: str = ""
    state: str = "starting"  #: one of `STATES`
    song: str = ""
    take_number: int = 0  #: of the take that rolls, or of the next; 0 if none is chosen
    pass_name: str = ""
    place: int = 0  #: in the running order, from 1; 0 before the first
    places: int = 0
    next_song: str = ""
    waiting_for: str = ""  #: in words; empty if it waits for nothing
    at: str = ""  #: such as "bar 17 beat 3"
    section: str = ""
    left_s: float | None = None  #: to the end of the song; None if it is not known
    next_cue: NextCue | None = None
    clock_role: str = ""  #: "master" or "follower"
    clock_source: str = ""  #: "internal", or the port that the clock comes in by
    clock_lock: str = ""  #: the follower's state: silent, acquiring, locked, freewheeling, lost
    tempo_bpm: float | None = None
    clock_missing: int = 0  #: clocks missing in this take so far
    muted: tuple[str, ...] = ()  #: machines
    hold: bool = False  #: whether the song goes round until it is told to go on
    ports: tuple[PortStatus, ...] = ()
    takes: tuple[TakeStatus, ...] = ()  #: newest first, five at most
    alarms: tuple[Alarm, ...] = ()
    log_trouble: str = ""  #: why the take's record is not being written; empty if it is
    realtime: bool = False  #: whether the engine has real-time priority

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON has it: the fields by their names, tuples as lists."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Status:
        """Return the status that `to_dict` gave; what is missing has its default, what is unknown is left.

        Raises:
            ValueError: a field holds what it cannot hold; the text names it.
        """
        given: dict[str, Any] = {}
        for field in fields(cls):
            if field.name in data:
                given[field.name] = _READERS[str(field.type)](data[field.name], field.name)
        return cls(**given)


def _text(value: Any, name: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name} must be text, got {value!r:.60}")
    return value


def _whole(value: Any, name: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{name} must be a whole number, got {value!r:.60}")
    return value


def _flag(value: Any, name: str) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{name} must be true or false, got {value!r:.60}")
    return value


def _number_or_none(value: Any, name: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError(f"{name} must be a number, got {value!r:.60}")
    return float(value)


def _texts(value: Any, name: str) -> tuple[str, ...]:
    return tuple(_text(item, f"{name}[{place}]") for place, item in enumerate(_list(value, name)))


def _list(value: Any, name: str) -> list[Any]:
    if not isinstance(value, (list, tuple)):
        raise ValueError(f"{name} must be a list, got {value!r:.60}")
    return list(value)


def _row(kind: type[Any], value: Any, name: str) -> Any:
    if not isinstance(value, Mapping):
        raise ValueError(f"{name} must be a mapping, got {value!r:.60}")
    given: dict[str, Any] = {}
    for field in fields(kind):
        if field.name in value:
            given[field.name] = _READERS[str(field.type)](value[field.name], f"{name}.{field.name}")
    try:
        return kind(**given)
    except TypeError:
        raise ValueError(f"{name} lacks {fields(kind)[0].name}") from None


def _rows(kind: type[Any]) -> Callable[[Any, str], Any]:
    return lambda value, name: tuple(
        _row(kind, item, f"{name}[{place}]") for place, item in enumerate(_list(value, name))
    )


#: how each type of field is read back, by the type as it is written above
_READERS: dict[str, Callable[[Any, str], Any]] = {
    "str": _text,
    "int": _whole,
    "bool": _flag,
    "float | None": _number_or_none,
    "tuple[str, ...]": _texts,
    "NextCue | None": lambda value, name: None if value is None else _row(NextCue, value, name),
    "tuple[PortStatus, ...]": _rows(PortStatus),
    "tuple[TakeStatus, ...]": _rows(TakeStatus),
    "tuple[Alarm, ...]": _rows(Alarm),
}
