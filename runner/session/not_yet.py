"""What a session may say already though this version does not act on it yet: one row for each thing.

Take a row away when the behaviour is there; nothing else needs to change.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from runner.errors import Problem
from runner.session.marks import Marks
from runner.session.model import Session
from runner.session.yaml_tree import Path


@dataclass(frozen=True, slots=True)
class NotYet:
    """One thing not acted on: where it stands in a session, and what happens instead."""

    places: Callable[[Session], Iterator[Path]]
    text: str


def _schedule(session: Session) -> Iterator[Path]:
    if session.schedule:
        yield ("schedule",)


def _tidying(session: Session) -> Iterator[Path]:
    for key in ("keep_last", "keep_free"):
        if getattr(session.takes, key) is not None:
            yield ("takes", key.replace("_", "-"))


NOT_YET: tuple[NotYet, ...] = (
    NotYet(_schedule, "the schedule is not yet acted on: nothing rolls by itself"),
    NotYet(_tidying, "tidying takes away is not yet acted on: all are kept"),
)


def not_yet(session: Session, marks: Marks) -> list[Problem]:
    """Return a note for each thing in the session that this version does not act on."""
    return [
        marks.problem(path, row.text, severity="note", key=True)
        for row in NOT_YET
        for path in row.places(session)
    ]
