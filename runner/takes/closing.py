"""Closes a take: reads its log back, writes capture.mid, and last of all take.json. Also for torn takes.

What is on disk decides, not what some process remembers, so a take that is closed in the ordinary way and
one that is recovered after a power cut go through the same hands.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from runner.takes.files import sha256_of, write_atomically
from runner.takes.journal import journal_files
from runner.takes.midi_capture import capture_midi
from runner.takes.reader import (
    CLOCK_FILE,
    EVENTS_FILE,
    PLAN_FILE,
    RECORDER_FILE,
    SUMMARY_FILE,
    read_take,
)
from runner.takes.summary import summarise

CAPTURE_FILE = "capture.mid"
SESSION_FILE = "session.yaml"
LISTED_FILES = (EVENTS_FILE, CLOCK_FILE, CAPTURE_FILE, SESSION_FILE, PLAN_FILE, RECORDER_FILE)


def close_take(
    folder: Path, *, lost: int = 0, recovered: bool = False, notes: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Write a take's capture.mid and take.json and return the summary.

    `lost` is how many records never reached the log; `recovered` leaves the writer's working files in
    place, as evidence. A disk that takes nothing does not raise: the summary then says in "files" what is
    missing, and the take is recovered later. `TakeFormatError` if there is no readable take.
    """
    take = read_take(folder, plan=True)
    take.summary = None  # an older one has no say
    summary = summarise(take, lost=lost, recovered=recovered, notes=notes)
    unwritten: list[str] = []
    try:
        write_atomically(folder / CAPTURE_FILE, capture_midi(take))
    except OSError as error:
        unwritten.append(f"{CAPTURE_FILE}: {error.strerror or error}")
    summary["files"] = _checksums(folder)
    if unwritten:
        summary["notes"]["unwritten"] = unwritten
    try:
        write_atomically(folder / SUMMARY_FILE, summary_bytes(summary))
    except OSError as error:
        summary["notes"]["unwritten"] = [*unwritten, f"{SUMMARY_FILE}: {error.strerror or error}"]
        return summary
    if not recovered:
        for _, path in journal_files(folder):
            path.unlink(missing_ok=True)
    return summary


def summary_bytes(summary: Mapping[str, Any]) -> bytes:
    """Return a summary as the bytes of take.json."""
    return (json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _checksums(folder: Path) -> dict[str, dict[str, Any]]:
    """Return size and SHA-256 of each file of the take that is there."""
    found: dict[str, dict[str, Any]] = {}
    for name in LISTED_FILES:
        path = folder / name
        try:
            found[name] = {"bytes": path.stat().st_size, "sha256": sha256_of(path)}
        except OSError:
            continue
    return found
