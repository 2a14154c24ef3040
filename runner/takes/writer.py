"""Writes a take while it runs, in the desk: engine records in, files out; never a wait, never a raise.

Every record is handed to the system as soon as it comes, so a killed desk loses nothing that it had
read; a sync to the medium follows at every state change and each `SYNC_EVERY_NS`, from a thread of
its own, so that a power cut costs at most a second and a slow card never holds up the reading.
A full or vanished disk stops the log only: what cannot be written is kept in memory up to
`MAX_WAITING_BYTES` and offered again each second; beyond that, records are counted as lost.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner.errors import TakeFormatError
from runner.takes.files import AppendFile, Syncer
from runner.takes.format import RECORD_SIZE, VITAL, Kind, Record
from runner.takes.journal import Journal, Numbering, journal_files, raw_bytes, read_journal, trim_torn
from runner.takes.lines import TICK_KINDS, AtText, BeatLines, TakeHeader, dump_line, event_line
from runner.takes.reader import CLOCK_FILE, EVENTS_FILE, read_header, tail_marks

#: A power cut costs what came since the last whole sync began: this, the desk's turn (0.1 s), and the sync
#: itself, which may take half a second (what `check --live` calls a slow card) before that makes a second.
SYNC_EVERY_NS = 400_000_000
FOLDERS_ABOVE = 4  #: pass, song, session, and the takes folder
RETRY_EVERY_NS = 1_000_000_000
WRITE_ABOVE_BYTES = 256 * 1024
MAX_WAITING_BYTES = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class LogState:
    """How the log stands: `stopped` with the reason while the disk takes nothing; `lost` records so far."""

    stopped: bool
    reason: str
    lost: int


class TakeWriter:
    """The log of one take. Feed it every record from the roll's begin to its end, then close it.

    `at_text` gives the text of a song position. The folder must exist. Nothing here raises for a
    disk that does not take data; `state` tells it, and the take's log says so once it can.
    """

    def __init__(
        self,
        folder: Path,
        header: TakeHeader,
        at_text: AtText,
        *,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._set_up(folder, header, at_text, now_ns, epoch=0)
        self._events.append(dump_line(header.to_line()))
        self._write_out(self._now_ns())
        self._sync(self._now_ns(), self._first_of_all())

    def _first_of_all(self) -> list[Path]:
        """What was made before the log and is not on the medium yet: the other files, and the way to them.

        A file system may keep a small file in memory for half a minute (ext4 does).
        """
        try:
            beside = sorted(entry.path for entry in os.scandir(self.folder) if entry.is_file())
        except OSError:
            beside = []
        return [*map(Path, beside), self.folder, *list(self.folder.parents)[:FOLDERS_ABOVE]]

    def _set_up(
        self, folder: Path, header: TakeHeader, at_text: AtText, now_ns: Callable[[], int], epoch: int
    ) -> None:
        self.folder = folder
        self.header = header
        self._at_text = at_text
        self._now_ns = now_ns
        self._events = AppendFile(folder / EVENTS_FILE, lock=True, joint=b"\n")
        self._clock = AppendFile(folder / CLOCK_FILE, joint=b"\n")
        self._journal = Journal(folder, epoch)
        self._older: list[Journal] = []  #: of epochs that are over, not yet with the system as a whole
        self._numbering = Numbering(epoch)
        self._beats = BeatLines(header, at_text)
        # the raw records first: with them nothing is lost, however long the beat whose line is not full
        self._syncer = Syncer(lambda: (self._journal.file, self._events, self._clock))
        self._event_mark = -1  #: n of the last event whose line was made
        self._tick_marks: dict[tuple[int, int], int] = {}  #: the same for ticks, by port and kind
        self._last: Record | None = None
        self._known: set[tuple[int, int]] = set()  #: (seq, t_ns) of records that a dead writer took
        self._lost = 0
        self._lost_told = 0
        self._reason = ""  #: why the system takes nothing, or nothing
        self._unsafe = ""  #: why the medium does not keep what the system took, or nothing
        self._retry_at_ns = 0
        self._sync_at_ns = 0
        self._sync_now = True
        self._fed_safely = False  #: whether what was fed until now need not be fed to the next writer
        self._end: Record | None = None
        self._engine_died = False
        self._closed = False

    @classmethod
    def resume(
        cls,
        folder: Path,
        at_text: AtText,
        *,
        header: TakeHeader | None = None,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> TakeWriter:
        """Go on with the log of a take whose writer died.

        Records that are on disk already are dropped when they are fed again. `header` is used if the
        one on disk was torn; `TakeFormatError` if it was and none is given.
        """
        torn_header = False
        try:
            header = read_header(folder)
        except TakeFormatError:
            if header is None:
                raise
            torn_header = True
        journals = journal_files(folder)
        events_end = tail_marks(folder / EVENTS_FILE)
        clock_end = tail_marks(folder / CLOCK_FILE)
        epoch = max([0, *(n >> 32 for n in (events_end.last_n, clock_end.last_n)), *(e for e, _ in journals)])
        for _, path in journals:
            trim_torn(path)
        writer = cls.__new__(cls)
        writer._set_up(folder, header, at_text, now_ns, epoch)
        writer._event_mark = events_end.last_n
        ports = {name: index for index, name in enumerate(header.ports)}
        kinds = {"out": Kind.TICK_SENT, "in": Kind.TICK_RECEIVED}
        for (port, direction), n in clock_end.by_stream.items():
            if port in ports and direction in kinds:
                writer._tick_marks[ports[port], kinds[direction]] = n
        for file, end in ((writer._events, events_end), (writer._clock, clock_end)):
            if end.torn:
                file.append(b"\n")
        if torn_header:
            writer._events.append(dump_line(header.to_line()))
        for journal_epoch, path in journals:
            writer._replay(journal_epoch, read_journal(path))
        writer._tell_log("continued", "the log's writer was started again")
        writer.flush()
        return writer

    def _replay(self, epoch: int, records: list[Record]) -> None:
        self._append_clock(self._beats.flush())  # what an older epoch began ends with it
        self._numbering = Numbering(epoch)
        for record in records:
            n = self._numbering.n_of(record)
            self._numbering.note(n, record.raw_count)
            self._last = record
            self._known.add((record.seq, record.t_ns))
            self._make_lines(record, n)

    @property
    def state(self) -> LogState:
        """How the log stands."""
        reason = self._reason or self._unsafe
        return LogState(bool(reason), reason, self._lost)

    @property
    def ended(self) -> bool:
        """Whether the roll's end was taken in, by this writer or by one before it."""
        return self._end is not None

    @property
    def outcome(self) -> str:
        """How the roll ended: "complete", "stopped" or "failed"; empty while it has not."""
        return str(self._end.json().get("outcome") or "failed") if self._end is not None else ""

    @property
    def engine_died(self) -> bool:
        """Whether the engine that played the roll died, as far as this writer or one before it knows."""
        return self._engine_died

    @property
    def last_seq(self) -> int | None:
        """The engine's number of the last raw record taken in, or None before the first."""
        return None if self._last is None else (self._last.seq + self._last.raw_count - 1) & 0xFFFFFFFF

    def feed(self, record: Record) -> None:
        """Take one record."""
        self.feed_all((record,))

    def feed_all(self, records: Iterable[Record]) -> None:
        """Take the records of one read from the pipe; much cheaper than one by one."""
        if self._closed:
            return
        if self._fed_safely:
            self._journal.given_up()
        for record in records:
            room = True
            if self._waiting_bytes() > WRITE_ABOVE_BYTES:
                self.flush()  # so that even a large batch is never lost to the limit below
                room = self._has_room(record)
            if (record.seq, record.t_ns) not in self._known:
                self._take(record, room=room)
        self.flush()
        self._fed_safely = self.safe

    @property
    def safe(self) -> bool:
        """Whether all that was taken in is with the system: then nobody need feed it to the next writer."""
        return not self._waiting_bytes()

    def _has_room(self, record: Record) -> bool:
        most = 2 * MAX_WAITING_BYTES if record.kind in VITAL else MAX_WAITING_BYTES
        return self._waiting_bytes() <= most

    def _take(self, record: Record, *, room: bool) -> None:
        """Number a record and take it in, or count it as lost if there is no `room`."""
        if _counts_anew(record):
            self.restart_numbering("another engine process goes on with the take")
        n = self._numbering.n_of(record)
        if n >> 32 > self._numbering.epoch:
            self._begin_epoch(n >> 32)
        lost = self._numbering.lost_before(n)
        if lost:
            self._lost += lost
            self._tell_log("gap", "records never arrived", lost=lost)
            self._lost_told += lost
        self._numbering.note(n, record.raw_count)
        if not room:
            self._lost += 1
            return
        self._last = record
        self._journal.append(raw_bytes(record))
        self._make_lines(record, n)
        if record.kind in (Kind.STATE, Kind.TAKE_BEGIN, Kind.TAKE_END):
            self._sync_now = True

    def _make_lines(self, record: Record, n: int) -> None:
        if record.kind in TICK_KINDS:
            stream = (record.port, int(record.kind))
            if n > self._tick_marks.get(stream, -1):
                self._tick_marks[stream] = n
                self._append_clock(self._beats.feed(record, n))
            return
        if record.kind == Kind.TAKE_END:
            self._end = record
        elif tells_of_death(record):
            self._engine_died = True
        line = event_line(record, n, self.header, self._at_text) if n > self._event_mark else None
        if line is not None:
            self._event_mark = n
            self._events.append(dump_line(line))

    def _append_clock(self, lines: list[dict[str, Any]]) -> None:
        for line in lines:
            self._clock.append(dump_line(line))

    def restart_numbering(self, why: str) -> None:
        """Begin to count records from anew: a new engine goes on with this take.

        Called by the writer itself when the new engine's first finding says so.
        """
        self._tell_log("renumbered", why)
        self._numbering.restart()
        self._begin_epoch(self._numbering.epoch)

    def _begin_epoch(self, epoch: int) -> None:
        """End the open beats and go on with a journal of a new epoch."""
        self._append_clock(self._beats.flush())
        self._event_mark = max(self._event_mark, (epoch << 32) - 1)
        self._older.append(self._journal)
        with contextlib.suppress(OSError):
            self._close_older()
        self._journal = Journal(self.folder, epoch)

    def _close_older(self) -> None:
        """Hand over what waits of epochs that are over; `OSError` leaves the rest waiting."""
        while self._older:
            self._older[0].file.write_out()
            self._older.pop(0).file.close()

    def flush(self) -> None:
        """Hand over what is waiting and sync if it is time; call ten times a second."""
        now = self._now_ns()
        if not self._reason or now >= self._retry_at_ns:
            self._write_out(now)
        if self._sync_now or now >= self._sync_at_ns:
            self._sync(now)

    def _sync(self, now: int, others: Iterable[Path] = ()) -> None:
        self._sync_now = False
        self._sync_at_ns = now + SYNC_EVERY_NS
        self._syncer.request(others)
        error, good = self._syncer.take_news()
        if error is not None:
            self._lose_medium(error)
        if good and self._unsafe:
            self._tell_log("resumed", self._unsafe)
            self._unsafe = ""

    def _lose_medium(self, error: OSError) -> None:
        """Take it that the medium is gone: the system may go on taking what no medium will ever have.

        The files are opened anew, so that a stick that is back in its place is written to.
        """
        if not self._unsafe:
            self._tell_log("sync_failed", _reason_of(error))
        self._unsafe = _reason_of(error)
        self._let_go()

    def _let_go(self) -> None:
        for file in (*self._raw_files, self._events, self._clock):
            file.let_go()

    def _write_out(self, now: int) -> None:
        try:
            self._write_files()
            if self._reason or self._lost > self._lost_told:  # all that waited was taken: the log goes on
                self._tell_log("resumed", self._reason, lost=self._lost - self._lost_told)
                self._lost_told = self._lost
                self._events.write_out()
        except OSError as error:
            self._stop_log(error)
            return
        self._reason = ""
        if self._journal.large:
            self._cut_journal()

    def _write_files(self) -> None:
        """Hand over what waits, the raw records first: no line may be on a full disk without them.

        They go in order: the next writer reads the journals as one stretch from the take's begin.
        """
        self._close_older()
        for file in (self._journal.file, self._events, self._clock):
            file.write_out()

    def _cut_journal(self) -> None:
        try:
            self._journal.cut(record for _, record in self._beats.pending())
        except OSError as error:
            self._stop_log(error)

    def _stop_log(self, error: OSError) -> None:
        self._let_go()
        self._retry_at_ns = self._now_ns() + RETRY_EVERY_NS
        if not self._reason:
            self._reason = _reason_of(error)
            self._tell_log("stopped", self._reason)
        self._reason = _reason_of(error)

    def _waiting_bytes(self) -> int:
        return self._events.waiting + self._clock.waiting + self._raw_waiting()

    def _raw_waiting(self) -> int:
        return sum(file.waiting for file in self._raw_files)

    @property
    def _raw_files(self) -> list[AppendFile]:
        return [journal.file for journal in (*self._older, self._journal)]

    def _tell_log(self, state: str, reason: str, *, lost: int = 0) -> None:
        """Put a line about the log itself among the events."""
        data: dict[str, Any] = {"state": state, "reason": reason}
        if lost:
            data["lost"] = lost
        t = self._now_ns() - self.header.anchor_ns
        self._events.append(dump_line({"t": t, "at": None, "kind": "log", "data": data}))

    def finish(self, why: str = "", outcome: str = "") -> None:
        """End the log: unfinished beats are written, all is synced, the files are closed.

        `why` and `outcome` ("complete", "stopped" or "failed") are for a take whose engine could
        not say itself how it ended. Afterwards `runner.takes.closing.close_take` makes the summary.
        """
        if self._closed:
            return
        self._append_clock(self._beats.flush())
        if not self.ended and (why or outcome):
            t = self._now_ns() - self.header.anchor_ns
            data = {"why": why, "outcome": outcome or "failed"}
            self._events.append(dump_line({"t": t, "at": None, "kind": "end", "data": data}))
        self._retry_at_ns = 0
        self._sync_now = True
        self.flush()
        self._syncer.stop()
        self._closed = True

    def release(self) -> None:
        """Give up the files, and with them the mark that this take is still being written."""
        self._closed = True
        self._syncer.stop()  # it holds descriptors of its own, and with them the lock
        for file in (self._events, self._clock, *self._raw_files):
            file.close()

    def close(
        self, why: str = "", outcome: str = "", extra: Mapping[str, Any] | None = None
    ) -> dict[str, Any]:
        """End the log and close the take: capture.mid, then take.json. Return the summary.

        `extra` is added to the summary's "notes". Reads the take back, so it takes up to some
        seconds for an hour: call `finish` and `close_take` in a thread where that matters.
        """
        from runner.takes.closing import close_take  # not needed by a writer that only writes

        self.finish(why, outcome)
        lost = self._lost - self._lost_told + self._raw_waiting() // RECORD_SIZE  # what the disk never took
        try:
            return close_take(self.folder, lost=lost, notes=extra)
        finally:
            self.release()


def _counts_anew(record: Record) -> bool:
    """Whether a finding says that a new engine goes on, which numbers its records from the beginning."""
    return tells_of_death(record) and b'"numbers_go_on":true' not in record.data


def tells_of_death(record: Record) -> bool:
    """Whether an engine says in a record that it took the place of one that died."""
    return record.kind == Kind.FINDING and b'"engine-restarted"' in record.data


def _reason_of(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else str(error)
