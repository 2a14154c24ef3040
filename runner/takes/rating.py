"""What a person thinks of a take: keep or discard, and marks at places; in `rating.json` beside the take.

It is a file of its own because take.json is what the machine found out, is written once, and has a
checksum. A rating may be changed as often as wanted, while the take rolls or a year later.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from runner.errors import UsageError
from runner.takes.files import write_atomically

RATING_FILE = "rating.json"
RATING_FORMAT = 1
KEEP, DISCARD = "keep", "discard"
_MAX_BYTES = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a take that somebody marked: ns from the take's anchor, song position, a word about it."""

    t_ns: int | None = None
    at: str = ""
    text: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {"t_ns": self.t_ns, "at": self.at, "text": self.text}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Mark:
        """Return what `to_dict` wrote; what makes no sense gets its default."""
        t_ns = data.get("t_ns")
        if type(t_ns) is not int or abs(t_ns) >= 2**63:
            t_ns = None
        return cls(t_ns, _text(data.get("at")), _text(data.get("text")))


@dataclass(frozen=True, slots=True)
class Rating:
    """A take's rating: ``keep``, ``discard``, or "" for none, and its marks in the order they were set."""

    rating: str = ""
    marks: tuple[Mark, ...] = ()

    @property
    def kept(self) -> bool:
        """Whether the take is to be kept."""
        return self.rating == KEEP

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, as in rating.json."""
        return {
            "format": RATING_FORMAT,
            "rating": self.rating or None,
            "marks": [mark.to_dict() for mark in self.marks],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Rating:
        """Return what `to_dict` wrote; what makes no sense is left out."""
        rating, marks = data.get("rating"), data.get("marks")
        return cls(
            rating if rating in (KEEP, DISCARD) else "",
            tuple(Mark.from_dict(mark) for mark in marks if isinstance(mark, dict))
            if isinstance(marks, list)
            else (),
        )


def read_rating(folder: Path) -> Rating:
    """Return a take's rating; of a take without one, or with one that cannot be read, an empty one."""
    return _read(folder / RATING_FILE) or Rating()


def rate(folder: Path, rating: str) -> Rating:
    """Rate a take ``keep`` or ``discard``, or "" to take the rating back; its marks stay. Return it all.

    Raises:
        UsageError: there is no such rating, or no such take.
        OSError: the file cannot be written.
    """
    if rating not in (KEEP, DISCARD, ""):
        raise UsageError(f"a take is rated keep or discard, not {rating!r}")
    return _write(folder, replace(read_rating(folder), rating=rating))


def add_mark(folder: Path, mark: Mark) -> Rating:
    """Add a mark to a take and return its rating with all marks; raises as `rate` does."""
    before = read_rating(folder)
    return _write(folder, replace(before, marks=(*before.marks, mark)))


def _write(folder: Path, rating: Rating) -> Rating:
    if not folder.is_dir():
        raise UsageError(f"no take folder {folder}")
    path = folder / RATING_FILE
    if path.exists() and _read(path) is None:
        os.replace(path, folder / "rating-damaged.json")  # somebody wrote it: it is not ours to lose
    text = json.dumps(rating.to_dict(), indent=1, ensure_ascii=False)
    write_atomically(path, (text + "\n").encode("utf-8", "replace"))
    return rating


def _read(path: Path) -> Rating | None:
    """Return the rating of a file; None if there is none or it cannot be read."""
    try:
        with open(path, "rb") as file:
            data = json.loads(file.read(_MAX_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    return Rating.from_dict(data) if isinstance(data, dict) else None


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""
