"""`takewright compare`: names, exit codes, text, JSON and page."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

Call = Callable[..., Any]


def test_two_takes_of_a_song(takes: Path, call: Call, tmp_path: Path) -> None:
    """Takes are named as for `audit`; it exits 0 if they sit together, and writes a page if asked."""
    page = tmp_path / "both.html"
    told = call("compare", "Ropewalk/1", "Ropewalk/2", "--takes-folder", takes, "--html", page)
    assert told.code == 0
    assert told.out.startswith("TOGETHER  bass overdub, take 2, against bass overdub, take 1\n")
    assert page.read_text().startswith("<!DOCTYPE html>")
    rows = json.loads(call("compare", "Ropewalk/1", "Ropewalk/2", "--takes-folder", takes, "--json").out)
    assert [(row["sits"], row["worst"]["bar"] in (0, 1, 2)) for row in rows] == [("together", True)]


def test_takes_that_cannot_be_compared_exit_2(takes: Path, call: Call) -> None:
    """One take, takes of two songs, and a take that is not there are errors of use."""
    assert "two takes" in call("compare", "Ropewalk/1", "--takes-folder", takes).err
    told = call("compare", "Ropewalk/1", "Net Loft/1", "--takes-folder", takes)
    assert told.code == 2 and "different songs" in told.err
    assert call("compare", "Ropewalk/1", "Ropewalk/9", "--takes-folder", takes).code == 2
