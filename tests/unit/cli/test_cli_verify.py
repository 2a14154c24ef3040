"""`takewright verify`: what is whole, what is damaged, and how much of it can be read."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]


@pytest.fixture
def hurt(takes: Path, tmp_path: Path) -> Path:
    """A copy of the takes of which files may be spoilt."""
    return Path(shutil.copytree(takes, tmp_path / "hurt"))


def take_of(root: Path, name: str) -> Path:
    """Return the folder of a take of song Ropewalk."""
    (folder,) = root.rglob(f"Ropewalk/*/{name}")
    return folder


def test_whole_takes_are_said_to_be_whole(hurt: Path, call: Call) -> None:
    """One, by name, and all; exit code 0."""
    one = call("verify", "Ropewalk/1", "--takes-folder", hurt)
    assert one.code == 0
    assert one.out.startswith("whole") and one.out.rstrip().endswith("files")
    files = [file for file in take_of(hurt, "take-0001").iterdir() if file.name != "take.json"]
    assert f"take.json and its {len(files)} files" in one.out
    assert "verify all" not in one.out
    last = call("verify", "--takes-folder", hurt).out
    assert last.splitlines()[-1] == "This was the last take only; `takewright verify all` looks at every one."
    every = call("verify", "all", "--takes-folder", hurt)
    assert every.code == 0
    count = len(list(hurt.rglob("take.json")))
    assert every.out.splitlines()[-1] == f"{count} of {count} takes whole"


def test_a_flipped_bit_and_a_lost_file_are_named(hurt: Path, call: Call) -> None:
    """A single bit of the Standard MIDI File, then no such file. The take is read, and nothing is changed."""
    folder = take_of(hurt, "take-0001")
    capture = folder / "capture.mid"
    data = bytearray(capture.read_bytes())
    data[len(data) // 2] ^= 1
    capture.write_bytes(data)
    before = {file.name: hashlib.sha256(file.read_bytes()).digest() for file in folder.iterdir()}
    told = call("verify", "Ropewalk/1", "--takes-folder", hurt)
    assert told.code == 1
    assert told.out.startswith("damaged")
    assert "capture.mid: changed; its content differs" in told.out
    assert "records can be read" in told.out
    assert {file.name: hashlib.sha256(file.read_bytes()).digest() for file in folder.iterdir()} == before
    capture.unlink()
    assert "capture.mid: missing" in call("verify", folder).out


def test_a_cut_log_is_read_as_far_as_it_goes(hurt: Path, call: Call) -> None:
    """Size, place and number of records of a log that was cut in the middle of a line, as JSON too."""
    folder = take_of(hurt, "take-0001")
    events = folder / "events.jsonl"
    size = events.stat().st_size
    events.write_bytes(events.read_bytes()[:-40])
    assert f"events.jsonl: changed; {size - 40} bytes instead of {size}" in call("verify", folder).out
    (row,) = json.loads(call("verify", folder, "--json").out)
    assert row["whole"] is False and row["records"] > 0 and row["error"] == ""
    assert {"name": "events.jsonl", "state": "changed"}.items() <= next(
        each for each in row["files"] if each["name"] == "events.jsonl"
    ).items()
    assert row["damages"][0]["file"] == "events.jsonl"


def test_one_that_cannot_be_read_does_not_hide_the_others(hurt: Path, call: Call) -> None:
    """Without take.json there is nothing to hold its files against; the others are verified all the same."""
    (take_of(hurt, "take-0001") / "take.json").write_text("{")
    told = call("verify", "all", "--takes-folder", hurt)
    assert told.code == 1
    assert "take.json: unrecorded" in told.out
    assert told.out.count("whole  ") == len(list(hurt.rglob("take.json"))) - 1


def test_a_name_that_is_none_is_an_error_of_use(hurt: Path, call: Call) -> None:
    """As for the other commands that name a take."""
    assert call("verify", "Ropewalk/99", "--takes-folder", hurt).code == 2
