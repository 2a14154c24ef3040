"""A take as read from its files: plain data, and columns for the clocks.

Pure. All times are ns from the take's anchor (bar 1 beat 1 as rolled), negative before it.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import sub
from types import MappingProxyType
from typing import Any, NamedTuple

from runner.takes.declared import Declared
from runner.takes.lines import TakeHeader

IDLE_FROM = 2**31  #: numbers of clocks passed on while the followed machine stood, see `runner.play.relay`
NO_DUE = -(2**63)  #: in `TickTrack.due_ns`: nothing said when this tick should have come


@dataclass(frozen=True, slots=True)
class Damage:
    """A place in a take's file that cannot be read: line (from 1, 0 for the whole file) and bytes lost."""

    file: str
    line: int
    size: int
    text: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.text} ({self.size} bytes)"

    def to_dict(self) -> dict[str, Any]:
        """Return the damage as plain data."""
        return {"file": self.file, "line": self.line, "bytes": self.size, "text": self.text}


class Event(NamedTuple):
    """One line of events.jsonl. `detail` is the line's "data", `amount` its "count", "held_us" or
    "clocks_before".

    A tuple, since an hour has hundreds of thousands of them, and a frozen dataclass takes twice as long
    to make.
    """

    t_ns: int
    kind: str
    at: str | None = None
    n: int | None = None
    port: str = ""
    machine: str = ""
    data: bytes = b""
    due_ns: int | None = None
    source: str = ""
    amount: int = 0
    detail: Mapping[str, Any] = MappingProxyType({})


@dataclass(slots=True)
class TickTrack:
    """All clocks of one port in one direction, in the order in which they were sent or came.

    `number` is the tick's number in the roll (out) or since its port was opened (in). `beats` marks where
    the lines of clock.jsonl begin: (index of the tick, text of its song position or None).
    """

    port: str
    direction: str
    number: array[int] = field(default_factory=lambda: array("q"))
    t_ns: array[int] = field(default_factory=lambda: array("q"))
    due_ns: array[int] = field(default_factory=lambda: array("q"))
    beats: list[tuple[int, str | None]] = field(default_factory=list)
    last_n: int = -1

    def __len__(self) -> int:
        return len(self.t_ns)

    def lateness_ns(self) -> array[int]:
        """How late each tick with a due time was, in ns; negative is early."""
        if NO_DUE not in self.due_ns:
            return array("q", map(sub, self.t_ns, self.due_ns))
        return array("q", (t - due for t, due in zip(self.t_ns, self.due_ns, strict=True) if due != NO_DUE))


@dataclass(slots=True)
class Take:
    """One take. `summary` is its take.json, None before it is closed; `plan` the rows of plan.json."""

    folder: str
    header: TakeHeader
    events: Sequence[Event]
    tracks: Mapping[tuple[str, str], TickTrack]
    damages: Sequence[Damage] = ()
    summary: Mapping[str, Any] | None = None
    plan: Sequence[Mapping[str, Any]] | None = None
    recorders: Sequence[Mapping[str, Any]] = ()  #: the reports of recorder.json
    torn: bool = False  #: a file ends in an unfinished line, as a power cut leaves it

    @property
    def declared(self) -> Declared:
        """What the session said about the song and the rig."""
        return Declared.from_dict(self.header.declared)

    def of_kind(self, *kinds: str) -> Iterator[Event]:
        """Yield the events of these kinds, in order."""
        return (event for event in self.events if event.kind in kinds)

    @property
    def end(self) -> Event | None:
        """The last line that says how the take ended, or None if there is none."""
        return next((event for event in reversed(self.events) if event.kind == "end"), None)

    @property
    def record_count(self) -> int:
        """How many of the engine's records the log holds."""
        events = sum(1 for event in self.events if event.n is not None)
        return events + sum(len(track) for track in self.tracks.values())
