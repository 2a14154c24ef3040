"""What systemd is told, as sd_notify(3) has it: one datagram of NAME=value lines to $NOTIFY_SOCKET."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from runner.desk.job import Report
from runner.keeper.notify import Notifier
from runner.keeper.status import StatusLine


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """A service manager's end."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(tmp_path / "notify"))
        end.setblocking(False)
        yield end


def _told(manager: socket.socket) -> list[str]:
    told = []
    while True:
        try:
            told.append(manager.recv(4096).decode())
        except BlockingIOError:
            return told


def _notifier(manager: socket.socket, **more: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": manager.getsockname(), **more})


def test_each_thing_is_told_by_its_name(manager: socket.socket) -> None:
    """READY, STATUS, RELOADING with the time that systemd wants beside it, STOPPING."""
    notifier = _notifier(manager)
    assert notifier.asked
    notifier.ready()
    notifier.status("two\nlines  and gaps")
    notifier.status("two lines and gaps")
    notifier.reloading()
    notifier.stopping()
    notifier.close()
    ready, status, reloading, stopping = _told(manager)
    assert (ready, status, stopping) == ("READY=1", "STATUS=two lines and gaps", "STOPPING=1")
    first, second = reloading.splitlines()
    assert first == "RELOADING=1"
    assert second.startswith("MONOTONIC_USEC=")


def test_the_watchdog_is_fed_at_half_its_time(manager: socket.socket) -> None:
    """sd_watchdog_enabled(3): about every half of WATCHDOG_USEC, and only by the process that is meant."""
    notifier = _notifier(manager, WATCHDOG_USEC="4000000", WATCHDOG_PID=str(os.getpid()))
    for tenth in range(61):
        notifier.alive(100 + tenth / 10)
    assert _told(manager) == ["WATCHDOG=1"] * 4
    for environment in ({"WATCHDOG_USEC": "4000000", "WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": "soon"}, {}):
        _notifier(manager, **environment).alive(100)
    assert _told(manager) == []


@pytest.mark.parametrize("address", ["", "/nowhere/at/all", "vsock:2:1", "@takewright-test-nobody"])
def test_where_nobody_listens_nothing_happens(address: str) -> None:
    """Telling costs nothing and raises nothing without a manager."""
    notifier = Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000"})
    notifier.ready()
    notifier.alive(1.0)
    notifier.close()
    notifier.ready()


def test_the_status_line_tells_the_present_the_last_take_and_trouble_before_all(
    manager: socket.socket,
) -> None:
    """What `systemctl status` shows of a session's course."""
    status = StatusLine(_notifier(manager))
    status.take(Report("ready", {}))
    status.take(Report("rolling", {"song": "Fog Signal", "pass": "bass", "number": 3}))
    status.take(Report("position", {"song": "Fog Signal"}))
    status.take(Report("take", {"song": "Fog Signal", "number": 3, "verdict": "clean"}))
    status.trouble = "the engine process dies again and again"
    status.take(Report("standing", {"song": "Net Loft", "for": "roll"}))
    status.trouble = ""
    assert [text.removeprefix("STATUS=") for text in _told(manager)] == [
        "ready",
        "rolling Fog Signal, bass, take 3",
        "Fog Signal take 3 was clean",
        "trouble: the engine process dies again and again",
        "Net Loft is up, waiting for roll; Fog Signal take 3 was clean",
    ]
