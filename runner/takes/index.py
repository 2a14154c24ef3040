"""The list of takes under a folder, fast: a cache of what each take.json says, never the truth.

The folders are walked every time; only a take whose take.json or rating is new or has changed since (by
time, size or inode) is read. The cache file may be deleted, old, damaged or unwritable: it only costs time.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner.errors import TakeFormatError
from runner.takes.files import write_atomically
from runner.takes.names import take_number, true_name
from runner.takes.rating import KEEP, RATING_FILE, read_rating
from runner.takes.reader import SUMMARY_FILE, read_header

INDEX_FILE = ".takes-index.json"
INDEX_FORMAT = 2
OPEN = "open"  #: instead of a verdict: the take is being written, or has not been recovered yet
DAMAGED = "damaged"  #: instead of a verdict: its take.json cannot be read


@dataclass(frozen=True, slots=True)
class TakeEntry:
    """One take of the list. `verdict` is also ``open`` (no take.json yet) or ``damaged``.

    `codes` are the codes of its findings; `seconds` how long it rolled; `rating` what a person said of it:
    ``keep``, ``discard`` or "", and `marks` how many places in it were marked.
    """

    path: str
    session: str
    song: str
    pass_name: str
    number: int
    started_at: str = ""
    verdict: str = OPEN
    seconds: float = 0.0
    codes: tuple[str, ...] = ()
    rating: str = ""
    marks: int = 0

    @property
    def kept(self) -> bool:
        """Whether somebody said that the take is to be kept."""
        return self.rating == KEEP

    @property
    def name(self) -> str:
        """The short name that `find` understands, such as ``Ropewalk/bass overdub/7``."""
        return f"{self.song}/{self.pass_name}/{self.number}"

    def to_dict(self) -> dict[str, Any]:
        """Return the entry as plain data."""
        return {
            "path": self.path,
            "session": self.session,
            "song": self.song,
            "pass": self.pass_name,
            "number": self.number,
            "started_at": self.started_at,
            "verdict": self.verdict,
            "seconds": self.seconds,
            "codes": list(self.codes),
            "kept": self.kept,
            "rating": self.rating or None,
            "marks": self.marks,
        }


def list_takes(root: Path) -> list[TakeEntry]:
    """Return all takes under a takes folder, oldest first; takes of unknown date come first."""
    cache = _load(root / INDEX_FILE)
    rows: dict[str, list[Any]] = {}
    entries: list[TakeEntry] = []
    for folder, key, mark in _walk(str(root)):
        row = cache.get(key)
        if row is None or not mark or row[0] != mark:
            row = [mark, *_row(folder)]
        if mark:
            rows[key] = row
        with contextlib.suppress(TypeError, ValueError, IndexError):
            entries.append(_entry(folder, key, row))
    if rows != cache:
        with contextlib.suppress(OSError):
            write_atomically(
                root / INDEX_FILE, json.dumps([INDEX_FORMAT, rows], separators=(",", ":")).encode()
            )
    entries.sort(key=lambda entry: (entry.started_at, entry.path))
    return entries


def _walk(root: str) -> Iterator[tuple[str, str, list[int]]]:
    """Yield each take folder with its path from the root and the stamps of its files ([] if no take.json)."""
    for session in _folders(root):
        for song in _folders(session.path):
            for a_pass in _folders(song.path):
                for take in _folders(a_pass.path):
                    if take_number(take.name) is None:
                        continue
                    key = f"{session.name}/{song.name}/{a_pass.name}/{take.name}"
                    mark = _stamp(f"{take.path}/{SUMMARY_FILE}")
                    yield take.path, key, mark and mark + _stamp(f"{take.path}/{RATING_FILE}")


def _stamp(path: str) -> list[int]:
    """Return what changes when a file does; [] of no file."""
    try:
        stat = os.stat(path)
    except OSError:
        return []
    return [stat.st_mtime_ns, stat.st_size, stat.st_ino]


def _folders(path: str) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(path) as entries:
            return [entry for entry in entries if entry.is_dir()]
    except OSError:
        return []


def _row(folder: str) -> list[Any]:
    """Return [session, song, pass, started_at, verdict, seconds, codes, rating, marks] of a take."""
    rating = read_rating(Path(folder))
    return [*_take_row(folder), rating.rating, len(rating.marks)]


def _take_row(folder: str) -> list[Any]:
    try:
        with open(f"{folder}/{SUMMARY_FILE}", "rb") as file:
            summary = json.load(file)
        return _summary_row(summary)
    except FileNotFoundError:
        pass
    except (OSError, ValueError, RecursionError, TypeError, AttributeError, KeyError):
        return [None, None, None, "", DAMAGED, 0.0, []]
    try:
        header = read_header(Path(folder))
    except TakeFormatError:
        return [None, None, None, "", OPEN, 0.0, []]
    return [header.session, header.song, header.pass_name, header.started_at, OPEN, 0.0, []]


def _summary_row(summary: Mapping[str, Any]) -> list[Any]:
    codes = sorted({str(finding["code"]) for finding in summary["findings"]})
    words = [summary[key] for key in ("session", "song", "pass", "started_at", "verdict")]
    if not all(isinstance(word, str) for word in words):
        raise TypeError("a name that is no text")
    return [*words, float(summary.get("seconds", 0.0)), codes]


def _entry(folder: str, key: str, row: list[Any]) -> TakeEntry:
    session, song, a_pass, take = key.split("/")
    return TakeEntry(
        path=folder,
        session=row[1] if row[1] is not None else true_name(session),
        song=row[2] if row[2] is not None else true_name(song),
        pass_name=row[3] if row[3] is not None else true_name(a_pass),
        number=take_number(take) or 0,
        started_at=str(row[4]),
        verdict=str(row[5]),
        seconds=float(row[6]),
        codes=tuple(row[7]),
        rating=str(row[8]),
        marks=int(row[9]),
    )


def _load(path: Path) -> dict[str, list[Any]]:
    try:
        version, rows = json.loads(path.read_bytes())
    except (OSError, ValueError, TypeError, RecursionError):
        return {}
    if version != INDEX_FORMAT or not isinstance(rows, dict):
        return {}
    return {key: row for key, row in rows.items() if _is_row(row)}


def _is_row(row: Any) -> bool:
    return (
        isinstance(row, list)
        and len(row) == 10
        and isinstance(row[0], list)
        and all(word is None or isinstance(word, str) for word in row[1:6])
        and isinstance(row[7], list)
        and all(isinstance(code, str) for code in row[7])
        and isinstance(row[8], str)
        and isinstance(row[9], int)
    )
