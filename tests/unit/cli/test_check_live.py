"""`check --live`: who answers, what comes round a loop, and what this computer gives."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from fake_desk import FakeDesk

from runner.cli.bench_computer import Computer
from runner.cli.check_live import Row, daemon_rows, disk_rows, governor_row, rights_rows, wire_rows
from runner.cli.check_wire import PROBES, Identity, Loop, Wires, ask_wires, read_identity
from runner.desk.actions import Outcome
from runner.desk.socket_path import VARIABLE
from runner.ports.base import Port, PortConfig
from runner.ports.memory import Cable, memory_pair
from runner.ports.registry import open_ports
from runner.session.load import load_session

SESSION = """
session: Lantern Quay, live
format: 1
ports: {front: {match: "Front*", loops-to: rear}, rear: {match: "Rear*"}, box: {simulate: drum-machine}}
machines:
  drums: {port: box, channel: 10}
  bass: {port: front, channel: 2, required: false}
songs: [{song: Ropewalk, tempo: 120, length: 2 bars}]
"""


class Clock:
    """Time that passes only while somebody sleeps."""

    def __init__(self) -> None:
        self.t_ns = 10**9

    def __call__(self) -> int:
        return self.t_ns

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.t_ns += round(seconds * 1e9)


def loop_of(cable: Cable, clock: Clock) -> Callable[..., Mapping[str, Port]]:
    """Return what opens a port `front` whose cable leads to `rear`."""
    front, rear = memory_pair("front", "rear", clock, there=cable)
    return lambda _configs, _clock: {"front": front, "rear": rear}


CONFIGS = {name: PortConfig(name, "memory") for name in ("front", "rear")}


@pytest.mark.parametrize(
    ("data", "identity"),
    [
        # MIDI 1.0 Detailed Specification, p. 40: F0 7E <device> 06 02 mm ff ff dd dd ss ss ss ss F7, family
        # and member "LSB first"; with a maker's number of three bytes the message has two more
        ("F07E1006027D030012000001 0203F7", Identity(0x10, "7D", "00 03", "00 12", "00 01 02 03")),
        (
            "F07E7F0602 007D7D 0102 0304 05060708F7",
            Identity(0x7F, "00 7D 7D", "02 01", "04 03", "05 06 07 08"),
        ),
    ],
)
def test_an_identity_reply_is_read_as_the_standard_has_it(data: str, identity: Identity) -> None:
    """Maker of one byte or three, family and member with the high byte first."""
    assert read_identity(bytes.fromhex(data)) == identity


@pytest.mark.parametrize(
    "data",
    [
        "F07E7F0601F7",
        "F07E100602F7",
        "F07E1006027D030012000001 02F7",
        "F8",
        "",
        "F07F1006027D030012000001 0203F7",
    ],
)
def test_what_is_no_identity_reply_is_none(data: str) -> None:
    """The request itself, a short one, and other messages."""
    assert read_identity(bytes.fromhex(data)) is None


def test_simulated_machines_answer_who_they_are() -> None:
    """Each within its time; one that never speaks gives nothing."""
    clock = Clock()
    configs = {
        "rack": PortConfig("rack", "simulated", simulate="synthesizer"),
        "sink": PortConfig("sink", "null"),
    }
    wires = ask_wires(configs, {}, clock=clock, sleep=clock.sleep)
    assert [identity.maker for identity in wires.answers["rack"]] == ["7D"]
    assert wires.answers.get("sink", []) == []
    assert wires.problems == {}


def test_a_loop_is_measured_there_and_back() -> None:
    """Sixteen messages of which each takes what the cable takes; no machine is looked for on it."""
    clock = Clock()
    wires = ask_wires(
        CONFIGS, {"front": "rear"}, loop_of(Cable(delay_ns=3_000_000), clock), clock, clock.sleep
    )
    (loop,) = wires.loops
    assert (loop.sent, len(loop.times_ns)) == (PROBES, PROBES)
    assert loop.median_ms == pytest.approx(3.0)
    assert loop.spread_ms == pytest.approx(0.0, abs=1.0)
    assert wires.answers == {}


def test_a_loop_without_its_cable_brings_nothing_back() -> None:
    """It is given up after three messages."""
    clock = Clock()
    nowhere, _ = memory_pair("front", "x", clock)
    _, rear = memory_pair("y", "rear", clock)
    wires = ask_wires(
        CONFIGS,
        {"front": "rear"},
        lambda _configs, _clock: {"front": nowhere, "rear": rear},
        clock,
        clock.sleep,
    )
    assert wires.loops == [Loop("front", "rear", 3, ())]


def test_a_port_that_is_not_there_does_not_keep_others_from_being_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is a problem with its reason."""
    monkeypatch.setenv("TAKEWRIGHT_MIDI_API", "dummy")
    clock = Clock()
    configs = {
        "front": PortConfig("front", "system", match="Front*"),
        "rack": PortConfig("rack", "simulated", simulate="synthesizer"),
    }
    wires = ask_wires(configs, {}, lambda configs, clock: open_ports(configs, clock), clock, clock.sleep)
    assert "asks for no ports" in wires.problems["front"]
    assert len(wires.answers["rack"]) == 1


def rows_of(wires: Wires) -> list[tuple[str, str]]:
    """Return sign and subject of each row."""
    return [(row.sign, row.what) for row in wire_rows(load_session(SESSION).session, wires)]


def test_a_port_that_no_roll_waits_for_is_a_warning_and_another_is_missing() -> None:
    """What nobody plays on has no machine that could do without it."""
    wires = Wires({"front": "no output matches", "rear": "no input matches"}, {"box": []})
    assert rows_of(wires) == [
        ("warning", "port front"), ("missing", "port rear"), ("ok", "port box"), ("note", "port box (drums)"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("loop", "sign"),
    [
        (Loop("front", "rear", 16, tuple(range(1_000_000, 1_016_000, 1_000))), "ok"),
        (Loop("front", "rear", 16, (1_000_000,) * 15), "warning"),
        (Loop("front", "rear", 16, (*(1_000_000,) * 15, 9_000_000)), "warning"),
        (Loop("front", "rear", 3, ()), "warning"),
        (Loop("front", "rear", 0, (), "cannot send"), "warning"),
    ],
)
def test_a_loop_is_fine_only_if_all_comes_back_in_the_same_time(loop: Loop, sign: str) -> None:
    """Lost messages, a way that varies, no cable and a port that refuses each have their remedy or reason."""
    row = wire_rows(load_session(SESSION).session, Wires(loops=[loop]))[-1]
    assert (row.sign, row.what) == (sign, "loop front to rear")
    assert row.sign == "ok" or row.remedy or loop.problem


def test_a_daemon_is_asked_instead_of_its_ports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It has them; what it says of them and its own check stand in the rows."""
    path = tmp_path / "control.sock"
    monkeypatch.setenv(VARIABLE, str(path))
    assert daemon_rows(tmp_path / "quay.yaml") == []
    with FakeDesk(path, {"check": Outcome(False, "gone: deck")}) as desk:
        rows = daemon_rows(tmp_path / "quay.yaml")
    assert [str(order) for order in desk.orders] == ["check"]
    assert rows[0].sign == "note"
    assert "tell check" in rows[0].remedy
    assert [(row.sign, row.what) for row in rows[1:]] == [
        ("ok", "port front"), ("ok", "port pedal"), ("missing", "port deck"), ("ok", "port tape"),
        ("warning", "daemon's check"),
    ]  # fmt: skip


def test_rights_that_are_refused_are_told_with_their_remedy() -> None:
    """As the engine tells them."""
    assert rights_rows(list) == [Row("ok", "rights", "real-time priority and locked memory")]
    refused = rights_rows(
        lambda: ["no real-time priority: the clock will be late; run under the systemd unit"]
    )
    assert refused == [
        Row(
            "warning", "rights", "no real-time priority: the clock will be late", "run under the systemd unit"
        )
    ]


def test_looking_for_rights_leaves_this_process_as_it_was() -> None:
    """Whatever the system grants is given back."""
    import os
    import sys

    before = (os.sched_getscheduler(0), os.sched_getparam(0), sys.getswitchinterval())
    rows = rights_rows()
    assert {row.what for row in rows} == {"rights"}
    assert (os.sched_getscheduler(0), os.sched_getparam(0), sys.getswitchinterval()) == before


def test_a_governor_that_saves_power_is_a_warning() -> None:
    """Fast cores are fine, and a system that does not say is only noted."""
    computer = Computer(4, "Linux", "", ("performance",), False, 0.0)
    signs = [
        governor_row(replace(computer, governors=each)).sign
        for each in (("performance",), ("powersave",), ())
    ]
    assert signs == ["ok", "warning", "note"]


def test_a_disk_is_written_to_and_a_slow_one_is_a_warning(tmp_path: Path) -> None:
    """The time is that of 64 KiB and a sync; nothing is left behind."""
    (fast,) = disk_rows(tmp_path, itertools.count(0.0, 0.02).__next__)
    assert fast.sign == "ok"
    assert "synced in 20 ms" in fast.text
    (slow,) = disk_rows(tmp_path, itertools.count(0.0, 3.0).__next__)
    assert slow.sign == "warning"
    assert slow.remedy
    (tmp_path / "file").write_text("in the way")
    (gone,) = disk_rows(tmp_path / "file" / "takes")
    assert gone.sign == "warning"
    assert "cannot be written" in gone.text
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file"]


def test_rows_fit_80_columns_and_say_their_sign_in_a_word() -> None:
    """No colour is needed to read them."""
    lines = str(Row("warning", "port front", "of the system " * 12, "plug it in " * 9)).splitlines()
    assert lines[0].startswith("warning  port front: ")
    assert all(len(line) <= 80 for line in lines)
    assert any(line.startswith("         -> ") for line in lines)
