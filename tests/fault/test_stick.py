"""A memory stick is pulled out of the daemon's computer and comes back, while the schedule rolls takes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from live_run import running
from quay import assert_record_is_whole, write_session

pytestmark = pytest.mark.live

MOUNT = ["mount", "-t", "tmpfs", "-o", "size=160M", "takewright-stick"]


@pytest.fixture
def stick(tmp_path: Path) -> Iterator[Path]:
    """A mounted file system; skipped where mounting is not allowed: tests/sim/test_chores.py has the same."""
    folder = tmp_path / "stick"
    folder.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run([*MOUNT, str(folder)], capture_output=True, check=False).returncode
    ):
        pytest.skip("mounting a tmpfs is not allowed here")
    try:
        yield folder
    finally:
        with suppress(subprocess.CalledProcessError):
            subprocess.run(["umount", "--lazy", str(folder)], check=True, capture_output=True)


@pytest.mark.campaign
def test_the_daemon_rolls_on_while_its_stick_is_out_and_uses_it_again(stick: Path, tmp_path: Path) -> None:
    """By itself, every three seconds: a take on the stick, one in the spare place, one on the stick again."""
    session = write_session(tmp_path, jack=False, bars=1)
    session.write_text(session.read_text() + "schedule: [{every: 3 s, roll: Net Loft}]\n")
    environment = {
        **os.environ,
        "XDG_STATE_HOME": str(tmp_path / "state"),
        "TAKEWRIGHT_SOCKET": str(tmp_path / "control.sock"),
    }
    spare = tmp_path / "state" / "takewright" / "spare-takes"
    with running([str(session)], stick / "takes", environment) as run:
        run.wait_for_text('"event": "take clean"')
        subprocess.run(["umount", "--lazy", str(stick)], check=True)
        run.wait_for_text(f"this take is kept in {spare}")
        before = run.output.count('"event": "take clean"')
        run.wait_for_text('"event": "take clean"', before + 1)
        subprocess.run([*MOUNT, str(stick)], check=True)
        before = run.output.count('"event": "take clean"')
        run.wait_for_text('"event": "take clean"', before + 2)
        run.process.send_signal(signal.SIGINT)
        run.wait()
        assert f"nothing is mounted at {stick} any more" in run.output
        kept = sorted(spare.glob("*/*/*/take-*"))
        assert 1 <= len(kept) <= 3
        for take in kept:
            assert json.loads((take / "take.json").read_text())["verdict"] == "clean"
            assert_record_is_whole(take)
        on_stick = sorted((stick / "takes").glob("*/*/*/take-*/take.json"))
        assert on_stick, run.output
        assert run.left_over() == []
