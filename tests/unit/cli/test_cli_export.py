"""`takewright takes export`: what is meant, where it goes, and what could not be read."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]


def songs(folder: Path) -> list[str]:
    """Return song and number of each take that was exported."""
    with open(folder / "takes.csv", encoding="utf-8", newline="") as file:
        return [f"{row['song']} {row['number']}" for row in csv.DictReader(file)]


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        ("Ropewalk/2", ["Ropewalk 2"]),
        ("last", ["Ropewalk 2"]),
        ("lantern quay*", ["Net Loft 1", "Ropewalk 1", "Ropewalk 2"]),
        ("all", ["Net Loft 1", "Ropewalk 1", "Ropewalk 2"]),
    ],
)
def test_a_take_a_session_or_all(
    takes: Path, call: Call, tmp_path: Path, what: str, expected: list[str]
) -> None:
    """A take by its name, a session by its own, or every take there is."""
    told = call("takes", "export", what, "--takes-folder", takes, "--csv", tmp_path / "out")
    assert told.code == 0
    assert songs(tmp_path / "out") == expected
    assert told.out.startswith(f"{len(expected)} take")


def test_a_broken_take_is_told_and_left_out(takes: Path, call: Call, tmp_path: Path) -> None:
    """It exits 1 and names the take; the others are written."""
    broken = takes / "Lantern Quay, evening run" / "Net Loft" / "bass overdub" / "take-0001"
    for file in broken.iterdir():
        file.write_bytes(b"\xff")
    told = call("takes", "export", "all", "--takes-folder", takes, "--csv", tmp_path / "out")
    assert told.code == 1
    assert f"{broken} could not be read" in told.err
    assert "2 takes in " in told.out


@pytest.mark.parametrize(
    "words", [("all",), ("Ropewalk/9", "--csv", "out"), ("Tide*", "--csv", "out"), ("--csv", "out")]
)
def test_what_makes_no_sense_exits_2(takes: Path, call: Call, words: tuple[str, ...]) -> None:
    """No place to write to, no such take, no such session, nothing named: errors of use, nothing written."""
    assert call("takes", "export", *words, "--takes-folder", takes).code == 2
    assert not Path("out").exists()


def test_the_page_of_an_evening(takes: Path, call: Call, tmp_path: Path) -> None:
    """`takes --page` writes the takes that were asked for, one damaged or not, and lists them too."""
    (
        takes / "Lantern Quay, evening run" / "Net Loft" / "bass overdub" / "take-0001" / "take.json"
    ).write_bytes(b"{")
    told = call("takes", takes, "--page", tmp_path / "evening.html")
    assert told.code == 0 and "3 takes" in told.out
    page = (tmp_path / "evening.html").read_text()
    assert "2 clean, 1 damaged" in page and "Net Loft" in page
    call("takes", takes, "--song", "Ropewalk", "--page", tmp_path / "evening.html")
    assert "Net Loft" not in (tmp_path / "evening.html").read_text()


@pytest.mark.parametrize("words", [("audit", "last"), ("takes",), ("compare", "Ropewalk/1", "Ropewalk/2")])
def test_nothing_heavy_is_imported(takes: Path, words: tuple[str, ...]) -> None:
    """To say what a take was needs no model, no MIDI library, no tables and no terminal library."""
    place = [str(takes)] if words[0] == "takes" else ["--takes-folder", str(takes)]
    program = (
        "import json, sys\nfrom runner.cli.main import run\nrun(sys.argv[1:])\n"
        "print(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))"
    )
    out = subprocess.check_output([sys.executable, "-c", program, *words, *place], text=True)
    loaded = set(json.loads(out.splitlines()[-1]))
    heavy = {"rich", "pydantic", "yaml", "mido", "rtmidi", "numpy", "pyarrow", "apscheduler", "structlog"}
    assert "runner" in loaded
    assert loaded & heavy == set()
