"""What the desk is told when a signal ends the run: whose doing it was stands in the take."""

from __future__ import annotations

import json
import os
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from runner.desk.job import Job, Report
from runner.keeper.keeper import Keeper
from runner.keeper.notify import Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """A service manager's end."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(tmp_path / "notify"))
        end.setblocking(False)
        yield end


def _ignore(_report: Report) -> None:
    pass


def _order_after(number: int, notifier: Notifier) -> dict[str, str]:
    """Return the order that the desk finds in its pipe after that signal; no process is started."""
    keeper = Keeper(Job("gig.yaml", "0"), _ignore, notifier)
    try:
        keeper._on_signal_read(number)
        order: dict[str, str] = json.loads(os.read(keeper._pipes.control[0], 4096))
    finally:
        keeper._pipes.close()
        notifier.close()
    return order


def test_ctrl_c_is_the_users_doing() -> None:
    """Nobody to notify: a person pressed Ctrl-C."""
    assert _order_after(signal.SIGINT, Notifier({})) == {"do": "stop", "why": "stopped by the user"}


def test_sigterm_is_an_order_from_outside() -> None:
    """Whoever sends it, it is not a key."""
    assert _order_after(signal.SIGTERM, Notifier({})) == {"do": "stop", "why": "told to end"}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_service_that_is_stopped_is_told_to_end(manager: socket.socket, number: int) -> None:
    """The unit stops it by SIGINT (systemd.kill(5), KillSignal=): that is no user's Ctrl-C."""
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    assert _order_after(number, notifier) == {"do": "stop", "why": "told to end"}
    assert manager.recv(4096) == b"STOPPING=1"
