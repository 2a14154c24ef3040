"""The rows of a leg while it is being made: parallel columns that are put in order once.

A row is one message. Columns and integers instead of objects, because a song may have 200,000 rows and is
to be planned in less than a second.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate, chain
from operator import itemgetter
from typing import Any

from runner.plan.score import Voice
from runner.plan.timeline import EventColumns, EventOrder


@dataclass(slots=True)
class Rows:
    """Columns of the messages of one leg, in any order until `arrange`."""

    t_ns: list[int] = field(default_factory=list)
    order: bytearray = field(default_factory=bytearray)
    quarters: array[float] = field(default_factory=lambda: array("d"))
    shift_ns: array[int] = field(default_factory=lambda: array("q"))
    port: array[int] = field(default_factory=lambda: array("H"))
    machine: array[int] = field(default_factory=lambda: array("H"))
    source: array[int] = field(default_factory=lambda: array("I"))
    data: list[bytes] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.t_ns)

    def add(
        self,
        t_ns: int,
        quarters: float,
        shift_ns: int,
        order: EventOrder,
        port: int,
        machine: int,
        source: int,
        data: bytes,
    ) -> None:
        """Add one row."""
        self.t_ns.append(t_ns)
        self.order.append(order)
        self.quarters.append(quarters)
        self.shift_ns.append(shift_ns)
        self.port.append(port)
        self.machine.append(machine)
        self.source.append(source)
        self.data.append(data)

    def add_voice(self, voice: Voice, first: int, last: int, source: int) -> int:
        """Add rows `first` to `last` of a voice; return where they begin."""
        begin = len(self)
        offset = voice.offset_ns
        times = voice.ns[first:last]
        self.t_ns += [t_ns + offset for t_ns in times] if offset else times
        self.order += voice.order[first:last]
        self.quarters += voice.quarters[first:last]
        count = last - first
        self.shift_ns += array("q", [offset]) * count
        self.port += array("H", [voice.port]) * count
        self.machine += array("H", [voice.machine]) * count
        self.source += array("I", [source]) * count
        self.data += voice.messages[first:last]
        return begin

    def drop(self, row: int) -> None:
        """Take a row out; `arrange` removes it."""
        self.data[row] = b""

    def by_port(self) -> dict[int, list[int]]:
        """Return the rows of each port in the order in which they are sent, dropped ones left out.

        Rows go by time, then by `EventOrder`; what is equal stays as it was added.
        """
        result: dict[int, list[int]] = {number: [] for number in sorted(set(self.port))}
        for row, number in enumerate(self.port):
            result[number].append(row)
        keys = self._keys()
        dropped = b"" in self.data
        for number, rows in result.items():
            kept = [row for row in rows if self.data[row]] if dropped else rows
            result[number] = sorted(kept, key=keys.__getitem__)
        return result

    def of_port(self, port: int) -> list[int]:
        """Return the rows of one port in the order in which they are sent."""
        rows = [row for row, number in enumerate(self.port) if number == port and self.data[row]]
        return sorted(rows, key=lambda row: (self.t_ns[row], self.order[row]))

    def arrange(self, ports: Iterable[list[int]]) -> None:
        """Bring the rows of all ports, each list in order by itself, into one order; drop all others."""
        keys = self._keys()
        index = sorted(chain.from_iterable(ports), key=keys.__getitem__)
        if len(index) < 2:
            self._pick(lambda column: [column[row] for row in index])
        else:
            self._pick(itemgetter(*index))

    def _keys(self) -> list[int]:
        return [t_ns << 3 | order for t_ns, order in zip(self.t_ns, self.order, strict=True)]

    def _pick(self, pick: Callable[[Any], Iterable[Any]]) -> None:
        self.t_ns = list(pick(self.t_ns))
        self.order = bytearray(pick(self.order))
        self.quarters = array("d", pick(self.quarters))
        self.shift_ns = array("q", pick(self.shift_ns))
        self.port = array("H", pick(self.port))
        self.machine = array("H", pick(self.machine))
        self.source = array("I", pick(self.source))
        self.data = list(pick(self.data))

    def move(self, row: int, t_ns: int) -> None:
        """Send a row at another time; its musical moment stays."""
        self.shift_ns[row] += t_ns - self.t_ns[row]
        self.t_ns[row] = t_ns

    def columns(self) -> EventColumns:
        """Return the rows as the columns of a timeline."""
        starts = array("I", accumulate(map(len, self.data), initial=0))
        if len(starts):
            starts.pop()
        return EventColumns(
            t_ns=array("q", self.t_ns),
            quarters=self.quarters,
            shift_ns=self.shift_ns,
            port=self.port,
            machine=self.machine,
            source=self.source,
            start=starts,
            data=bytearray(b"".join(self.data)),
        )


@dataclass(slots=True)
class Sources:
    """The texts that say where rows come from, each once."""

    texts: list[str] = field(default_factory=list)
    _known: dict[str, int] = field(default_factory=dict)

    def index(self, text: str) -> int:
        """Return the number of a text."""
        number = self._known.get(text)
        if number is None:
            number = self._known[text] = len(self.texts)
            self.texts.append(text)
        return number


@dataclass(frozen=True, slots=True)
class Draft:
    """Messages that are yet to be given their time: one unbroken group to one port.

    `t_ns` is the moment, offset included, by which it must be in force; `settle_ns` what the machine needs
    before that. `channel` is 0 to 15, or -1 for a message that is not on a channel.
    """

    t_ns: int
    quarters: Fraction
    shift_ns: int  #: of `t_ns` against the time of `quarters`
    settle_ns: int
    order: EventOrder
    port: int
    machine: int
    source: str
    messages: tuple[bytes, ...]
    channel: int = -1

    @property
    def size(self) -> int:
        """Bytes of all its messages."""
        return sum(map(len, self.messages))

    @property
    def is_sysex(self) -> bool:
        """Whether it is a system exclusive message."""
        return self.messages[0][0] == 0xF0
