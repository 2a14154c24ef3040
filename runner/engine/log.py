"""The engine's end of the record pipe: never blocks, counts what it had to drop."""

from __future__ import annotations

import json
import math
import os
import struct
from collections.abc import Mapping
from typing import Any, Protocol

from runner.takes.format import NONE16, RECORD_SIZE, VITAL, Kind, pack_record, record_count

_BATCH = 4096 // RECORD_SIZE * RECORD_SIZE  #: PIPE_BUF: a write of this size is whole or not at all
_NUMBERED = struct.Struct("<BI")  # whether an engine has written anything, and the number that comes next
NUMBER_BYTES = _NUMBERED.size
#: So much of what is vital waits for room; more than any take has in the time a desk may be silent.
_KEPT_BYTES = 65_536


class Sink(Protocol):
    """Where packed records go."""

    def write(self, block: bytes) -> bool:
        """Take a block of whole records; False if there is no room and nothing was taken."""


class PipeSink:
    """A non-blocking pipe."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        os.set_blocking(fd, False)

    def write(self, block: bytes) -> bool:
        """Write PIPE_BUF bytes at a time, so that no record is ever cut; a long sysex may lose its end."""
        try:
            for at in range(0, len(block), _BATCH):
                os.write(self._fd, block[at : at + _BATCH])
        except (BlockingIOError, BrokenPipeError):
            return False
        return True


class MemorySink:
    """Keeps everything; for tests, dry runs and replays."""

    def __init__(self) -> None:
        self.data = bytearray()

    def write(self, block: bytes) -> bool:
        """Take it."""
        self.data += block
        return True


class RecordLog:
    """Numbers records and hands them on in batches.

    `add` only packs; `flush` writes. What does not fit is counted in `dropped`, and the next record that is
    added is preceded by one that tells the count, so that a gap in the record explains itself. Records that
    the reader cannot do without are not dropped but kept, and go before all later ones.
    """

    def __init__(self, sink: Sink, first_seq: int = 1) -> None:
        self._sink = sink
        self._seq = first_seq
        self._kept: list[bytes] = []
        self._waiting: list[bytes] = []
        self._telling: tuple[int, int] | None = None  #: place in `_waiting` and number of the count's record
        self._untold = 0
        self._number: memoryview | None = None
        self.dropped = 0

    def keep_number_in(self, memory: memoryview) -> None:
        """Keep the number of the next record in `NUMBER_BYTES` that outlive this process."""
        self._number = memory

    def go_on(self) -> bool:
        """Number on from where a dead engine was, so that what it numbered and nobody got is a gap to the
        reader; False, and nothing done, if there was none.
        """
        if self._number is None:
            return False
        begun, seq = _NUMBERED.unpack(self._number)
        if begun:
            self._seq = seq
        return bool(begun)

    @property
    def next_seq(self) -> int:
        """The number that the next record gets."""
        return self._seq

    def add(
        self,
        kind: Kind,
        t_ns: int,
        due_ns: int = 0,
        quarters: float = math.nan,
        port: int = NONE16,
        machine: int = NONE16,
        ref: int = 0,
        data: bytes = b"",
    ) -> None:
        """Pack one record; nothing is written yet. Arguments as in `runner.takes.format.Record`."""
        if self._untold and self._telling is None:
            self._telling = (len(self._waiting), self._seq)
            self._waiting.append(b"")  # packed when it is written, with the count as it is then
            self._seq += 1
        block = pack_record(kind, self._seq, t_ns, due_ns, quarters, port, machine, ref & 0xFFFFFFFF, data)
        self._seq += record_count(len(data))
        self._waiting.append(block)

    def add_json(
        self, kind: Kind, t_ns: int, data: Mapping[str, Any], quarters: float = math.nan, port: int = NONE16
    ) -> None:
        """Pack a record whose data is a JSON object."""
        text = json.dumps(data, separators=(",", ":")).encode()
        self.add(kind, t_ns, quarters=quarters, port=port, data=text)

    def flush(self, now_ns: int) -> None:
        """Write what waits. What the pipe has no room for is dropped and counted, or kept if it is vital."""
        if not self._waiting and not self._kept:
            return
        telling = self._telling
        if telling is not None:
            place, seq = telling
            self._waiting[place] = pack_record(Kind.DROPPED, seq, now_ns, ref=self._untold)
        blocks = [*self._kept, *self._waiting] if self._kept else self._waiting
        if self._number is not None:  # before they are written: a number must never be given twice
            _NUMBERED.pack_into(self._number, 0, 1, self._seq & 0xFFFFFFFF)
        written = self._write(blocks)
        if telling is not None and written > len(self._kept) + telling[0]:
            self._untold = 0
        self._kept, self._waiting, self._telling = [], [], None
        if written < len(blocks):
            self._keep(blocks[written:])

    def _write(self, blocks: list[bytes]) -> int:
        """Write blocks in batches; return how many were taken."""
        batch: list[bytes] = []
        size = taken = 0
        for block in blocks:
            if batch and size + len(block) > _BATCH:
                if not self._sink.write(b"".join(batch)):
                    return taken
                taken += len(batch)
                batch, size = [], 0
            batch.append(block)
            size += len(block)
        return taken + len(batch) if self._sink.write(b"".join(batch)) else taken

    def _keep(self, blocks: list[bytes]) -> None:
        """Keep what is vital of what found no room, and count the rest."""
        size = 0
        for block in blocks:
            kind = block[1]
            if kind in VITAL and size + len(block) <= _KEPT_BYTES:
                self._kept.append(block)
                size += len(block)
            elif kind != Kind.DROPPED:  # that one's count is told again
                self.dropped += 1
                self._untold += 1
