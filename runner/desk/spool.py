"""Reads the engine's record pipe in such a way that a killed reader loses nothing.

Bytes go from the pipe into a memory file of the keeper's by `splice`, inside the kernel: at no moment
are they only in this process. They are taken out of the memory file's reach (it is cut to nothing)
only after they were used, which for the desk means: handed to the system in the take's own files. While
a disk takes nothing, they stay, up to `KEPT_BYTES`.
A desk that is started again first reads what stands in the memory file, and drops what it had used.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator

from runner.takes.format import RECORD_SIZE, VITAL, Record, RecordReader

_CHUNK = 1 << 18
#: So much stays while the disk takes nothing: 65,536 records, minutes of four clocked ports. Of what comes
#: after that the vital records stay, for as much again.
KEPT_BYTES = 1 << 22


class RecordSpool:
    """The pipe `pipe_fd` (set non-blocking) through the memory file `spool_fd`."""

    def __init__(self, pipe_fd: int, spool_fd: int) -> None:
        os.set_blocking(pipe_fd, False)
        self._pipe = pipe_fd
        self._spool = spool_fd
        self._reader = RecordReader()
        self._read_to = 0
        self._kept = 0
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
                moved = self._move()
            except BlockingIOError:
                break
            if not moved:
                break
            self._size += moved
            found = list(self._take())
        return found

    def _move(self) -> int:
        try:
            return os.splice(self._pipe, self._spool, _CHUNK, offset_dst=self._size)
        except OSError as error:
            pending = self._reader.pending_bytes
            if error.errno not in (errno.EFBIG, errno.ENOSPC) or pending == self._size:
                raise
            # no room to keep what the disk has not taken: it is lost if this process dies now, too
            part = os.pread(self._spool, pending, self._size - pending)
            self._cut(0)
            os.pwrite(self._spool, part, 0)
            self._read_to = self._size = pending
            self._kept = 0
            return os.splice(self._pipe, self._spool, _CHUNK, offset_dst=pending)

    def used(self, safe: bool = True) -> None:
        """Forget what was read: the caller has it safe. Keeps a message of which a part is missing.

        What is used and not `safe` yet is kept for the next reader, up to a bound.
        """
        if self._reader.pending or self._read_to != self._size:
            return
        if safe:
            self._cut(0)
        elif self._size > KEPT_BYTES:
            self._keep_vital()
        self._kept = self._size

    def _cut(self, size: int) -> None:
        os.ftruncate(self._spool, size)
        self._read_to = self._size = size

    def _keep_vital(self) -> None:
        """Of what came last, keep only what the next reader cannot do without; the rest is a gap to it."""
        new = os.pread(self._spool, self._size - self._kept, self._kept)
        raw = (new[at : at + RECORD_SIZE] for at in range(0, len(new), RECORD_SIZE))
        vital = b"".join(record for record in raw if record[1] in VITAL)
        self._cut(self._kept)
        if self._kept + len(vital) <= 2 * KEPT_BYTES:
            os.pwrite(self._spool, vital, self._kept)
            self._read_to = self._size = self._kept + len(vital)

    def _take(self) -> Iterator[Record]:
        while self._read_to < self._size:
            block = os.pread(self._spool, min(_CHUNK, self._size - self._read_to), self._read_to)
            if not block:
                break
            self._read_to += len(block)
            yield from self._reader.feed(block)
