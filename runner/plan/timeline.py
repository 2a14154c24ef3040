"""The compiled form of a song: everything that is to be sent, in order, as columns.

A `Timeline` is one leg: an uninterrupted stretch of a song. Times in it are ns from bar 1 beat 1 of
the song (negative before it), offsets already applied, so that the player only adds one anchor. Each
event also keeps its musical moment (`quarters`) and what was added to it (`shift_ns`), so that a player
that follows another machine's clock can ask for the predicted time of the moment instead.

A `Course` strings legs together: a plain song is one leg; a loop is a leg that repeats; a set without
a gap is one leg after another. Columns instead of objects: an hour of 100,000 notes has 200,000
events, which must be compiled in a second, sent to the engine at once and held in a few megabytes.
"""

from __future__ import annotations

import json
import struct
from array import array
from dataclasses import asdict, dataclass, field
from enum import IntEnum
from typing import Any

NO_MACHINE = 0xFFFF


class EventOrder(IntEnum):
    """What goes first among events of one instant on one port."""

    TRANSPORT = 0
    CLOCK = 1
    PROGRAM = 2
    CONTROL = 3
    NOTE_OFF = 4
    NOTE_ON = 5


class Stage(IntEnum):
    """The stretches of a roll, in the order in which they come."""

    LEAD = 0  #: clock runs, nothing has been started
    PRE_ROLL = 1
    SONG = 2
    TAIL = 3
    END = 4


@dataclass(frozen=True, slots=True)
class ClockRole:
    """The clock that one port gets: ticks `first` to `last` (exclusive) of the leg's grid, shifted."""

    port: int
    shift_ns: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class TimeCodeRole:
    """The time code that one port gets: the quarter frames from `first_ns` to `last_ns` of song time.

    `rate` is the value of a `FrameRate`, `origin` the frame of the day at song time 0. `before_ns` and
    `after_ns` are what a quarter frame keeps clear before, and what it lets pass behind, a clock of the same
    wire, whose shift is `clock_shift_ns`; 0 where no clock goes.
    """

    port: int
    machine: int
    source: int
    shift_ns: int
    rate: str
    origin: int
    first_ns: int
    last_ns: int
    clock_shift_ns: int = 0
    before_ns: int = 0
    after_ns: int = 0


@dataclass(frozen=True, slots=True)
class StageMark:
    """The moment at which a stage of the roll begins; `shift_ns` is for stages set in seconds."""

    stage: Stage
    quarters: float
    t_ns: int


@dataclass(slots=True)
class EventColumns:
    """Events sorted by time, then `EventOrder`, as parallel columns."""

    t_ns: array[int] = field(default_factory=lambda: array("q"))
    quarters: array[float] = field(default_factory=lambda: array("d"))
    shift_ns: array[int] = field(default_factory=lambda: array("q"))
    port: array[int] = field(default_factory=lambda: array("H"))
    machine: array[int] = field(default_factory=lambda: array("H"))
    source: array[int] = field(default_factory=lambda: array("I"))  #: index into `Timeline.sources`
    start: array[int] = field(default_factory=lambda: array("I"))  #: where the event's bytes begin in `data`
    data: bytearray = field(default_factory=bytearray)

    def __len__(self) -> int:
        return len(self.t_ns)

    def append(
        self, t_ns: int, quarters: float, shift_ns: int, port: int, machine: int, source: int, data: bytes
    ) -> None:
        """Add an event after the last one; the caller keeps the order."""
        self.t_ns.append(t_ns)
        self.quarters.append(quarters)
        self.shift_ns.append(shift_ns)
        self.port.append(port)
        self.machine.append(machine)
        self.source.append(source)
        self.start.append(len(self.data))
        self.data += data

    def bytes_of(self, index: int) -> bytes:
        """The bytes of event `index`: one MIDI message, or one piece of a cut sysex."""
        end = self.start[index + 1] if index + 1 < len(self.start) else len(self.data)
        return bytes(self.data[self.start[index] : end])


_COLUMNS = ("t_ns", "quarters", "shift_ns", "port", "machine", "source", "start")


@dataclass(slots=True)
class Timeline:
    """One leg of a song, ready for the player.

    `entry_ns` and `exit_ns` are where the leg joins its neighbours (song time); `start_ns` is the
    earliest thing that it does (before `entry_ns` when programs or early machines need it).
    `clock_ns[i]` is song time of tick i of the leg's grid and `clock_quarters0` the position of tick 0;
    ticks are exactly 1/24 quarter apart. Once sent, a timeline is never changed.
    """

    song: str
    ports: tuple[str, ...]
    machines: tuple[str, ...]
    sources: tuple[str, ...]
    start_ns: int
    entry_ns: int
    exit_ns: int
    entry_quarters: float
    exit_quarters: float
    clock_quarters0: float
    clock_ns: array[int]
    clocks: tuple[ClockRole, ...]
    stages: tuple[StageMark, ...]
    events: EventColumns
    exit_silence: bool = True  #: at the end of the leg, what still sounds is silenced
    time_codes: tuple[TimeCodeRole, ...] = ()
    time_code: str = ""  #: of bar 1, as the session writes it; empty for 01:00:00:00

    def pack(self) -> bytes:
        """Return the leg as one block of bytes: a JSON head, then the columns as they lie in memory."""
        columns: list[bytes] = [getattr(self.events, name).tobytes() for name in _COLUMNS]
        blocks = [self.clock_ns.tobytes(), *columns, bytes(self.events.data)]
        head = {
            "song": self.song,
            "ports": self.ports,
            "machines": self.machines,
            "sources": self.sources,
            "times": [self.start_ns, self.entry_ns, self.exit_ns],
            "quarters": [self.entry_quarters, self.exit_quarters, self.clock_quarters0],
            "clocks": [[c.port, c.shift_ns, c.first, c.last] for c in self.clocks],
            "stages": [[int(s.stage), s.quarters, s.t_ns] for s in self.stages],
            "exit_silence": self.exit_silence,
            "time_code": self.time_code,
            "time_codes": [asdict(role) for role in self.time_codes],
            "sizes": [len(block) for block in blocks],
        }
        text = json.dumps(head, separators=(",", ":")).encode()
        return struct.pack("<I", len(text)) + text + b"".join(blocks)

    @classmethod
    def unpack(cls, block: bytes) -> Timeline:
        """Return the leg that `pack` wrote; both sides are the same build on the same machine."""
        (size,) = struct.unpack_from("<I", block)
        head: dict[str, Any] = json.loads(block[4 : 4 + size])
        view = memoryview(block)[4 + size :]
        pieces: list[memoryview] = []
        at = 0
        for length in head["sizes"]:
            pieces.append(view[at : at + length])
            at += length
        clock_ns = array("q")
        clock_ns.frombytes(pieces[0])
        events = EventColumns()
        for name, piece in zip(_COLUMNS, pieces[1:-1], strict=True):
            getattr(events, name).frombytes(piece)
        events.data += pieces[-1]
        start_ns, entry_ns, exit_ns = head["times"]
        entry_quarters, exit_quarters, clock_quarters0 = head["quarters"]
        return cls(
            song=head["song"],
            ports=tuple(head["ports"]),
            machines=tuple(head["machines"]),
            sources=tuple(head["sources"]),
            start_ns=start_ns,
            entry_ns=entry_ns,
            exit_ns=exit_ns,
            entry_quarters=entry_quarters,
            exit_quarters=exit_quarters,
            clock_quarters0=clock_quarters0,
            clock_ns=clock_ns,
            clocks=tuple(ClockRole(*row) for row in head["clocks"]),
            stages=tuple(StageMark(Stage(stage), quarters, t_ns) for stage, quarters, t_ns in head["stages"]),
            events=events,
            exit_silence=head["exit_silence"],
            time_code=head["time_code"],
            time_codes=tuple(TimeCodeRole(**role) for role in head["time_codes"]),
        )


@dataclass(frozen=True, slots=True)
class Leg:
    """A timeline and how often it is played: `repeats` passes, or 0 for until told to go on."""

    timeline: Timeline
    repeats: int = 1


@dataclass(frozen=True, slots=True)
class Course:
    """The legs of one roll, in order; each begins exactly where the one before it ends."""

    legs: tuple[Leg, ...]

    def pack(self) -> bytes:
        """Return the course as one block of bytes."""
        blocks = [leg.timeline.pack() for leg in self.legs]
        head = struct.pack("<I", len(blocks))
        rows = b"".join(
            struct.pack("<IQ", leg.repeats, len(block)) for leg, block in zip(self.legs, blocks, strict=True)
        )
        return head + rows + b"".join(blocks)

    @classmethod
    def unpack(cls, block: bytes) -> Course:
        """Return the course that `pack` wrote."""
        (count,) = struct.unpack_from("<I", block)
        at = 4 + 12 * count
        legs: list[Leg] = []
        for index in range(count):
            repeats, length = struct.unpack_from("<IQ", block, 4 + 12 * index)
            legs.append(Leg(Timeline.unpack(block[at : at + length]), repeats))
            at += length
        return cls(tuple(legs))
