"""What a person sees while takes roll: with a terminal, without one, and when the terminal goes away."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from rich.cells import cell_len
from rich.console import Console

from runner.cli.view import RunView, position_text, strip, worst_first
from runner.desk.job import Report

TAKE = {
    "song": "Ropewalk", "pass": "bass overdub", "number": 7, "verdict": "flawed",
    "folder": "/takes/take-0007",
    "findings": [
        {"severity": "note", "at": None, "text": "stopped early", "code": "stopped-early"},
        {"severity": "warning", "at": "bar 9 beat 2", "text": "late", "code": "clock-late"},
        {"severity": "error", "at": "bar 17 beat 1", "text": "refused", "code": "port-send-failed"},
        {"severity": "warning", "at": "bar 3 beat 1", "text": "late too", "code": "message-late"},
    ],
}  # fmt: skip
ROLLING = {"song": "Ropewalk", "pass": "bass overdub", "number": 7, "folder": "/takes/take-0007"}
POSITION = {
    "song": "Ropewalk", "state": "rolling", "at": "bar 5 beat 2 7/12", "section": "verse", "left_s": 61.0,
}  # fmt: skip


def screen(terminal: bool = False) -> Console:
    """Return a console that writes into memory, 80 columns wide."""
    return Console(file=io.StringIO(), width=80, force_terminal=terminal, highlight=False, soft_wrap=True)


def text_of(console: Console) -> str:
    """Return what was written to a console of `screen`."""
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_without_a_terminal_only_events_are_told() -> None:
    """A line when a take rolls and one when it is closed, its worst findings first; no positions."""
    console = screen()
    with RunView(console) as view:
        view(Report("rolling", ROLLING))
        for _ in range(50):
            view(Report("position", POSITION))
        view(Report("take", TAKE))
    lines = text_of(console).splitlines()
    assert lines == [
        "rolling  Ropewalk, bass overdub, take 7",
        "flawed       Ropewalk, bass overdub, take 7",
        "    error: bar 17 beat 1: refused",
        "    warning: bar 9 beat 2: late",
        "    warning: bar 3 beat 1: late too",
        "    and 1 more finding",
        "    /takes/take-0007",
    ]
    assert view.summaries == [TAKE]


def test_on_a_terminal_the_position_moves_in_place() -> None:
    """Song, take, bar and beat, section, a strip, and the time that is left."""
    console = screen(terminal=True)
    with RunView(console) as view:
        view(Report("rolling", ROLLING))
        view(Report("position", {**POSITION, "left_s": 120.0}))
        view(Report("position", POSITION))
        assert view._live is not None
        view._live.refresh()
    text = text_of(console)
    assert "bar 5 beat 2, verse" in text
    assert "▪▪▪▪▪▪▪·······" in text  # half of the 14 cells that 80 columns leave
    assert "1:01 left" in text
    assert "rolling  Ropewalk" not in text


def test_errors_and_warnings_are_kept_apart() -> None:
    """A warning is told at once; an error is kept for the end, where the command prints it."""
    console = screen()
    view = RunView(console)
    with view:
        view(Report("warning", {"text": "no real-time priority " * 8}))
        view(Report("error", {"text": "port front: not there"}))
        view(Report("beat", {}))
        view(Report("unheard-of", {}))
    assert text_of(console).startswith("note: no real-time priority")
    assert max(map(len, text_of(console).splitlines())) <= 80
    assert view.errors == ["port front: not there"]


class BrokenPipe(io.StringIO):
    """A file whose reader has gone."""

    def write(self, _text: str) -> int:
        """Refuse."""
        raise BrokenPipeError

    def fileno(self) -> int:
        """There is nothing behind it that could be turned away."""
        raise OSError


@pytest.mark.parametrize("error", [BrokenPipeError, OSError])
def test_a_terminal_that_goes_away_costs_nothing_but_the_text(error: type[OSError]) -> None:
    """The view raises nothing into the run, and still keeps what it heard."""

    class Gone(BrokenPipe):
        def write(self, _text: str) -> int:
            raise error

    from runner.cli.view import _Screen

    view = RunView(_Screen(file=Gone(), highlight=False))
    with view:
        view(Report("rolling", ROLLING))
        view(Report("take", TAKE))
        view(Report("error", {"text": "x"}))
    assert view.summaries == [TAKE]
    assert view.errors == ["x"]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ({"state": "lead", "at": "bar -1 beat 2"}, "lead, clock only"),
        ({"state": "pre-roll", "at": "bar 0 beat 3"}, "pre-roll, bar 0 beat 3"),
        ({"state": "rolling", "at": "bar 40 beat 2.5"}, "bar 40 beat 2"),
        ({"state": "tail", "at": "bar 65 beat 1 1/24", "section": "outro"}, "tail, bar 65 beat 1"),
        ({"state": "armed"}, "waiting for the other machine's start"),
        ({"state": "ready"}, "ready"),
    ],
)
def test_positions_in_words(data: dict[str, Any], text: str) -> None:
    """The stage outside the song, bar and beat within it, never a fraction that flickers."""
    assert position_text(data) == text


def test_the_strip_and_the_order_of_findings() -> None:
    """The strip never over- or underflows; findings are sorted by severity and keep their order in it."""
    assert (strip(-1), strip(0), strip(2)) == ("·" * 16, "·" * 16, "▪" * 16)
    assert strip(0.5) == "▪" * 8 + "·" * 8
    assert [finding["text"] for finding in worst_first(TAKE["findings"])] == [  # type: ignore[arg-type]
        "refused",
        "late",
        "late too",
        "stopped early",
    ]


@pytest.mark.parametrize("name", ["Ropewalk", "A very long name of a song that goes on and on and on"])
@pytest.mark.parametrize("columns", [60, 80, 120])
def test_the_moving_line_never_loses_the_place_and_the_time_left(name: str, columns: int) -> None:
    """A long name gives way first, then the strip."""
    console = Console(file=io.StringIO(), force_terminal=True, width=columns)
    with RunView(console) as view:
        view(Report("rolling", {"song": name, "pass": "rehearsal", "number": 12}))
        data = {"song": name, "state": "rolling", "at": "bar 117 beat 3", "section": "refrain"}
        line = view._line({**data, "left_s": 125.0}, 125.0).plain
    assert len(line) < columns
    assert "bar 117 beat 3" in line
    assert line.rstrip(" ▪·").endswith("2:05 left")


LONG = "The night we counted every lantern on the quay, and then once more (slow)"


def test_on_a_terminal_long_names_are_cut_in_the_middle_and_lines_fit() -> None:
    """The number of the take stays whole, and so does what tells names apart: their ends."""
    console = screen(terminal=True)
    take = {**TAKE, "song": LONG, "verdict": "clean", "findings": []}
    with RunView(console) as view:
        view(Report("rolling", {**ROLLING, "song": LONG}))
        view(Report("position", {**POSITION, "song": LONG}))
        moving = view._line({**POSITION, "song": LONG}, 61.0).plain
        view(Report("take", take))
        view(Report("standing", {"song": LONG, "for": "roll"}))
        standing = view._standing
    (line,) = [line for line in text_of(console).splitlines() if "clean" in line]
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", line).strip()
    assert cell_len(shown) <= 80
    assert shown.startswith("clean        The night we")
    assert "…" in shown and shown.endswith("(slow), bass overdub, take 7")
    assert moving.partition("  ")[0].endswith(", take 7")
    assert len(moving) < 80
    assert cell_len(standing) <= 80 and standing.endswith("(slow) is up; waiting for roll")


@pytest.mark.parametrize("name", [LONG, "Fog\u202fSignal [live]"])
def test_without_a_terminal_no_name_is_ever_cut(name: str) -> None:
    """What is kept in a file, or read by another program, is whole, brackets and rare blanks too."""
    console = screen()
    with RunView(console) as view:
        view(Report("rolling", {**ROLLING, "song": name}))
        view(Report("take", {**TAKE, "song": name, "verdict": "clean", "findings": []}))
        view(Report("standing", {"song": name, "for": "roll"}))
    assert text_of(console).splitlines() == [
        f"rolling  {name}, bass overdub, take 7",
        f"clean        {name}, bass overdub, take 7",
        "    /takes/take-0007",
        f"{name} is up; waiting for roll",
    ]


def test_a_terminal_shows_something_before_anything_is_reported() -> None:
    """To open a rig takes seconds; a line says so at once, and is gone when the run is over."""
    console = screen(terminal=True)
    with RunView(console):
        assert "starting: the rig is being opened" in text_of(console)
    quiet = screen()
    with RunView(quiet):
        pass
    assert text_of(quiet) == ""
