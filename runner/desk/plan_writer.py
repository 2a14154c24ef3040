"""Writes what is due in a take into its folder, while the take rolls: no player waits for it.

A long song on several ports is a million messages. The file is there under its own name once it is whole.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

ROWS_AT_A_TIME = 200  #: a few ms of work
PAUSE_S = 0.02  #: between them, so that it takes a small part of a core


class PlanWriter:
    """Writes `rows` to `path`, a row a line; `write` is for a thread of its own, `hurry` for any other."""

    def __init__(self, path: Path, rows: Iterator[Mapping[str, Any]]) -> None:
        self._path = path
        self._rows = rows
        self._late = threading.Event()

    def hurry(self) -> None:
        """Make no more pauses: somebody waits for the file."""
        self._late.set()

    def write(self) -> None:
        """Write the file; where the disk does not take it, the take goes without it."""
        part = self._path.with_name(f"{self._path.name}.part")
        try:
            with part.open("w", encoding="utf-8") as file:
                file.write("[")
                begin = "\n"
                while some := list(islice(self._rows, ROWS_AT_A_TIME)):
                    for row in some:
                        file.write(begin + json.dumps(row, separators=(",", ":")))
                        begin = ",\n"
                    self._late.wait(PAUSE_S)
                file.write("\n]\n")
            os.replace(part, self._path)
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
