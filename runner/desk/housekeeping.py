"""Tidies old takes away, as `takes: {keep-last, keep-free}` of the session says; what is kept stays.

`what_to_remove` decides and touches nothing. A take is removed in two steps: its folder is renamed into
the trash, which is a moment or nothing, and then deleted. What a crash or a power cut leaves in the trash
is deleted at the next start. Takes of other sessions in the same folder are theirs to tidy.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from runner.takes.files import in_use, sync_folder
from runner.takes.index import DAMAGED, OPEN, TakeEntry, list_takes
from runner.takes.rating import DISCARD, read_rating
from runner.takes.reader import EVENTS_FILE, PLAN_FILE

BEGINNING_S = 60.0  #: how old the folder of a take that never began must be to be taken away
SESSION_FILE = "session.yaml"
_BEGINNING = frozenset((PLAN_FILE, SESSION_FILE))  #: what a folder holds before its take begins
TRASH = ".trash"  #: in the takes folder, so that a rename is enough


@dataclass(frozen=True, slots=True)
class Rules:
    """What a session says of old takes: how many of a song and pass stay, how much of the disk stays free."""

    session: str
    keep_last: int | None = None
    keep_free_bytes: int | None = None

    def __bool__(self) -> bool:
        """Whether anything is to be tidied at all."""
        return self.keep_last is not None or self.keep_free_bytes is not None


@dataclass(frozen=True, slots=True)
class Removal:
    """A take to be removed, why, and what that gives back."""

    entry: TakeEntry
    why: str
    freed_bytes: int = 0


@dataclass(slots=True)
class Tidied:
    """What became of one tidying: takes removed, what went wrong, and how much is still wanting."""

    removed: list[Removal] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    short_bytes: int = 0


def what_to_remove(
    entries: Sequence[TakeEntry],
    rules: Rules,
    free_bytes: int,
    size_of: Callable[[TakeEntry], int],
    busy: Iterable[str] = (),
) -> list[Removal]:
    """Return which takes are to go, in order.

    Never one that is rated keep, that is open or cannot be read, that is `busy` (a path), nor the last of
    its song and pass, nor the last there that is not rated discard. Those rated discard go first, then the
    oldest. Takes rated keep do not count among the last.
    """
    ours = [entry for entry in entries if entry.session == rules.session]
    may_go = _may_go(ours, frozenset(busy))
    removals: list[Removal] = []
    if rules.keep_last is not None:
        removals = _beyond_the_last(ours, may_go, rules.keep_last, size_of)
    if rules.keep_free_bytes is not None:
        gone = {removal.entry.path for removal in removals}
        free_bytes += sum(removal.freed_bytes for removal in removals)
        for entry in (each for each in may_go if each.path not in gone):
            if free_bytes >= rules.keep_free_bytes:
                break
            why = f"less than {rules.keep_free_bytes / 1e6:.0f} MB are free"
            removals.append(Removal(entry, why, size_of(entry)))
            free_bytes += removals[-1].freed_bytes
    return removals


def _may_go(ours: Sequence[TakeEntry], busy: frozenset[str]) -> list[TakeEntry]:
    """Return what may be removed at all, what is to go first in front."""
    last: dict[tuple[str, str, bool], TakeEntry] = {}
    for entry in ours:
        for key in ((entry.song, entry.pass_name, False), (entry.song, entry.pass_name, True)):
            wanted = not key[2] or entry.rating != DISCARD
            if wanted and (key not in last or entry.number > last[key].number):
                last[key] = entry
    protected = {entry.path for entry in last.values()} | busy
    free = [entry for entry in ours if _closed(entry) and not entry.kept and entry.path not in protected]
    return sorted(
        free, key=lambda entry: (entry.rating != DISCARD, entry.started_at, entry.number, entry.path)
    )


def _closed(entry: TakeEntry) -> bool:
    return entry.verdict not in (OPEN, DAMAGED)


def _beyond_the_last(
    ours: Sequence[TakeEntry],
    may_go: Sequence[TakeEntry],
    keep_last: int,
    size_of: Callable[[TakeEntry], int],
) -> list[Removal]:
    too_many: dict[tuple[str, str], int] = {}
    for entry in ours:
        if _closed(entry) and not entry.kept:
            key = (entry.song, entry.pass_name)
            too_many[key] = too_many.get(key, -keep_last) + 1
    removals: list[Removal] = []
    by_number = sorted(may_go, key=lambda entry: (entry.rating != DISCARD, entry.number))
    for entry in by_number:
        key = (entry.song, entry.pass_name)
        if too_many[key] > 0:
            too_many[key] -= 1
            why = f"more than {keep_last} take{'s' if keep_last > 1 else ''} of it"
            removals.append(Removal(entry, why, size_of(entry)))
    return removals


# ---------------------------------------------------------------------- the disk


def tidy(root: Path, rules: Rules, busy: Iterable[str] = ()) -> Tidied:
    """Remove what `rules` say from a takes folder; for a thread of its own, a slow card takes its time."""
    result = Tidied()
    empty_trash(root, result.problems)
    remove_beginnings(root)
    if not rules:
        return result
    try:
        free_bytes = shutil.disk_usage(root).free
    except OSError as error:
        result.problems.append(f"takes folder {root}: {error.strerror or error}")
        return result
    for removal in what_to_remove(list_takes(root), rules, free_bytes, size_of, busy):
        try:
            if remove_take(root, Path(removal.entry.path)):
                result.removed.append(removal)
        except OSError as error:
            result.problems.append(f"{removal.entry.path} cannot be removed: {error.strerror or error}")
    if rules.keep_free_bytes is not None:
        with contextlib.suppress(OSError):
            result.short_bytes = max(0, rules.keep_free_bytes - shutil.disk_usage(root).free)
    return result


def size_of(entry: TakeEntry) -> int:
    """Return the bytes of the disk that a take uses, 0 if it cannot be seen."""
    total = 0
    for folder, _, files in os.walk(entry.path):
        for name in files:
            with contextlib.suppress(OSError):
                total += os.lstat(os.path.join(folder, name)).st_blocks * 512
    return total


def remove_take(root: Path, folder: Path) -> bool:
    """Remove one take; False if it has been rated keep, or is being written, since it was chosen."""
    if read_rating(folder).kept or in_use(folder / EVENTS_FILE):
        return False
    trash = root / TRASH
    trash.mkdir(exist_ok=True)
    gone = trash / f"{folder.name}-{uuid.uuid4().hex[:8]}"
    os.rename(folder, gone)
    sync_folder(folder.parent)
    _delete(gone)
    return True


def empty_trash(root: Path, problems: list[str] | None = None) -> int:
    """Delete what an interrupted tidying left behind; return how many takes that were."""
    trash = root / TRASH
    try:
        names = os.listdir(trash)
    except OSError:
        return 0
    for name in names:
        try:
            _delete(trash / name)
        except OSError as error:
            if problems is not None:
                problems.append(f"{trash / name} cannot be removed: {error.strerror or error}")
    return len(names)


def remove_beginnings(root: Path, older_than_s: float = BEGINNING_S) -> int:
    """Remove folders that were made for a take that never began; return how many.

    They hold at most what was to be played, and no log: their maker died before the roll. One whose plan is
    held by a live daemon, which waits for another machine's Start perhaps, is left alone, and so is a young
    one, whose maker may not have come to the plan yet.
    """
    count = 0
    for folder in root.glob("*/*/*/take-*/"):
        with contextlib.suppress(OSError):
            if (folder / EVENTS_FILE).exists() or not set(os.listdir(folder)) <= _BEGINNING:
                continue
            if time.time() - folder.stat().st_mtime > older_than_s and not in_use(folder / PLAN_FILE):
                _delete(folder)
                count += 1
    return count


def _delete(path: Path) -> None:
    """Delete a folder with all that is in it, or a file or link."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
