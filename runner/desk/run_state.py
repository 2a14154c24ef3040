"""What every part of the desk knows of a run: job, session, show, and what there is to see of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from runner.desk.board import Board
from runner.desk.job import Job
from runner.desk.phases import Mode
from runner.desk.places import Place, places_of, places_of_rows
from runner.desk.prepare import Prepared
from runner.desk.series import Series
from runner.desk.show import Show
from runner.errors import ExitCode
from runner.plan.rehearsal import Rehearsal
from runner.play.commands import Command
from runner.session.model import OrderItem


class Link(Protocol):
    """The way to the engine, as `EngineLink` is one."""

    def command(self, command: Command, data: Mapping[str, Any] | bytes = b"") -> None:
        """Queue a command."""

    def forget(self) -> None:
        """Drop what was not sent."""


class Tell(Protocol):
    """The way to the keeper, as `Reporter` is one."""

    def __call__(self, kind: str, data: Mapping[str, Any] | None = None) -> None:
        """Report something."""

    def warn(self, text: str) -> None:
        """Report what a person should know."""


@dataclass(slots=True)
class RunState:
    """One run of a session. `exit` is set when there is nothing left to do, `stopping` when it is to end."""

    job: Job
    prepared: Prepared
    show: Show
    board: Board
    rehearsal: Rehearsal
    stopping: str = ""
    exit: ExitCode | None = None

    @classmethod
    def of_job(cls, job: Job, prepared: Prepared) -> RunState:
        """Return the state of a job, at the place where the job says."""
        session = prepared.session
        show = Show(
            places=places_of_job(job, prepared),
            songs=tuple(song.song for song in session.songs),
            mode=Mode(job.mode),
            gap_ns=job.gap_ns,
            machines=tuple(session.machines),
            follows=session.clock.source != "internal",
            at=job.place,
            done=job.done,
            clean=job.clean,
            series=Series.from_dict(job.series),
            waiting_for=job.waiting_for if job.standing else "",
            changed=bool(job.order),
            last_song=str(job.last.get("song", "")),
            last_rehearsal=Rehearsal.from_dict(job.last.get("rehearsal", {})),
        )
        board = Board(session, muted=set(job.muted) & set(session.machines), realtime=job.realtime)
        board.take_over(job.board)
        return cls(job, prepared, show, board, Rehearsal.from_dict(job.rehearsal))

    @property
    def stays(self) -> bool:
        """Whether it is the daemon, which waits for orders."""
        return self.show.mode is Mode.STAY

    @property
    def code_of_all(self) -> ExitCode:
        """The exit code of a run that has come to its end by itself."""
        if self.stays:
            return ExitCode.OK
        return ExitCode.OK if self.show.clean == self.show.done else ExitCode.NOT_CLEAN


def places_of_job(job: Job, prepared: Prepared) -> tuple[Place, ...]:
    """Return the places of a job: takes of one song, or the running order, each song `takes` times.

    Songs that go straight on are one take, and so often repeated together.
    """
    if job.song:
        prepared.song(job.song)
        items = [OrderItem.model_validate({"song": job.song})] * job.takes
    elif job.order:
        return places_of_rows(job.order)
    else:
        chains = chains_of(prepared.session.running_order)
        items = [item for chain in chains for _ in range(job.takes) for item in chain]
    return places_of(items)


def chains_of(order: Sequence[OrderItem]) -> list[list[OrderItem]]:
    """Return a running order in stretches with the clock unbroken: a song alone, or several straight on."""
    chains: list[list[OrderItem]] = [[]]
    for item in order:
        chains[-1].append(item)
        if item.between != "straight-on":
            chains.append([])
    return [chain for chain in chains if chain]


def utc_text(utc: datetime | None = None) -> str:
    """Return a moment, now if none is given, as alarms are stamped: ``2026-05-02T19:30:00Z``."""
    return (utc or datetime.now(UTC)).isoformat(timespec="seconds").replace("+00:00", "Z")
