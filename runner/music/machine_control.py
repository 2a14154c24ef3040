"""MIDI Machine Control as bytes: commands to a recorder, and what it answers. Pure.

Layouts: MMA RP-013 v1.00. A command is ``F0 7F device 06 commands F7``, an answer ``F0 7F device 07 fields
F7`` (pp. 1-5); several commands fit into one message, 48 bytes at most. Codes 01 to 3F stand alone, 40 to
77 have a count byte and so much data, 78 to 7F stand alone. In an answer, fields 01 to 1F are times of five
bytes, 20 to 3F times of two (from memory). Motion control tally and record status are read as written down
in `Motion` and `RecordStatus` (from memory: no source was at hand for their bits), and the readers take no
more from them than they must.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

from runner.music.mtc import read_time, time_bytes
from runner.music.timecode import TimeCode

ALL_DEVICES = 0x7F
MOST_DATA = 48  #: bytes between the head and F7 (RP-013, p. 2)
_COMMAND, _RESPONSE = 0x06, 0x07
_TIME_TARGET = 0x01  #: the form of LOCATE that carries a time (p. 28)
_STATUS_FLAG = 0x20  #: in the frames byte: the last byte holds flags, not hundredths (App. A ex. 1)


class Mmc(IntEnum):
    """Commands (RP-013, sections 4 and 5)."""

    STOP = 0x01
    PLAY = 0x02
    DEFERRED_PLAY = 0x03  #: plays when a locate under way has ended, else at once
    FAST_FORWARD = 0x04
    REWIND = 0x05
    RECORD_STROBE = 0x06  #: punch in when playing; from a stop, play and record
    RECORD_EXIT = 0x07
    RECORD_PAUSE = 0x08
    PAUSE = 0x09
    CHASE = 0x0B
    WRITE = 0x40
    READ = 0x42
    LOCATE = 0x44
    WAIT = 0x7C
    RESUME = 0x7F


class Field(IntEnum):
    """Information fields that are read from a recorder (from memory, but for the first)."""

    TIME_CODE = 0x01
    RESPONSE_ERROR = 0x42
    COMMAND_ERROR = 0x43
    MOTION = 0x48
    RECORD_STATUS = 0x4D


NO_PROCESS = 0x7F  #: in a tally: no locate or chase is under way


@dataclass(frozen=True, slots=True)
class Command:
    """One command of a message, with its data."""

    code: int
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Motion:
    """A motion control tally: what the transport does.

    `state` is the code of the command that it obeys (01 stop, 02 play, 04, 05 winding, 09 pause); `process`
    44 for a locate, 0B for a chase, 7F for none; `locating` and `located` are read from the high half of
    the last byte: 0 while it is under way, 1 when it has ended well.
    """

    state: int
    process: int = NO_PROCESS
    success: int = 0x01

    @property
    def playing(self) -> bool:
        """Whether it plays, at its speed."""
        return self.state == Mmc.PLAY and self.success & 0x07 == 1

    @property
    def locating(self) -> bool:
        """Whether a locate is under way."""
        return self.process == Mmc.LOCATE and self.success >> 4 & 0x07 == 0

    @property
    def locate_failed(self) -> bool:
        """Whether a locate has ended without reaching its place."""
        return self.process == Mmc.LOCATE and self.success >> 4 & 0x07 > 1


@dataclass(frozen=True, slots=True)
class RecordStatus:
    """What a recorder says of its recording."""

    value: int

    @property
    def recording(self) -> bool:
        """Whether tracks are being recorded."""
        return self.value & 0x0F == 1

    @property
    def inhibited(self) -> bool:
        """Whether a switch on the machine forbids it."""
        return bool(self.value & 0x10)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A response error or a command error: the machine does not know a field or a command."""

    field: int
    data: bytes


Answer = Motion | RecordStatus | TimeCode | Refusal


def command(device: int, *cells: bytes) -> bytes:
    """Return one message with the given commands (`cell`, `locate`, `read`), in their order.

    ValueError for a device that is none, or more than a message holds.
    """
    if not 0 <= device <= ALL_DEVICES:
        raise ValueError(f"a device is 0 to 126, or 127 for all, got {device}")
    body = b"".join(cells)
    if not 0 < len(body) <= MOST_DATA:
        raise ValueError(f"a machine control message holds 1 to {MOST_DATA} bytes, got {len(body)}")
    return bytes((0xF0, 0x7F, device, _COMMAND)) + body + b"\xf7"


def cell(code: Mmc) -> bytes:
    """Return a command that carries no data."""
    if 0x40 <= code <= 0x77:
        raise ValueError(f"{code.name} needs data")
    return bytes((code,))


def locate(code: TimeCode) -> bytes:
    """Return the command that locates to a time (p. 28); hundredths of a frame are 0."""
    return bytes((Mmc.LOCATE, 6, _TIME_TARGET, *time_bytes(code), 0))


def read(*fields: Field) -> bytes:
    """Return the command that asks for information fields."""
    return bytes((Mmc.READ, len(fields), *fields))


def read_commands(data: bytes) -> tuple[int, list[Command]] | None:
    """Return device and commands of a message; None if it is none, ValueError if it is cut short."""
    body = _body(data, _COMMAND)
    return None if body is None else (data[2], list(_cells(body)))


def locate_target(data: bytes) -> TimeCode | None:
    """Return the time in the data of a LOCATE; None if it goes to a stored point, or is no time."""
    if len(data) != 6 or data[0] != _TIME_TARGET:
        return None
    try:
        return read_time(*data[1:5])
    except ValueError:
        return None


def answer(device: int, *fields: bytes) -> bytes:
    """Return one message with the given fields (`motion_field` and its like), as a recorder sends it."""
    return bytes((0xF0, 0x7F, device, _RESPONSE)) + b"".join(fields) + b"\xf7"


def motion_field(motion: Motion) -> bytes:
    """Return the field of a motion control tally."""
    return bytes((Field.MOTION, 3, motion.state, motion.process, motion.success))


def record_field(status: RecordStatus) -> bytes:
    """Return the field of a record status."""
    return bytes((Field.RECORD_STATUS, 1, status.value))


def time_field(code: TimeCode) -> bytes:
    """Return the field of the selected time code, with flags (none set) in its last byte."""
    hours, minutes, seconds, frames = time_bytes(code)
    return bytes((Field.TIME_CODE, hours, minutes, seconds, frames | _STATUS_FLAG, 0))


def refusal_field(unknown: int) -> bytes:
    """Return the response error for a field that is not supported."""
    return bytes((Field.RESPONSE_ERROR, 2, 0x40, unknown))


def read_answers(data: bytes) -> tuple[int, list[Answer]] | None:
    """Return device and what it answers; None if `data` is no answer. What is not known is passed over."""
    body = _body(data, _RESPONSE)
    return None if body is None else (data[2], list(_answers(body)))


def _body(data: bytes, sub_id: int) -> bytes | None:
    if len(data) < 6 or data[:2] != b"\xf0\x7f" or data[3] != sub_id or data[-1] != 0xF7:
        return None
    return data[4:-1]


def _cells(body: bytes) -> Iterator[Command]:
    at = 0
    while at < len(body):
        code = body[at]
        counted = 0x40 <= code <= 0x77
        size = 2 + body[at + 1] if counted and at + 1 < len(body) else 1
        if code == 0 or (counted and (at + 1 >= len(body) or at + size > len(body))):
            raise ValueError(f"machine control {body.hex(' ').upper()} is cut short")
        yield Command(code, body[at + 2 : at + size])
        at += size


def _answers(body: bytes) -> Iterator[Answer]:
    at = 0
    while at < len(body):
        name = body[at]
        if 0x01 <= name <= 0x1F:
            start, size = at + 1, 5
        elif 0x20 <= name <= 0x3F:
            start, size = at + 1, 2
        elif 0x40 <= name <= 0x77 and at + 1 < len(body):
            start, size = at + 2, body[at + 1]
        else:
            start, size = at + 1, 0
        data = body[start : start + size]
        at = start + size
        if len(data) < size:
            return
        found = _answer(name, data)
        if found is not None:
            yield found


def _answer(name: int, data: bytes) -> Answer | None:
    if name == Field.TIME_CODE:
        try:
            return read_time(*data[:4])
        except ValueError:
            return None
    if name == Field.MOTION and len(data) >= 3:
        return Motion(*data[:3])
    if name == Field.RECORD_STATUS and data:
        return RecordStatus(data[0])
    if name in (Field.RESPONSE_ERROR, Field.COMMAND_ERROR):
        return Refusal(name, data)
    return None
