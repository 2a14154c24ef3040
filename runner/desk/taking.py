"""One take from the order to roll to its closed record, as the desk sees it."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from runner.desk.plan_writer import PlanWriter
from runner.desk.roll import Roll, declared_facts
from runner.desk.spare import Deadline, check_mounted, mount_of, own_folder
from runner.errors import TakeFormatError
from runner.takes.declared import Declared
from runner.takes.files import try_lock
from runner.takes.format import Kind, Record
from runner.takes.index import TakeEntry
from runner.takes.legs import LegText
from runner.takes.lines import TakeHeader
from runner.takes.names import safe_name, take_name
from runner.takes.reader import EVENTS_FILE, PLAN_FILE, SUMMARY_FILE, read_header
from runner.takes.store import NewTake, Store
from runner.takes.writer import TakeWriter

SESSION_FILE = "session.yaml"  #: the session as it was read


class TakeKeeper:
    """Keeps the record of the take that rolls; at most one is open, and one more being closed."""

    def __init__(self, store: Store, spares: Sequence[Store] = ()) -> None:
        self.store = store
        self.spares = tuple(spares)  #: where takes go while the store cannot take them
        self.mount = mount_of(store.folder)
        self._deadline: Deadline[NewTake] = Deadline()
        self._plan_fd = -1  #: holds the lock of a take that has not begun
        self._writer: TakeWriter | None = None
        self._folder: Path | None = None
        self._text: LegText | None = None
        self._anchor_ns = 0
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="closing")
        self._plan_writer: PlanWriter | None = None
        self._closing: Future[dict[str, Any]] | None = None
        self.rights: Mapping[str, bool] = {}  #: what the engine says that it was allowed, for the header
        self.problem = ""  #: why the open take has no log, if it has none
        self.elsewhere = ""  #: why the last take that was made is not where it should be

    @property
    def open(self) -> bool:
        """Whether a take is being recorded."""
        return self._writer is not None

    @property
    def ended(self) -> bool:
        """Whether the open take's log has its end already."""
        return self._writer is not None and self._writer.ended

    @property
    def outcome(self) -> str:
        """How the roll of the open take ended, once it has."""
        return self._writer.outcome if self._writer is not None else ""

    @property
    def engine_died(self) -> bool:
        """Whether the log of the open take says that its engine died."""
        return self._writer is not None and self._writer.engine_died

    def has_closed(self, key: str) -> bool:
        """Whether a take is closed already: then a dead desk had no time to give its records up."""
        return (self.store.folder / key / SUMMARY_FILE).exists()

    def is_open(self, key: str) -> bool:
        """Whether this is the take whose log is open; its folder may be another than the one that was due."""
        return self._writer is not None and self._writer.header.take == key

    @property
    def writing(self) -> bool:
        """Whether a take's log is open."""
        return self._writer is not None

    @property
    def safe(self) -> bool:
        """Whether all that was fed is with the system; False while the disk takes nothing."""
        return self._writer is None or self._writer.safe

    @property
    def closing(self) -> bool:
        """Whether a take is being closed in the background."""
        return self._closing is not None

    @property
    def folder(self) -> Path | None:
        """The folder of the take that is open, or was last."""
        return self._folder

    @property
    def text(self) -> LegText | None:
        """Where the open take is, in words."""
        return self._text if self._writer is not None else None

    @property
    def anchor_ns(self) -> int:
        """The monotonic time of bar 1 of the open take."""
        return self._anchor_ns

    @property
    def log_trouble(self) -> str:
        """Why the log of the open take stands still, or nothing."""
        if self._writer is None:
            return self.problem
        return self._writer.state.reason if self._writer.state.stopped else ""

    def create(self, plan: Roll) -> NewTake:
        """Make the folder of a new take, with the session as it was read and what is due.

        Where the disk does not take it, it goes to a spare place, and `elsewhere` says why; where none
        does, the take has number 0 and no folder. The music rolls in any case.
        """
        self.elsewhere = ""
        try:
            return self._hold(self._deadline(lambda: self._make(plan)))
        except OSError as error:
            reason = f"takes folder {self.store.folder}: {error.strerror or error}"
        for spare in self.spares:
            with contextlib.suppress(OSError):
                own_folder(spare.folder)
                new = self._hold(self._make(plan, spare))
                self.elsewhere = f"{reason}; this take is kept in {spare.folder}"
                return replace(new, key=str(new.folder))
        self.elsewhere = f"{reason}; this take is not recorded"
        names = (plan.prepared.session.session, plan.song, plan.pass_name)
        key = "/".join([*(safe_name(name) for name in names), take_name(0)])
        return NewTake(self.store.folder / key, 0, key)

    def _make(self, plan: Roll, spare: Store | None = None) -> NewTake:
        if spare is None:
            check_mounted(self.mount)
            self.mount = mount_of(self.store.folder)
        new = (spare or self.store).create(plan.prepared.session.session, plan.song, plan.pass_name)
        (new.folder / SESSION_FILE).write_text(plan.prepared.loaded.text, encoding="utf-8")
        return new

    def _hold(self, new: NewTake) -> NewTake:
        """Hold the file of what is due, so that no other process takes the folder for one left behind."""
        self._release_plan()
        try:
            flags = os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC
            self._plan_fd = os.open(new.folder / PLAN_FILE, flags, 0o644)
        except OSError:
            shutil.rmtree(new.folder, ignore_errors=True)
            raise
        try_lock(self._plan_fd)
        return new

    def _release_plan(self) -> None:
        fd, self._plan_fd = self._plan_fd, -1
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)

    def begin(self, plan: Roll, record: Record) -> None:
        """Open the log of the take that the engine says has begun; a log begun already is gone on with."""
        order = record.json()
        folder = self.store.folder / order["take"]  # of a take in a spare place the key is its whole path
        if self._writer is not None and self.is_open(order["take"]):
            self._writer.feed(record)  # gone on with before its first record was read again
            return
        if not folder.is_dir():  # pulled out since it was made, or there was none; one more chance
            folder = self.create(plan).folder
        self._folder = folder
        self._anchor_ns = order["anchor_ns"]
        self._text = at_text = plan.text()
        self.problem = ""
        try:
            if not folder.is_dir():
                raise OSError(self.elsewhere)
            header = self._header(plan, folder, order)
            if (folder / EVENTS_FILE).exists():
                self._writer = TakeWriter.resume(folder, at_text, header=header)
            else:
                self._writer = TakeWriter(folder, header, at_text)
        except (OSError, TakeFormatError) as error:
            self._writer = None
            self.problem = str(error)
            return
        finally:
            self._release_plan()
        self._writer.feed(record)
        self.write_plan(plan)

    def write_plan(self, plan: Roll) -> None:
        """Write what is due in the open take, in the background; nothing if it is written already."""
        if self._folder is None or self._writer is None:
            return
        path = self._folder / PLAN_FILE
        with contextlib.suppress(OSError):
            if path.stat().st_size:
                return
        self._plan_writer = PlanWriter(path, plan.rows())
        self._pool.submit(self._plan_writer.write)

    def take_up(self, folder: Path) -> None:
        """This take was the last that a dead desk had; it is the one to be rated until another begins."""
        self._folder = folder

    def resume(self, run: str) -> TakeHeader | None:
        """Go on with the take that a dead desk of this run left open; return its header, if there is one."""
        for entry in self._newest_first():
            folder = Path(entry.path)
            if (folder / SUMMARY_FILE).exists() or not (folder / EVENTS_FILE).exists():
                continue
            with contextlib.suppress(TakeFormatError, OSError):
                header = read_header(folder)
                if header.run != run:
                    continue
                self._folder = folder
                self._anchor_ns = header.anchor_ns
                self._text = _text_of(header)
                self._writer = TakeWriter.resume(folder, self._text)
                return header
        return None

    def _newest_first(self) -> list[TakeEntry]:
        entries = [entry for store in (self.store, *self.spares) for entry in store.takes()]
        return sorted(entries, key=lambda entry: entry.started_at, reverse=True)

    def closed_takes(self, run: str, most: int) -> list[TakeEntry]:
        """Return the takes of a run that are closed, the newest first.

        A run's takes are the latest of the folder, so only the last few are looked at.
        """
        closed: list[TakeEntry] = []
        for entry in self._newest_first()[: most + 20]:
            folder = Path(entry.path)
            with contextlib.suppress(TakeFormatError, OSError):
                if (folder / SUMMARY_FILE).exists() and read_header(folder).run == run:
                    closed.append(entry)
        return closed

    def feed(self, records: list[Record]) -> None:
        """Write records into the open take."""
        if self._writer is None or self._text is None:
            return
        batch: list[Record] = []
        for record in records:  # positions after a seam are those of the next leg's song
            if self._text.due(record.t_ns):
                self._writer.feed_all(batch)
                batch = []
                self._text.go_to(record.t_ns)
            if record.kind == Kind.STATE:
                self._see_leg(record)
            batch.append(record)
        self._writer.feed_all(batch)

    def _see_leg(self, record: Record) -> None:
        data = record.json()
        if self._text is not None and data.get("state") == "leg":
            self._text.entered(data["leg"], record.t_ns)

    def tick(self) -> None:
        """Flush what is due to be flushed; call several times a second."""
        if self._writer is not None:
            self._writer.flush()

    def end(self, why: str = "", outcome: str = "") -> None:
        """Close the open take in the background; `collect` gives its summary."""
        writer, folder = self._writer, self._folder
        self._writer = None
        if writer is None or folder is None:
            return
        if self._plan_writer is not None:
            self._plan_writer.hurry()

        def close() -> dict[str, Any]:
            return writer.close(why, outcome)

        self._closing = self._pool.submit(close)

    def collect(self) -> tuple[Path, Mapping[str, Any]] | None:
        """Return folder and summary of the take that was being closed, once it is.

        Raises:
            OSError, TakeFormatError: it could not be closed; it is recovered at the next start.
        """
        if self._closing is None or not self._closing.done() or self._folder is None:
            return None
        closing, self._closing = self._closing, None
        return self._folder, closing.result()

    def _header(self, plan: Roll, folder: Path, order: Mapping[str, Any]) -> TakeHeader:
        session = plan.prepared.session
        timeline = plan.course.legs[0].timeline
        started = datetime.fromtimestamp(order["wall_ns"] / 1e9, UTC)
        return TakeHeader(
            take=order["take"],
            session=session.session,
            song=plan.song,
            pass_name=plan.pass_name,
            number=int(folder.name.rpartition("-")[2]),
            started_at=started.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            run=plan.run,
            anchor_ns=order["anchor_ns"],
            ports=timeline.ports,
            machines=timeline.machines,
            sources=timeline.sources,
            declared=declared_facts(plan),
            limits=session.limits.model_dump(mode="json", by_alias=True),
            rights=self.rights,
        )


def _text_of(header: TakeHeader) -> LegText:
    """Return the text of positions as a take's header declares its songs."""
    declared = Declared.from_dict(header.declared)
    times = {name: time for name, time in declared.song_times(header.song).items() if time is not None}
    return LegText(header.song, declared.legs, times)
