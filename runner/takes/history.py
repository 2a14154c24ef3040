"""What the song's other takes have, for the audit of one: read from their take.json beside it."""

from __future__ import annotations

import json
from pathlib import Path

from runner.audit.facts import History
from runner.takes.names import take_number
from runner.takes.reader import SUMMARY_FILE
from runner.takes.summary import history_of

MOST = 40  #: of them: the latest say most, and a song may have hundreds
_MAX_BYTES = 8 * 1024 * 1024


def histories(folder: Path) -> list[History]:
    """Return what the other takes of a take's song say, of every pass, the latest first.

    Only the folder's neighbours are looked at (``<song>/<pass>/take-0007``); what cannot be read is left out.
    """
    folder = folder.resolve()
    found: list[tuple[float, Path]] = []
    for path in folder.parent.parent.glob(f"*/take-*/{SUMMARY_FILE}"):
        if path.parent != folder and take_number(path.parent.name) is not None:
            try:
                stat = path.stat()
            except OSError:
                continue
            if stat.st_size <= _MAX_BYTES:
                found.append((stat.st_mtime, path))
    read = (_read(path) for _, path in sorted(found, reverse=True)[:MOST])
    return [history for history in read if history is not None]


def _read(path: Path) -> History | None:
    try:
        summary = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return history_of(summary) if isinstance(summary, dict) else None
