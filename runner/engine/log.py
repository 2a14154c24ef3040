"""The engine's end of the record pipe: never blocks, counts what it had to drop."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from typing import Any, Protocol

from runner.takes.format import NONE16, RECORD_SIZE, Kind, pack_record, record_count

_BATCH = 4096 // RECORD_SIZE * RECORD_SIZE  #: PIPE_BUF: a write of this size is whole or not at all


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

    `add` only packs; `flush` writes. What does not fit is counted in `dropped`, and the next record that
    does fit is preceded by one that tells the count, so that a gap in the record explains itself.
    """

    def __init__(self, sink: Sink, first_seq: int = 1) -> None:
        self._sink = sink
        self._seq = first_seq
        self._waiting: list[bytes] = []
        self._size = 0
        self._untold = 0
        self.dropped = 0

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
        block = pack_record(kind, self._seq, t_ns, due_ns, quarters, port, machine, ref & 0xFFFFFFFF, data)
        self._seq += record_count(len(data))
        self._waiting.append(block)
        self._size += len(block)

    def add_json(
        self, kind: Kind, t_ns: int, data: Mapping[str, Any], quarters: float = math.nan, port: int = NONE16
    ) -> None:
        """Pack a record whose data is a JSON object."""
        text = json.dumps(data, separators=(",", ":")).encode()
        self.add(kind, t_ns, quarters=quarters, port=port, data=text)

    def flush(self, now_ns: int) -> None:
        """Write what waits. What the pipe has no room for is dropped and counted, never kept."""
        if not self._waiting:
            return
        if self._untold and not self._tell(now_ns):
            self._drop(len(self._waiting))
        else:
            self._write_waiting()
        self._waiting = []
        self._size = 0

    def _tell(self, now_ns: int) -> bool:
        block = pack_record(Kind.DROPPED, self._seq, now_ns, ref=self._untold)
        if not self._sink.write(block):
            return False
        self._seq += 1
        self._untold = 0
        return True

    def _write_waiting(self) -> None:
        if self._size <= _BATCH:
            if not self._sink.write(b"".join(self._waiting)):
                self._drop(len(self._waiting))
            return
        batch: list[bytes] = []
        size = 0
        for at, block in enumerate([*self._waiting, b""]):
            if batch and (size + len(block) > _BATCH or not block):
                if not self._sink.write(b"".join(batch)):
                    self._drop(len(self._waiting) - at + len(batch))
                    return
                batch, size = [], 0
            batch.append(block)
            size += len(block)

    def _drop(self, count: int) -> None:
        self.dropped += count
        self._untold += count
