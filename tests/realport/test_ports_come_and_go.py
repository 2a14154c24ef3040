"""Other programs on a JACK server come and go, and so does the server: ports are opened again.

The other programs are python-rtmidi clients of their own in processes of their own.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest
from jack_server import JackServer
from live_run import Ear, listening, running
from quay import PORTS, STOP, events_of, left_sounding, transport_of, write_session

from runner.ports.base import Port, PortConfig
from runner.ports.registry import open_ports

pytestmark = pytest.mark.realport
PATIENCE_S = 20.0


def _until(met: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not met():
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.01)


def _mend(port: Port) -> None:
    _until(port.returned, "the port's return")
    _until(port.mend, "its opening")
    assert port.present()
    assert port.trouble == ""


def _hears(ear: Ear, port: Port, data: bytes) -> None:
    """Send until it is heard: a server needs a few of its periods before a new connection carries."""

    def heard() -> bool:
        port.send(data)
        return data in [entry.data for entry in ear.heard()]

    _until(heard, data.hex())


def _descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_a_port_is_opened_again_whenever_its_machine_is_back_and_nothing_leaks(
    jack_server: JackServer,
) -> None:
    """Gone and back five times: each time it sends again, and no descriptor or thread is left over."""
    environment = jack_server.child_environment()
    with listening("quay", ("box",), environment) as ear:
        config = PortConfig("box", "system", match="quay-box*", direction="out", wait=True)
        port = open_ports({"box": config})["box"]
        _hears(ear, port, b"\xfa")
    counts = []
    for number in range(5):
        _until(lambda: not port.present(), "the port's end")
        assert not port.returned()
        assert "quay-box" in port.trouble
        with listening("quay", ("box",), environment) as ear:
            _mend(port)
            _hears(ear, port, bytes((0xC0, number)))
            counts.append((_descriptors(), len(os.listdir("/proc/self/task"))))
    port.close()
    assert counts[1:] == counts[:-1]


def test_a_port_that_is_missing_at_first_is_opened_both_ways_when_it_comes(jack_server: JackServer) -> None:
    """It says what it looks for; it takes nothing until then; afterwards it sends."""
    config = PortConfig("box", "system", match="quay-late*", direction="out", wait=True)
    port = open_ports({"box": config})["box"]
    assert "no output of the system matches 'quay-late*'" in port.trouble
    assert not port.present()
    with listening("quay", ("late",), jack_server.child_environment()) as ear:
        # the listener's port is named after its client, "quay-late"
        _mend(port)
        _hears(ear, port, b"\xfb")
    port.close()


def test_a_machine_that_is_back_before_anybody_looked_is_missed_and_opened_again(
    jack_server: JackServer,
) -> None:
    """The list of ports is as before, yet nothing is connected: the port says so, both ways, and mends."""
    environment = jack_server.child_environment()
    config = PortConfig("box", "system", match="quay-box*", direction="out", wait=True)
    with listening("quay", ("box",), environment) as ear:
        port = open_ports({"box": config})["box"]
        _hears(ear, port, b"\xfa")
        assert port.present()
    with listening("quay", ("box",), environment) as ear:
        assert not port.present()
        _mend(port)
        _hears(ear, port, b"\xfb")
    port.close()


def test_machines_that_go_and_come_back_in_a_take_are_told_what_they_missed(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """The clock goes on; Stop, Note Offs and the controller in force are sent; the take tells it."""
    environment = jack_server.child_environment()
    session = write_session(tmp_path, jack=True, bars=24, tempo=240)
    with ExitStack() as stack:
        first = stack.enter_context(listening("quay", PORTS, environment))
        run = stack.enter_context(
            running([str(session), "--song", "Net Loft"], tmp_path / "takes", environment)
        )
        first.wait_for(lambda: len(left_sounding(first.heard("rack"))) == 2, "two notes")
        first.close()
        run.wait_for_takes()
        log = run.takes()[0] / "events.jsonl"
        _until(lambda: log.read_text().count('"kind":"presence"') == 2, "both ports to be missed")
        with listening("quay", PORTS, environment) as second:
            second.wait_for(lambda: second.clocks("box") >= 48, "two quarters of clock")
        # back within a look of the engine's (0.25 s a port): the list of ports may never have changed for it
        with listening("quay", PORTS, environment) as third:
            third.wait_for(lambda: third.clocks("box") >= 48, "two quarters of clock")
            run.wait()
        summary = run.summary()
    box, rack = (second.heard(port) for port in PORTS)
    assert transport_of(box)[0] == STOP
    told = [entry.data for entry in rack]
    assert told.index(b"\x81\x28\x40") < told.index(b"\x81\x2f\x40")
    moves = [data[2] for data in told if data[:2] == b"\xb1\x4a"]
    assert moves == list(range(moves[0], moves[-1] + 1))
    box, rack = (third.heard(port) for port in PORTS)
    assert transport_of(box)[0] == STOP
    moves = [data[2] for data in (entry.data for entry in rack) if data[:2] == b"\xb1\x4a"]
    assert moves == list(range(moves[0], 25))
    codes = [finding["code"] for finding in summary["findings"]]
    assert {"port-lost", "port-returned", "machine-left-stopped"} <= set(codes)
    presence = [event for event in events_of(run.takes()[0]) if event["kind"] == "presence"]
    for port in PORTS:
        seen = [event["data"]["present"] for event in presence if event["data"]["port"] == port]
        assert seen == [False, True, False, True]
