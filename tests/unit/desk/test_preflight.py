"""The pedal's check: what speaks against a roll, and what is only to be said."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from runner.desk import preflight
from runner.desk.preflight import preflight_quick
from runner.desk.status import PortStatus, Status
from runner.takes.store import Store

WELL = Status(
    session="Lantern Quay", state="ready", ports=(PortStatus("front"), PortStatus("pedal")), realtime=True
)


@pytest.fixture(autouse=True)
def in_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer whose clock is synchronised."""
    monkeypatch.setattr(preflight, "synchronised", lambda: True)


def test_a_rig_with_nothing_wrong_is_ready(tmp_path: Path) -> None:
    """And there is nothing to say."""
    assert preflight_quick(WELL, Store(tmp_path)) == (True, [])


@pytest.mark.parametrize(
    ("status", "said"),
    [
        (replace(WELL, ports=(PortStatus("front", False), PortStatus("pedal"))), "gone: front"),
        (replace(WELL, state="trouble", waiting_for="port front: gone"), "port front: gone"),
        (replace(WELL, log_trouble="No space left on device"), "No space left on device"),
    ],
)
def test_what_is_wrong_with_the_rig_is_said_and_means_not_ready(
    status: Status, said: str, tmp_path: Path
) -> None:
    """Ports, trouble, the record."""
    ready, texts = preflight_quick(status, Store(tmp_path))
    assert not ready
    assert said in texts[0]
    assert len(texts) == 1


def test_a_machine_that_no_roll_waits_for_may_be_away(tmp_path: Path) -> None:
    """It is said, and the rig is ready."""
    away = replace(WELL, ports=(PortStatus("front"), PortStatus("rack", False, required=False)))
    assert preflight_quick(away, Store(tmp_path)) == (True, ["gone, and no roll waits for it: rack"])


def test_a_disk_that_is_gone_or_full_means_not_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The figures are said."""
    ready, texts = preflight_quick(WELL, Store(tmp_path / "stick"))
    assert (ready, texts) == (False, [f"takes folder {tmp_path / 'stick'}: No such file or directory"])
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage._replace(free=5_000_000))
    ready, texts = preflight_quick(WELL, Store(tmp_path))
    assert (ready, texts) == (False, [f"takes folder {tmp_path}: 5 MB are free, 105 MB are wanted"])


def test_priority_and_clock_are_only_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rehearsal may do without."""
    monkeypatch.setattr(preflight, "synchronised", lambda: False)
    ready, texts = preflight_quick(replace(WELL, realtime=False), Store(tmp_path))
    assert ready
    assert len(texts) == 2
    assert "real-time" in texts[0]
    assert "not synchronised" in texts[1]
