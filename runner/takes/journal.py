"""The writer's working file: engine records as they came, until their lines are on disk.

Ticks become lines only once a beat is full, and a line may be torn by a power cut. So each record
first goes raw into ``pending-<epoch>.records``; a writer that starts again reads it and goes on
without a record lost or doubled. The file is cut back to what is still needed now and then, by
writing a new one beside it; it goes away when the take is closed.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable
from pathlib import Path

from runner.takes.files import AppendFile, write_atomically
from runner.takes.format import RECORD_SIZE, Record, RecordReader, pack_record

_NAME = re.compile(r"pending-(\d{1,6})\.records")
KEPT_BYTES = 512 * 1024  #: 8192 records, twice what the desk reads at once
COMPACT_ABOVE_BYTES = 2 * 1024 * 1024


def raw_bytes(record: Record) -> bytes:
    """Return the raw records that a record came from."""
    return pack_record(
        record.kind, record.seq, record.t_ns, record.due_ns, record.quarters,
        record.port, record.machine, record.ref, record.data,
    )  # fmt: skip


class Journal:
    """Raw records of one epoch, a stretch of unbroken numbering by the engine."""

    def __init__(self, folder: Path, epoch: int) -> None:
        self.epoch = epoch
        self._folder = folder
        self.file = AppendFile(journal_path(folder, epoch))
        self._size = 0
        self._fresh = 0

    def append(self, data: bytes) -> None:
        """Put raw records behind what is there; `file.write_out` hands them to the system."""
        self.file.append(data)
        self._size += len(data)
        self._fresh += len(data)

    def given_up(self) -> None:
        """What came so far is with the system, and but for the last read nobody has it to feed it again."""
        self._fresh = 0

    @property
    def large(self) -> bool:
        """Whether the file has grown enough to be cut back."""
        return self._size > COMPACT_ABOVE_BYTES

    def cut(self, needed: Iterable[Record]) -> None:
        """Cut the file back to `needed` and its own last part; `OSError` leaves it as it was.

        The last part holds whatever a writer that is started again may be fed once more.
        """
        self._size = 0  # whatever happens, try again only after as much again has come
        tail = read_whole(self.file.path)[-KEPT_BYTES - self._fresh :]
        older = b"".join(raw for raw in map(raw_bytes, needed) if raw not in tail)
        path = self.file.path
        write_atomically(path, older + tail, sync=False)
        waiting = AppendFile(path)
        waiting.append(self.file.take_waiting())
        self.file.close()
        self.file = waiting
        self._size = len(older) + min(len(tail), KEPT_BYTES)  # else a long last part were cut at once again

    def remove(self) -> None:
        """Close and delete the file."""
        self.file.close()
        with contextlib.suppress(OSError):
            os.unlink(self.file.path)


def journal_path(folder: Path, epoch: int) -> Path:
    """Return where the journal of an epoch lies."""
    return folder / f"pending-{epoch}.records"


def journal_files(folder: Path) -> list[tuple[int, Path]]:
    """Return the journals in a take's folder as (epoch, path), oldest epoch first."""
    try:
        names = os.listdir(folder)
    except OSError:
        return []
    return sorted((int(match[1]), folder / name) for name in names if (match := _NAME.fullmatch(name)))


def read_whole(path: Path) -> bytes:
    """Return the whole raw records of a journal; a torn tail is left out, of no file there are none."""
    try:
        data = path.read_bytes()
    except OSError:
        return b""
    return data[: len(data) - len(data) % RECORD_SIZE]


def trim_torn(path: Path) -> None:
    """Cut a torn last record off a journal, so that what is appended stays aligned."""
    with contextlib.suppress(OSError):
        size = path.stat().st_size
        if size % RECORD_SIZE:
            os.truncate(path, size - size % RECORD_SIZE)


def read_journal(path: Path) -> list[Record]:
    """Return the records of a journal; foreign bytes are left out."""
    return list(RecordReader().feed(read_whole(path)))


class Numbering:
    """Turns the engine's 32-bit sequence numbers into an `n` that only grows within a take."""

    def __init__(self, epoch: int = 0) -> None:
        self.epoch = epoch
        self._next: int | None = None

    def n_of(self, record: Record) -> int:
        """Return the record's `n`, counting a wrap-around of the engine's number as a new epoch."""
        n = (self.epoch << 32) | record.seq
        if self._next is not None and n + (1 << 31) < self._next:
            n += 1 << 32
        return n

    def lost_before(self, n: int) -> int:
        """Return how many raw records are missing between the last one noted and `n`."""
        return max(0, n - self._next) if self._next is not None else 0

    def note(self, n: int, raw_count: int) -> None:
        """Note a record as seen."""
        after = n + raw_count
        if self._next is None or after > self._next:
            self._next = after
            self.epoch = n >> 32

    def restart(self) -> None:
        """Begin a new epoch: the engine counts from anew."""
        self.epoch += 1
        self._next = None
