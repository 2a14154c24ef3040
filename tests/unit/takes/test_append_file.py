"""A file that only grows, on a medium that comes back without its end (RFC 8259 for the lines)."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from runner.takes.files import RECENT_BYTES, AppendFile

LINES = [json.dumps({"n": number, "t": 1000 * number}).encode() + b"\n" for number in range(60_000)]


def _parsed(path: Path) -> list[dict[str, int]]:
    """Return the lines of a file that are whole, as a reader takes them."""
    found = []
    for line in path.read_bytes().splitlines():
        try:
            value = json.loads(line)
        except ValueError:
            continue
        if isinstance(value, dict):
            found.append(value)
    return found


@pytest.mark.parametrize("cut", range(400, 440))
def test_two_halves_of_lines_never_read_as_one(tmp_path: Path, cut: int) -> None:
    """Wherever the medium stopped, and however much it lost, each line read is one that was written."""
    path = tmp_path / "events.jsonl"
    file = AppendFile(path, joint=b"\n")
    file.append(b"".join(LINES[:-1]))
    file.write_out()
    file.let_go()
    assert path.stat().st_size - cut > 3 * RECENT_BYTES  # more than can be written again
    os.truncate(path, cut)
    file.append(LINES[-1])
    file.write_out()
    file.close()
    read = _parsed(path)
    assert all(line["t"] == 1000 * line["n"] for line in read)
    numbers = [line["n"] for line in read]
    assert numbers == sorted(set(numbers))
    assert numbers[-1] == len(LINES) - 1
    assert len(numbers) > RECENT_BYTES // len(LINES[-1])


def test_what_can_all_be_written_again_gets_no_joint(tmp_path: Path) -> None:
    """The file is byte for byte what it would have been."""
    path = tmp_path / "events.jsonl"
    file = AppendFile(path, joint=b"\n")
    file.append(b"".join(LINES[:100]))
    file.write_out()
    file.let_go()
    os.truncate(path, 333)
    file.append(LINES[100])
    file.write_out()
    file.close()
    assert path.read_bytes() == b"".join(LINES[:101])
