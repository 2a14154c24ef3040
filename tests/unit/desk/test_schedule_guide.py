"""docs/guides/schedule.md: its pieces of session files load, and its figures are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from runner.desk import schedule, wall_clock
from runner.desk.spare import spare_folders
from runner.session.load import load_session

PAGE = (Path(__file__).parents[3] / "docs" / "guides" / "schedule.md").read_text("utf-8")
PIECES = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
SESSION = """
session: Lantern Quay, by itself
format: 1
ports: {box: {simulate: drum-machine}, rack: {simulate: synthesizer}}
songs:
  - {song: Ropewalk, tempo: 120, length: 2 bars}
  - {song: Fog Signal, tempo: 120, length: 2 bars}
"""


@pytest.mark.parametrize("piece", PIECES, ids=lambda piece: piece.split(":")[0])
def test_each_piece_of_a_session_file_loads(piece: str) -> None:
    """Put into a session of two songs, without a warning."""
    text = (
        SESSION.replace("ports: {box: {simulate: drum-machine}, rack: {simulate: synthesizer}}", "")
        if piece.startswith("ports")
        else SESSION
    )
    assert load_session(text + piece).notices == []


def test_there_are_pieces() -> None:
    """A page without them would pass the test above."""
    assert [piece.split(":")[0] for piece in PIECES] == ["schedule", "takes", "ports", "machines"]


def test_figures_and_folders_are_those_of_the_code() -> None:
    """A minute of grace, three hours made up for, 90 s of waiting for the network, two spare places."""
    assert schedule.GRACE_S == 60
    assert "more than a minute late" in PAGE
    assert schedule.MOST_MADE_UP_S == 3 * 3600
    assert "up to three hours" in PAGE
    assert f"wait {wall_clock.WAIT_FOR_NETWORK_S:.0f} s after power-on" in PAGE
    folders = spare_folders({"XDG_STATE_HOME": str(Path.home() / ".local/state")}, Path("/takes"))
    assert folders[0].relative_to(Path.home()).as_posix() == ".local/state/takewright/spare-takes"
    assert "`~/.local/state/takewright`" in PAGE
    assert folders[1].name.startswith("takewright-takes-")
    assert "`takewright-takes-UID`" in PAGE
