"""What engine and clock watch tell: for each code a rolled take that shows it, and one that must not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from faulty_takes import audited
from rolled_takes import BOTH_SIDES, TAKES

from runner.audit.meanings import MEANINGS

_AUDITS: dict[str, dict[str, Any]] = {}


@pytest.fixture(autouse=True)
def _quick_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Syncs to the medium cost seconds and prove nothing here."""
    from runner.takes import files

    monkeypatch.setattr("os.fsync", lambda fd: None)
    monkeypatch.setattr(files, "data_sync", lambda fd: None)


def audit_of(name: str, folder: Path) -> dict[str, Any]:
    """Return the audit of a take of the table; each is rolled once."""
    if name not in _AUDITS:
        _AUDITS[name] = audited(TAKES[name](), folder / "take")
    return _AUDITS[name]


@pytest.mark.parametrize("code", sorted(BOTH_SIDES))
def test_shown_by_one_take_and_not_by_another(code: str, tmp_path: Path) -> None:
    """The code is found where its trouble is, in words, and not where something else comes near it."""
    shown, spared = BOTH_SIDES[code]
    found = [f for f in audit_of(shown, tmp_path / "shown")["findings"] if f["code"] == code]
    assert len(found) == 1
    assert found[0]["text"] and found[0]["try"]
    assert code not in [f["code"] for f in audit_of(spared, tmp_path / "spared")["findings"]]
    assert {code, *BOTH_SIDES} <= set(MEANINGS)


@pytest.mark.parametrize(
    "name", ["sound", "clock from Start on", "sensed", "located before Start", "our own clock"]
)
def test_near_misses_are_clean(name: str, tmp_path: Path) -> None:
    """Sensing in use, a song position before Start, a clock that begins with Start: nothing above a note."""
    assert [f for f in audit_of(name, tmp_path)["findings"] if f["severity"] != "note"] == []
