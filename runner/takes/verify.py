"""Checks a take's files against the checksums recorded at its closing, and says what can still be read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from runner.takes.files import sha256_of
from runner.takes.model import Damage
from runner.takes.reader import read_take


@dataclass(frozen=True, slots=True)
class FileCheck:
    """One file of a take. `state` is whole, changed, missing, unrecorded (no checksum) or unreadable."""

    name: str
    state: str
    text: str = ""

    @property
    def fine(self) -> bool:
        """Whether nothing is wrong with the file."""
        return self.state == "whole"


@dataclass(frozen=True, slots=True)
class Verification:
    """What `verify_take` found: each file, and the places in them that cannot be read."""

    folder: Path
    checks: tuple[FileCheck, ...]
    damages: tuple[Damage, ...]
    records: int  #: records that can be read

    @property
    def fine(self) -> bool:
        """Whether all files are as they were when the take was closed."""
        return bool(self.checks) and all(check.fine for check in self.checks)


def verify_take(folder: Path) -> Verification:
    """Return how a take's files stand; `TakeFormatError` if there is no readable take. Changes nothing."""
    take = read_take(folder, plan=True)
    recorded = (take.summary or {}).get("files")
    if not isinstance(recorded, dict) or not recorded:
        reason = "take.json is missing or damaged, so there are no checksums to hold the files against"
        check = FileCheck("take.json", "unrecorded", reason)
        return Verification(folder, (check,), tuple(take.damages), take.record_count)
    checks = tuple(_check(folder, str(name), facts) for name, facts in sorted(recorded.items()))
    return Verification(folder, checks, tuple(take.damages), take.record_count)


def _check(folder: Path, name: str, facts: object) -> FileCheck:
    expected = facts.get("sha256") if isinstance(facts, dict) else None
    size = facts.get("bytes") if isinstance(facts, dict) else None
    if not isinstance(expected, str) or "/" in name or name in ("", ".", ".."):
        return FileCheck(name, "unrecorded", "take.json holds no checksum for it")
    path = folder / name
    try:
        actual_size = path.stat().st_size
        actual = sha256_of(path)
    except FileNotFoundError:
        return FileCheck(name, "missing", "the file is not there")
    except OSError as error:
        return FileCheck(name, "unreadable", error.strerror or str(error))
    if actual == expected:
        return FileCheck(name, "whole")
    if actual_size != size:
        return FileCheck(name, "changed", f"{actual_size} bytes instead of {size}")
    return FileCheck(name, "changed", "its content differs from what was recorded at closing")
