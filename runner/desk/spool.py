"""Reads the engine's record pipe in such a way that a killed reader loses nothing.

Bytes go from the pipe into a memory file of the keeper's by `splice`, inside the kernel: at no moment
are they only in this process. They are taken out of the memory file's reach (it is cut to nothing)
only after they were used, which for the desk means: handed to the system in the take's own files.
A desk that is started again first reads what stands in the memory file, and drops what it had used.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

from runner.takes.format import Record, RecordReader

_CHUNK = 1 << 18


class RecordSpool:
    """The pipe `pipe_fd` (set non-blocking) through the memory file `spool_fd`."""

    def __init__(self, pipe_fd: int, spool_fd: int) -> None:
        os.set_blocking(pipe_fd, False)
        self._pipe = pipe_fd
        self._spool = spool_fd
        self._reader = RecordReader()
        self._read_to = 0
        self._size = os.fstat(spool_fd).st_size

    @property
    def fd(self) -> int:
        """The pipe's descriptor, to watch."""
        return self._pipe

    @property
    def bad(self) -> int:
        """Raw records that were none."""
        return self._reader.bad

    def left_over(self) -> list[Record]:
        """Return the records that stand in the memory file from before this process; some were used."""
        return list(self._take())

    def read(self) -> list[Record]:
        """Return records that have come in, none only if the pipe is empty; never waits."""
        found: list[Record] = []
        while not found:  # a read may bring no more than a part of a message
            try:
                moved = os.splice(self._pipe, self._spool, _CHUNK, offset_dst=self._size)
            except BlockingIOError:
                break
            if not moved:
                break
            self._size += moved
            found = list(self._take())
        return found

    def used(self) -> None:
        """Forget what was read: the caller has it safe. Keeps a message of which a part is missing."""
        if self._reader.pending or self._read_to != self._size:
            return
        os.ftruncate(self._spool, 0)
        self._read_to = self._size = 0

    def _take(self) -> Iterator[Record]:
        while self._read_to < self._size:
            block = os.pread(self._spool, min(_CHUNK, self._size - self._read_to), self._read_to)
            if not block:
                break
            self._read_to += len(block)
            yield from self._reader.feed(block)
