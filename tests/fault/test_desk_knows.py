"""What a desk that is started again knows: mutes, the engine's rights, ports, what it waits for."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from live_run import Run, running
from quay import write_session

from runner.desk.client import ControlClient
from runner.desk.status import Status
from runner.errors import NoDaemonError

pytestmark = pytest.mark.live


def _status(run: Run, socket: Path) -> Status:
    """Return the daemon's status; a desk that has just begun may not listen yet."""
    seen: list[Status] = []

    def answers() -> bool:
        with suppress(NoDaemonError), ControlClient(socket) as client:
            seen.append(client.status())
        return bool(seen)

    run.wait_until(answers, "an answer")
    return seen[0]


@pytest.mark.parametrize("rolling", [False, True], ids=["standing", "rolling"])
def test_a_desk_that_takes_over_knows_what_the_dead_one_knew(tmp_path: Path, rolling: bool) -> None:
    """A mute stays one, a port is not forgotten, and the engine has the priority that it had."""
    session = write_session(tmp_path, jack=False, bars=16)
    socket = tmp_path / "s"
    with running([str(session)], tmp_path / "takes", {"TAKEWRIGHT_SOCKET": str(socket)}) as run:
        run.wait_for_text('"event": "standing"')
        with ControlClient(socket) as client:
            assert client.order("mute bass").done
            assert not rolling or client.order("roll").done
        if rolling:
            run.wait_for_takes()
        before = _status(run, socket)
        run.kill("desk")
        run.wait_for_text("the desk process died and was started again")
        after = _status(run, socket)
        assert before.muted == after.muted == ("bass",)
        assert after.realtime == before.realtime
        assert (after.waiting_for, after.alarms) == (before.waiting_for, before.alarms)
        assert [port.name for port in after.ports] == [port.name for port in before.ports] != []
        with ControlClient(socket) as client:
            assert client.order("quit").done
        run.wait()
