"""`takewright ports` on JACK: it leaves nothing behind on which the next program would have to wait."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from jack_server import JackServer, start_jack_server
from live_run import listening, running
from quay import PORTS, write_session

pytestmark = pytest.mark.realport


@pytest.fixture
def plain_server() -> Iterator[JackServer]:
    """A server without real-time priority, as the README starts one: it is the slowest to miss a client."""
    server = start_jack_server(realtime=False)
    try:
        yield server
    finally:
        server.stop()


def test_a_run_right_after_looking_at_the_ports_begins_at_once(
    plain_server: JackServer, tmp_path: Path
) -> None:
    """A client that ended without leaving keeps a server from answering for seconds; an engine that waited
    for it so long was taken for hung.
    """
    environment = plain_server.child_environment()
    session = write_session(tmp_path, jack=True, bars=2)
    with listening("quay", PORTS, environment):
        command = [sys.executable, "-m", "runner.cli", "ports"]
        seen = subprocess.run(
            command, env={**os.environ, **environment}, capture_output=True, text=True, check=True
        )
        assert "quay-box:box" in seen.stdout
        assert seen.stderr == ""
        with running([str(session), "--song", "Net Loft"], tmp_path / "takes", environment) as run:
            run.wait()
    assert "no sign of life" not in run.output
    assert "died" not in run.output
    assert len(run.takes()) == 1
