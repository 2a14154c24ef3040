"""`draft`: what it writes loads, names its part rightly, and overwrites nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

PARTS = Path(__file__).parents[3] / "configs" / "parts"


@pytest.mark.parametrize("part", sorted(PARTS.glob("*.mid")), ids=lambda path: path.stem)
def test_a_draft_passes_check(part: Path, tmp_path: Path, call: Callable[..., Any]) -> None:
    """Each of our own files gives a session in which `check` finds nothing wrong, from another folder."""
    session = tmp_path / "drafted" / "session.yaml"
    session.parent.mkdir()
    assert call("draft", str(part), "--write", str(session)).code == 0
    checked = call("check", str(session))
    assert (checked.code, checked.err) == (0, "")
    assert "no problems" in checked.out


def test_a_session_that_is_there_is_not_overwritten(tmp_path: Path, call: Callable[..., Any]) -> None:
    """The old text stays, and the error says what to do."""
    session = tmp_path / "session.yaml"
    session.write_text("precious")
    told = call("draft", str(PARTS / "ropewalk.mid"), "--write", str(session))
    assert told.code == 2
    assert "is there already" in told.err
    assert session.read_text() == "precious"


def test_a_file_that_is_no_midi_file_exits_2_with_the_byte(tmp_path: Path, call: Callable[..., Any]) -> None:
    """No traceback; the byte at which reading failed is named."""
    bad = tmp_path / "bad.mid"
    bad.write_bytes(b"MThd\0\0\0\x06\0\x02\0\x01\0\x60")
    told = call("draft", str(bad))
    assert told.code == 2
    assert "byte" in told.err
    assert "Traceback" not in told.err
