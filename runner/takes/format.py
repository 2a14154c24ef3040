"""The records that the engine writes for the desk: 64 bytes each, down one pipe.

Fixed size, so that a reader that starts again after a crash is always aligned, and a write of whole
records is atomic (64 bytes are far below PIPE_BUF). A message longer than `DATA_SIZE` bytes takes
several records, all but the last with `FLAG_MORE`; they are written next to each other.

Little-endian layout: magic u8, kind u8, length u8, flags u8, seq u32, t_ns i64, due_ns i64,
quarters f64, port u16, machine u16, ref u32, data 24 bytes.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

RECORD_SIZE = 64
DATA_SIZE = 24
MAGIC = 0xA7
NONE16 = 0xFFFF  #: no port, or no machine
KEEPER_GONE = "the keeper process is gone"  #: why a take ended when engine and desk lost their parent
FLAG_MORE = 0x01  #: the next record carries on with this one's data

_STRUCT = struct.Struct("<BBBBIqqdHHI24s")
assert _STRUCT.size == RECORD_SIZE


class Kind(IntEnum):
    """What a record tells."""

    SENT = 1  #: a message was handed to a port; ref is the index of its source in the timeline
    RECEIVED = 2  #: a message came in; ref is how many clocks had come before it since the port was opened
    TICK_SENT = 3  #: one clock byte was handed to a port; ref is its number in the roll
    TICK_RECEIVED = 4  #: one clock byte came in; ref is its number since the port was opened
    STATE = 5  #: the player changed state; data is JSON {"state", "why", ...}
    FINDING = 6  #: something the engine noticed; data is JSON
    DROPPED = 7  #: ref records could not be written because the pipe was full
    SEND_FAILED = 8  #: the port refused a message; data is the message
    SLOW_SEND = 9  #: the port held the engine up; ref is how long, in us
    PRESENCE = 10  #: a port came or went; data is JSON {"port", "present", ...}
    REFUSED = 11  #: a command that made no sense in the present state; data is JSON
    TAKE_BEGIN = 12  #: data is JSON: take folder key, anchor_ns, declared facts
    TAKE_END = 13  #: data is JSON: why
    BAD_INPUT = 14  #: ref bytes that are no MIDI came in since the last such record
    BEAT = 15  #: the loop is alive; data is JSON status for people
    CUT = 16  #: a Note Off or mode message that silences what sounded; as SENT


#: What a reader cannot do without: where a take begins and ends, and that another engine goes on.
VITAL = frozenset((Kind.STATE, Kind.FINDING, Kind.PRESENCE, Kind.TAKE_BEGIN, Kind.TAKE_END))


@dataclass(frozen=True, slots=True)
class Record:
    """One record as read: a whole message even where it took several raw records.

    `t_ns` is monotonic time of the fact, `due_ns` when it should have been (0: nothing was due),
    `quarters` the song position or NaN, `port` and `machine` indices into the roll's lists or `NONE16`.
    `seq` is the number of the first raw record, `raw_count` how many it took.
    """

    kind: Kind
    seq: int
    t_ns: int
    due_ns: int = 0
    quarters: float = math.nan
    port: int = NONE16
    machine: int = NONE16
    ref: int = 0
    data: bytes = b""
    raw_count: int = 1

    def json(self) -> dict[str, Any]:
        """Return the data of a record whose kind carries JSON."""
        value = json.loads(self.data)
        if not isinstance(value, dict):
            raise ValueError(f"record {self.seq}: JSON data is not an object")
        return value


def pack_record(
    kind: int,
    seq: int,
    t_ns: int,
    due_ns: int = 0,
    quarters: float = math.nan,
    port: int = NONE16,
    machine: int = NONE16,
    ref: int = 0,
    data: bytes = b"",
) -> bytes:
    """Return one record, or several in a row if `data` is longer than `DATA_SIZE` (seq counts each)."""
    if len(data) <= DATA_SIZE:
        return _STRUCT.pack(
            MAGIC, kind, len(data), 0, seq & 0xFFFFFFFF, t_ns, due_ns, quarters, port, machine, ref, data
        )
    pieces = [data[i : i + DATA_SIZE] for i in range(0, len(data), DATA_SIZE)]
    last = len(pieces) - 1
    return b"".join(
        _STRUCT.pack(
            MAGIC,
            kind,
            len(piece),
            FLAG_MORE if i < last else 0,
            (seq + i) & 0xFFFFFFFF,
            t_ns,
            due_ns,
            quarters,
            port,
            machine,
            ref,
            piece,
        )
        for i, piece in enumerate(pieces)
    )


def record_count(data_length: int) -> int:
    """Return how many raw records a message of `data_length` bytes takes."""
    return max(1, -(-data_length // DATA_SIZE))


_KINDS = {int(kind): kind for kind in Kind}


class RecordReader:
    """Turns a stream of raw records, cut anywhere, into whole `Record`s.

    Bytes that are no record (wrong magic or unknown kind) are counted in `bad`, never raised.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._open: Record | None = None
        self.bad = 0

    @property
    def pending(self) -> bool:
        """Whether a part of a record or of a longer message has come and the rest has not."""
        return self.pending_bytes > 0

    @property
    def pending_bytes(self) -> int:
        """How many of the bytes that came last are such a part."""
        return len(self._rest) + (self._open.raw_count * RECORD_SIZE if self._open is not None else 0)

    def feed(self, block: bytes) -> Iterator[Record]:
        """Yield each record that `block` completes."""
        data = self._rest + block
        whole = len(data) - len(data) % RECORD_SIZE
        self._rest = data[whole:]
        for fields in _STRUCT.iter_unpack(data[:whole]):
            magic, number, length, flags, seq, t_ns, due_ns, quarters, port, machine, ref, piece = fields
            kind = _KINDS.get(number)
            if magic != MAGIC or kind is None or length > DATA_SIZE:
                self.bad += 1
                continue
            begun, count = self._open, 1
            piece = piece[:length]
            if begun is not None and begun.kind == kind and begun.t_ns == t_ns:
                seq, piece, count = begun.seq, begun.data + piece, begun.raw_count + 1
            record = Record(kind, seq, t_ns, due_ns, quarters, port, machine, ref, piece, count)
            if flags & FLAG_MORE:
                self._open = record
            else:
                self._open = None
                yield record
