"""A session file that is read again while the daemon runs: what is taken of it, and what is not."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from runner.desk.attendance import Attendance
from runner.desk.board import Board
from runner.desk.job import Job
from runner.desk.prepare import Prepared, read_session
from runner.desk.roll import compile_roll, unloaded
from runner.desk.run_state import RunState, places_of_job
from runner.desk.show import Show


def read_anew(state: RunState) -> tuple[Prepared, Show]:
    """Return the session as its file has it now, and the show going on with it; every song is compiled once.

    Raises:
        TakewrightError: the file, or one of its parts, is not to be taken; nothing has changed then.
    """
    prepared = read_session(state.job.session_file, hold=True)
    show = state.show.with_session(
        places_of_job(replace(state.job, order=()), prepared),  # a dead desk's order is over with its session
        tuple(song.song for song in prepared.session.songs),
        tuple(prepared.session.machines),
    )
    for name in sorted({place.song for place in show.places}):
        compile_roll(prepared, (name,), unloaded(state.rehearsal), pass_name="", run=state.job.run)
    return prepared, show


def keep_absent(board: Board, attendance: Attendance) -> None:
    """End what is said of machines and ports that nobody waits for any more: the session is without them."""
    for said, still in ((board.away, set(attendance.away)), (board.silent, attendance.silent)):
        for name in said.keys() - still:
            board.put_out(said.pop(name))


def folder_not_taken(job: Job, prepared: Prepared, used: Path) -> str:
    """Say so if the session names another takes folder than the one in use; empty if it does not.

    The takes of a run stay together: a desk that is started again looks for them in one place.
    """
    wanted = prepared.session.takes.folder
    if job.takes_folder or os.path.abspath(prepared.file.parent / wanted) == os.path.abspath(used):
        return ""
    return (
        f"takes: folder: {wanted!r} is not taken by a reload, takes still go to {used}; "
        "to change that, end the run and start it again"
    )
