"""Where takes lie: ``<folder>/<session>/<song>/<pass>/take-0007/``; making, finding, recovering them."""

from __future__ import annotations

import contextlib
import difflib
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner.errors import TakeFormatError, UsageError
from runner.takes.files import in_use, sync_folder
from runner.takes.index import TakeEntry, list_takes
from runner.takes.names import safe_name, take_name, take_number
from runner.takes.reader import EVENTS_FILE, SUMMARY_FILE, read_header

#: An hour of four ports with clock and dense parts takes about 60 MB with its copy as a MIDI file.
NEEDED_BYTES = 100 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class NewTake:
    """A take's folder that was just made; `key` is its path from the store's folder."""

    folder: Path
    number: int
    key: str


@dataclass(frozen=True, slots=True)
class RecoveredTake:
    """A take that was found without its take.json: the summary made for it, or why none could be."""

    folder: Path
    summary: dict[str, Any] | None
    error: str = ""


class Store:
    """The takes under one folder."""

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)

    def check_writable(self, needed_bytes: int = NEEDED_BYTES) -> str | None:
        """Return why takes cannot be written here, with the remedy, or None if they can and there is room."""
        return self.why_closed() or self.why_short(needed_bytes)

    def why_closed(self) -> str | None:
        """Return why nothing can be written here, with the remedy, or None if it can.

        Makes the folder if it is not there, writes a file, brings it to the medium and deletes it.
        """
        place = f"takes folder {self.folder}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=self.folder, prefix=".probe-") as probe:
                probe.write(bytes(4096))
                probe.flush()
                os.fsync(probe.fileno())
        except FileExistsError:
            return f"{place}: there is a file in the way; name another folder with --takes-folder"
        except OSError as error:
            reason = error.strerror or str(error)
            return f"{place} cannot be written: {reason}; free it or name another with --takes-folder"
        return None

    def why_short(self, needed_bytes: int = NEEDED_BYTES) -> str | None:
        """Return that there is too little room for takes, with the remedy, or None if there is enough."""
        try:
            free = shutil.disk_usage(self.folder).free
        except OSError as error:  # pulled out in this moment
            return f"takes folder {self.folder}: its room cannot be told: {error.strerror or error}; mount it"
        if free < needed_bytes:
            return (
                f"takes folder {self.folder}: only {free / 1e6:.0f} MB are free, "
                f"{needed_bytes / 1e6:.0f} MB are wanted; make room or name another with --takes-folder"
            )
        return None

    def create(self, session: str, song: str, pass_name: str) -> NewTake:
        """Make the folder of the next take of a song and pass; `OSError` if it cannot be made.

        Two processes that do this at once get two takes.
        """
        parts = [safe_name(name) for name in (session, song, pass_name)]
        parent = self.folder.joinpath(*parts)
        parent.mkdir(parents=True, exist_ok=True)
        number = max((take_number(name) or 0 for name in os.listdir(parent)), default=0)
        while True:
            number += 1
            folder = parent / take_name(number)
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            sync_folder(parent)
            return NewTake(folder, number, "/".join([*parts, folder.name]))

    def takes(self) -> list[TakeEntry]:
        """Return all takes, oldest first."""
        return list_takes(self.folder)

    def find(self, text: str) -> Path:
        """Return the folder of a take; `UsageError` with near matches if it is none, or several.

        `text` is a folder, ``last``, or the end of a take's name: ``7``, ``Ropewalk/7``,
        ``Ropewalk/bass overdub/7``, with the session in front if need be; letter case is ignored.
        """
        for path in (Path(text), self.folder / text):
            with contextlib.suppress(OSError, ValueError):
                if (path / EVENTS_FILE).is_file() or (path / SUMMARY_FILE).is_file():
                    return path
        entries = self.takes()
        if not entries:
            raise UsageError(f"no take {text!r}: there are no takes in {self.folder}")
        if text.strip().casefold() == "last":
            return Path(entries[-1].path)
        wanted = [word.strip().casefold() for word in text.strip("/").split("/")]
        found = [entry for entry in entries if _matches(entry, wanted)]
        if len(found) == 1:
            return Path(found[0].path)
        if found:
            names = ", ".join(_full_name(entry) for entry in found[-5:])
            raise UsageError(f"{text!r} means {len(found)} takes; say which: {names}")
        near = difflib.get_close_matches(text, [entry.name for entry in entries], n=3, cutoff=0.4)
        hint = f"; did you mean {', '.join(near)}?" if near else f"; the last one is {entries[-1].name}"
        raise UsageError(f"no take {text!r} in {self.folder}{hint}")

    def recover_all(self, run: str = "") -> list[RecoveredTake]:
        """Close every take that its writer left open, with the verdict ``interrupted``.

        Takes of the run `run`, and takes that another process is writing, are left alone. The files
        that are there are not changed; take.json and capture.mid are added.
        """
        from runner.takes.closing import close_take  # the list of takes must not cost this import

        recovered: list[RecoveredTake] = []
        for entry in self.takes():
            folder = Path(entry.path)
            if (folder / SUMMARY_FILE).exists() or in_use(folder / EVENTS_FILE):
                continue
            try:
                if run and read_header(folder).run == run:
                    continue
                recovered.append(RecoveredTake(folder, close_take(folder, recovered=True)))
            except (TakeFormatError, OSError) as error:
                recovered.append(RecoveredTake(folder, None, str(error)))
        return recovered


def _matches(entry: TakeEntry, wanted: list[str]) -> bool:
    names = [entry.session.casefold(), entry.song.casefold(), entry.pass_name.casefold()]
    last = wanted[-1].removeprefix("take-").lstrip("0")
    if last != str(entry.number):
        return False
    before = wanted[:-1]
    if not before or names[-len(before) :] == before:
        return True
    return len(before) == 1 and before[0] == names[1]


def _full_name(entry: TakeEntry) -> str:
    return f"{entry.session}/{entry.name}"
