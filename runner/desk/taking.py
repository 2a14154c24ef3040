"""One take from the order to roll to its closed record, as the desk sees it."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from runner.desk.roll import Roll, declared_facts
from runner.errors import TakeFormatError
from runner.takes.declared import Declared
from runner.takes.format import Kind, Record
from runner.takes.legs import LegText
from runner.takes.lines import TakeHeader
from runner.takes.reader import EVENTS_FILE, SUMMARY_FILE, read_header
from runner.takes.store import NewTake, Store
from runner.takes.writer import TakeWriter


class TakeKeeper:
    """Keeps the record of the take that rolls; at most one is open, and one more being closed."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._writer: TakeWriter | None = None
        self._folder: Path | None = None
        self._text: LegText | None = None
        self._anchor_ns = 0
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="closing")
        self._closing: Future[dict[str, Any]] | None = None
        self.problem = ""  #: why the open take has no log, if it has none

    @property
    def open(self) -> bool:
        """Whether a take is being recorded."""
        return self._writer is not None

    @property
    def ended(self) -> bool:
        """Whether the open take's log has its end already."""
        return self._writer is not None and self._writer.ended

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

        Raises:
            OSError: the folder or its files cannot be written.
        """
        session = plan.prepared.session
        new = self._store.create(session.session, plan.song, plan.pass_name)
        (new.folder / "session.yaml").write_text(plan.prepared.loaded.text, encoding="utf-8")
        with (new.folder / "plan.json").open("w", encoding="utf-8") as file:
            file.write("[\n")
            for number, row in enumerate(plan.rows()):
                file.write((",\n" if number else "") + json.dumps(row, separators=(",", ":")))
            file.write("\n]\n")
        return new

    def begin(self, plan: Roll, record: Record) -> None:
        """Open the log of the take that the engine says has begun; a log begun already is gone on with."""
        order = record.json()
        folder = self._store.folder / order["take"]
        if self._writer is not None and self._folder == folder:
            self._writer.feed(record)  # gone on with before its first record was read again
            return
        self._folder = folder
        self._anchor_ns = order["anchor_ns"]
        self._text = at_text = plan.text()
        self.problem = ""
        try:
            header = self._header(plan, folder, order)
            if (folder / EVENTS_FILE).exists():
                self._writer = TakeWriter.resume(folder, at_text, header=header)
            else:
                self._writer = TakeWriter(folder, header, at_text)
        except (OSError, TakeFormatError) as error:
            self._writer = None
            self.problem = str(error)
            return
        self._writer.feed(record)

    def resume(self, run: str) -> TakeHeader | None:
        """Go on with the take that a dead desk of this run left open; return its header, if there is one."""
        for entry in reversed(self._store.takes()):
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

    def closed_takes(self, run: str, most: int) -> tuple[int, int]:
        """Return how many takes of a run are closed, and how many of them are clean.

        A run's takes are the latest of the folder, so only the last few are looked at.
        """
        closed = clean = 0
        for entry in self._store.takes()[-(most + 20) :]:
            folder = Path(entry.path)
            with contextlib.suppress(TakeFormatError, OSError):
                if (folder / SUMMARY_FILE).exists() and read_header(folder).run == run:
                    closed += 1
                    clean += entry.verdict == "clean"
        return closed, clean

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
            self._text.entered(data["leg"], data["pass"], record.t_ns)

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
        )


def _text_of(header: TakeHeader) -> LegText:
    """Return the text of positions as a take's header declares its songs."""
    declared = Declared.from_dict(header.declared)
    times = {name: time for name, time in declared.song_times(header.song).items() if time is not None}
    return LegText(header.song, declared.legs, times)
