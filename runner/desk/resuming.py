"""What a desk that takes the place of a dead one makes of what that left behind."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from runner.desk.run_state import RunState
from runner.desk.taking import TakeKeeper
from runner.takes.format import Record
from runner.takes.writer import tells_of_death


def catch_up(state: RunState, keeper: TakeKeeper) -> None:
    """Take note of the takes that are closed, those too that the dead desk could not tell."""
    show = state.show
    if folder := state.job.last.get("folder"):
        keeper.take_up(Path(folder))
    entries = keeper.closed_takes(state.job.run, show.done + 20)
    state.board.take_over_takes(entries)
    closed, clean = len(entries), sum(entry.verdict == "clean" for entry in entries)
    if closed <= show.done:
        return
    if show.series is not None:
        show.series = show.series.begun()
    elif not state.stays:
        show.at += closed - show.done
    show.done, show.clean = closed, clean


def tell_of_death(records: Iterable[Record]) -> bool:
    """Whether an engine says in records that it took the place of one that died."""
    return any(map(tells_of_death, records))
