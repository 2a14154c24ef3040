"""Loops and holds as a user writes them: ``bar 9 to bar 17, 4 times``, ``refrain to bridge``.

    loop := moment "to" moment ["," (N "times" | "until told")]

Without a count the span is held: it goes round until the player is told to go on.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from runner.music.amount import shorten
from runner.music.moment import Moment, SectionName, parse_moment

MAX_PASSES = 10_000
MAX_TEXT = 400  #: characters of one loop
_COUNT = re.compile(r"(.*?)\s*,\s*(?:([0-9]+)\s*times?|(until\s+told))", re.IGNORECASE)
_TO = re.compile(r"\s+to\s+", re.IGNORECASE)
_EXAMPLE = "write `bar 9 to bar 17, 4 times`, or `refrain to bridge` to go round until told"


@dataclass(frozen=True, slots=True)
class Loop:
    """A span of a song that is played `passes` times; 0 is until the player is told to go on (a hold)."""

    from_: Moment
    to: Moment
    passes: int = 0

    def __str__(self) -> str:
        count = f"{self.passes} time{'s' * (self.passes != 1)}" if self.passes else "until told"
        return f"{self.from_} to {self.to}, {count}"


def parse_loop(text: str, sections: Iterable[str] = ()) -> Loop:
    """Return the loop that `text` writes.

    `sections` are the song's, where they are known: they tell which ``to`` is meant when a section's name
    has one of its own. Raises ValueError, in words for the user; whether the song has the moments, the
    plan says.
    """
    words = " ".join(text.split())
    if len(words) > MAX_TEXT:
        raise ValueError(f"a loop has at most {MAX_TEXT} characters, got {len(words)}")
    span, passes = words, 0
    counted = _COUNT.fullmatch(words)
    if counted:
        span = counted[1]
        passes = _passes(counted[2]) if counted[2] else 0
    elif "," in words:
        raise ValueError(f"{shorten(words)!r} does not end in a count such as `4 times`: {_EXAMPLE}")
    first, last = _ends(span, frozenset(sections))
    return Loop(first, last, passes)


def _passes(digits: str) -> int:
    passes = int(digits) if len(digits) <= 6 else MAX_PASSES + 1
    if not 1 <= passes <= MAX_PASSES:
        raise ValueError(f"a loop is played 1 to {MAX_PASSES:,} times, got {shorten(digits, 20)}")
    return passes


def _ends(span: str, sections: frozenset[str]) -> tuple[Moment, Moment]:
    """Return both ends; of several places to part them, the first whose sections are all known."""
    readings: list[tuple[Moment, Moment]] = []
    wrong: ValueError | None = None
    for match in _TO.finditer(span):
        try:
            readings.append((parse_moment(span[: match.start()]), parse_moment(span[match.end() :])))
        except ValueError as error:
            wrong = wrong or error
    if not readings:
        raise wrong or ValueError(f"{shorten(span)!r} is not a loop: {_EXAMPLE}")
    known = (pair for pair in readings if all(_known(moment, sections) for moment in pair))
    return next(known, readings[0])


def _known(moment: Moment, sections: frozenset[str]) -> bool:
    return not isinstance(moment.base, SectionName) or moment.base.name in sections
