"""What a session may write about a simulated machine, and the machine that comes of it."""

from __future__ import annotations

from typing import Any

import pytest

from runner.errors import PortError
from runner.ports.base import PortConfig
from runner.ports.machine_parts import MOST_COMPLAINTS, Complaints
from runner.ports.machines import DrumMachine, MasterMachine, Recorder, Synthesizer, make_machine
from runner.ports.simulated import SimulatedPort


def _make(kind: str, **values: Any) -> Any:
    return make_machine(kind, {k.replace("_", "-"): v for k, v in values.items()}, port="box", now_ns=0)


def test_each_kind_is_made() -> None:
    """The four names of the session file give the four machines."""
    made = [_make(kind) for kind in ("drum-machine", "synthesizer", "recorder", "master")]
    assert [type(machine) for machine in made] == [DrumMachine, Synthesizer, Recorder, MasterMachine]
    assert [machine.kind for machine in made] == ["drum-machine", "synthesizer", "recorder", "master"]


def test_settings_are_read() -> None:
    """Whole numbers, numbers, flags, times, lists and mappings reach the field they are for."""
    drums = _make("drum-machine", late_start_clocks=2, ignore_start=True, latency="2.5 ms")
    assert drums.settings.late_start_clocks == 2
    assert drums.settings.ignore_start is True
    assert drums.settings.latency_ns == 2_500_000
    master = _make("master", tempo=112.5, missing=[4, 7], steps={"48": 1.05}, drift_ppm=-40, wait="2 s")
    assert master.settings.missing == frozenset((4, 7))
    assert master.settings.steps == {48: 1.05}
    assert (master.settings.tempo, master.settings.drift_ppm) == (112.5, -40.0)
    assert master.settings.wait_ns == 2_000_000_000


@pytest.mark.parametrize(
    ("kind", "values", "text"),
    [
        ("drum-machin", {}, "no simulated machine 'drum-machin'; did you mean drum-machine"),
        ("theremin", {}, "there are drum-machine, synthesizer, recorder, master"),
        ("synthesizer", {"setle": "3 ms"}, "no setting 'setle'; did you mean settle"),
        ("synthesizer", {"settle": "3 bars"}, "settle: needs a time such as 120 ms, got '3 bars'"),
        ("synthesizer", {"settle": True}, "needs a time"),
        ("synthesizer", {"channel": 17}, "channel must be from 0 to 16, got 17"),
        ("drum-machine", {"channel": 0}, "channel must be from 1 to 16, got 0"),
        ("drum-machine", {"lose-every": -1}, "lose-every: needs a whole number of 0 or more, got -1"),
        ("drum-machine", {"lose-every": 2.5}, "needs a whole number"),
        ("drum-machine", {"lose-every": "many"}, "needs a whole number"),
        ("drum-machine", {"ignore-start": "yes"}, "needs true or false, got 'yes'"),
        ("master", {"tempo": 0}, "tempo must be from 5 to 1000"),
        ("master", {"missing": 4}, "needs a list of whole numbers"),
        ("master", {"steps": [1]}, "needs a mapping of numbers"),
        ("recorder", {"device-id": 127}, "device-id must be from 0 to 126"),
    ],
)
def test_what_makes_no_sense_is_refused(kind: str, values: dict[str, Any], text: str) -> None:
    """The error names the port, the setting, the value seen and what would do."""
    with pytest.raises(PortError, match=text) as caught:
        make_machine(kind, values, port="box", now_ns=0)
    assert "box" in str(caught.value)


def test_complaints_are_bounded() -> None:
    """The first are kept, the rest only counted."""
    complaints = Complaints()
    for number in range(MOST_COMPLAINTS + 5):
        complaints.add(number, "x", "x")
    assert len(complaints.all()) == MOST_COMPLAINTS
    assert complaints.more == 5


def test_a_simulated_master_plays_its_script_through_a_port() -> None:
    """64 clocks after a lead of 24: Start 1 ms before the first one, Stop at the end, each in its time."""
    clock = [5_000_000_000]
    faults = {"lead": 24, "clocks": 64, "tempo": 125, "wait": "10 ms", "missing": [3]}
    port = SimulatedPort(PortConfig("tape", "simulated", simulate="master", faults=faults), lambda: clock[0])
    got: list[tuple[int, bytes]] = []
    port.start(lambda arrival, data: got.append((arrival, data)))
    assert port.next_deadline_ns() == 5_010_000_000
    while (due := port.next_deadline_ns()) is not None:
        clock[0] = due
        port.due(due)
    clocks = [t for t, data in got if data == b"\xf8"]
    start = next(t for t, data in got if data == b"\xfa")
    downbeat = 5_010_000_000 + 24 * 20_000_000  # 125 quarter notes a minute: one clock in 20 ms
    assert len(clocks) == 24 + 63
    assert start == downbeat - 1_000_000
    assert clocks[24] == downbeat
    assert clocks[27] == downbeat + 4 * 20_000_000  # clock 3 is missing
    assert got[-1][1] == b"\xfc"


def test_a_master_counts_what_comes_back_to_it() -> None:
    """Clock and transport sent to the master are ignored and counted: they tell of a loop."""
    master = _make("master")
    for data in (b"\xf8", b"\xf8", b"\xfa", b"\x90\x3c\x40"):
        master.receive(data, 0)
    assert master.heard_back == (2, 1)
