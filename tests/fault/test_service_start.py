"""What a service manager may count on when it is told READY=1, as sd_notify(3) has it."""

from __future__ import annotations

import signal
import socket
from pathlib import Path

import pytest
from live_run import PATIENCE_S, running
from quay import write_session

from runner.desk.client import ControlClient

pytestmark = pytest.mark.live


def test_a_daemon_that_says_ready_takes_orders(tmp_path: Path) -> None:
    """A warning that comes before is no readiness; at READY=1 the control socket answers."""
    session = write_session(tmp_path, jack=False, bars=4)
    (tmp_path / "takes").write_text("a file where the folder should be: a warning right at the start")
    where = tmp_path / "socket"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(PATIENCE_S)
        environment = {"TAKEWRIGHT_SOCKET": str(where), "NOTIFY_SOCKET": manager.getsockname()}
        with running([str(session)], tmp_path / "takes", environment) as run:
            while manager.recv(4096) != b"READY=1":
                pass
            assert where.exists(), run.output
            with ControlClient(where, timeout_s=PATIENCE_S) as client:
                assert not client.order("song", "Nobody's Song").done
            run.process.send_signal(signal.SIGTERM)
            assert run.wait() in (0, 130)
    assert "there is a file in the way" in run.output
