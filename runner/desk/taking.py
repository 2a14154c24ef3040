"""One take from the order to roll to its closed record, as the desk sees it."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from runner.desk.prepare import Prepared
from runner.errors import TakeFormatError
from runner.plan.compile import CompiledSong
from runner.plan.timeline import Stage, Timeline
from runner.session.model import Session
from runner.takes.declared import Declared, MachineFacts
from runner.takes.format import Record
from runner.takes.lines import TakeHeader
from runner.takes.reader import EVENTS_FILE, SUMMARY_FILE, read_header
from runner.takes.store import NewTake, Store
from runner.takes.writer import TakeWriter


@dataclass(frozen=True, slots=True)
class TakePlan:
    """What a take is of: enough to write its header once the engine says that it rolls."""

    prepared: Prepared
    song: str
    pass_name: str
    compiled: CompiledSong
    run: str


def declared_facts(session: Session, compiled: CompiledSong) -> dict[str, Any]:
    """Return what the session says about the song, for the take's header."""
    timeline = compiled.course.legs[0].timeline
    machines = tuple(
        MachineFacts(
            name=name,
            port=spec.port,
            channel=spec.channel,
            kind=spec.kind,
            follows=tuple(spec.follows),
            offset_ns=spec.offset_ns,
            settle_ns=spec.settle_ns,
            starts=spec.starts or "",
            link=spec.link or session.ports[spec.port].link,
        )
        for name, spec in session.machines.items()
    )
    follows = session.clock.source == "beat-clock"
    lead_ns = max(0, timeline.stages[1].t_ns - timeline.stages[0].t_ns) if len(timeline.stages) > 1 else 0
    return Declared.of_song(
        compiled.time,
        lead_ns=lead_ns,
        entry_quarters=timeline.entry_quarters,
        clocks=_clock_spans(timeline, follows=follows),
        machines=machines,
        role="follower" if follows else "master",
        source=(session.clock.port or "") if follows else "",
    ).to_dict()


def _clock_spans(timeline: Timeline, *, follows: bool) -> dict[str, tuple[int, int]]:
    """Return the numbers of the first clock and after the last that each port gets.

    Under another machine's clock they are its counts, which begin at its Start; the lead is its own.
    """
    lead = 0
    if follows:
        first_quarters = min(
            0.0, *(mark.quarters for mark in timeline.stages if mark.stage >= Stage.PRE_ROLL)
        )
        lead = round((first_quarters - timeline.clock_quarters0) * 24)
    return {
        timeline.ports[role.port]: (max(0, role.first - lead), role.last - lead) for role in timeline.clocks
    }


class TakeKeeper:
    """Keeps the record of the take that rolls; at most one is open, and one more being closed."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._writer: TakeWriter | None = None
        self._folder: Path | None = None
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
    def log_trouble(self) -> str:
        """Why the log of the open take stands still, or nothing."""
        if self._writer is None:
            return self.problem
        return self._writer.state.reason if self._writer.state.stopped else ""

    def create(self, plan: TakePlan) -> NewTake:
        """Make the folder of a new take, with the session as it was read and what is due.

        Raises:
            OSError: the folder or its files cannot be written.
        """
        session = plan.prepared.session
        new = self._store.create(session.session, plan.song, plan.pass_name)
        (new.folder / "session.yaml").write_text(plan.prepared.loaded.text, encoding="utf-8")
        with (new.folder / "plan.json").open("w", encoding="utf-8") as file:
            file.write("[\n")
            for number, row in enumerate(plan.compiled.rows()):
                file.write((",\n" if number else "") + json.dumps(row, separators=(",", ":")))
            file.write("\n]\n")
        return new

    def begin(self, plan: TakePlan, record: Record) -> None:
        """Open the log of the take that the engine says has begun; a log begun already is gone on with."""
        order = record.json()
        folder = self._store.folder / order["take"]
        at_text = plan.compiled.time.at_text
        if self._writer is not None and self._folder == folder:
            self._writer.feed(record)  # gone on with before its first record was read again
            return
        self._folder = folder
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

    def resume(self, plan_of: Callable[[TakeHeader], TakePlan], run: str) -> TakeHeader | None:
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
                self._writer = TakeWriter.resume(folder, plan_of(header).compiled.time.at_text)
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
        if self._writer is not None:
            self._writer.feed_all(records)

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

    def _header(self, plan: TakePlan, folder: Path, order: Mapping[str, Any]) -> TakeHeader:
        session = plan.prepared.session
        timeline = plan.compiled.course.legs[0].timeline
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
            declared=declared_facts(session, plan.compiled),
            limits=session.limits.model_dump(mode="json", by_alias=True),
        )
