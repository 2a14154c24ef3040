"""The rows of a leg while it is being made: parallel columns that are sorted once.

A row is one message. Columns and integers instead of objects, because a song may have 200,000 rows and is
to be planned in less than a second.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate

from runner.plan.score import Voice
from runner.plan.timeline import EventColumns, EventOrder


@dataclass(slots=True)
class Rows:
    """Columns of the messages of one leg, in any order until `sort`."""

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
        """Take a row out; `sort` removes it."""
        self.data[row] = b""

    def sort(self) -> None:
        """Put the rows in the order in which they are sent: by time, then `order`, else as added."""
        keys = [t_ns << 3 | order for t_ns, order in zip(self.t_ns, self.order, strict=True)]
        chosen: Sequence[int]
        if b"" in self.data:
            chosen = [row for row, data in enumerate(self.data) if data]
        else:
            chosen = range(len(keys))
        index = sorted(chosen, key=keys.__getitem__)
        if len(index) == len(keys) and all(row == at for at, row in enumerate(index)):
            return
        self.t_ns = [self.t_ns[row] for row in index]
        self.order = bytearray([self.order[row] for row in index])
        self.quarters = array("d", [self.quarters[row] for row in index])
        self.shift_ns = array("q", [self.shift_ns[row] for row in index])
        self.port = array("H", [self.port[row] for row in index])
        self.machine = array("H", [self.machine[row] for row in index])
        self.source = array("I", [self.source[row] for row in index])
        self.data = [self.data[row] for row in index]

    def of_port(self, port: int) -> list[int]:
        """Return the rows of one port, in their order."""
        return [row for row, number in enumerate(self.port) if number == port]

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
