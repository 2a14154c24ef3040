"""What a session may say already though this version does not act on it yet: one row for each thing.

A key that is silently passed over would be trusted on stage. Put a row here with a key that comes before
what it does, and take it away when that is there; nothing else needs to change.
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


NOT_YET: tuple[NotYet, ...] = ()  #: all that may be said is acted on


def not_yet(session: Session, marks: Marks) -> list[Problem]:
    """Return a note for each thing in the session that this version does not act on."""
    return [
        marks.problem(path, row.text, severity="note", key=True)
        for row in NOT_YET
        for path in row.places(session)
    ]
