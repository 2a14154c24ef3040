"""`takewright hear`: what a pedal sends, in the words of a session file."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from runner.cli import hear
from runner.ports.base import PortConfig, Receive
from runner.ports.names import SystemPort
from runner.session.fields_control import HELD, NUMBERED
from runner.session.load import load_session

Call = Callable[..., Any]

SESSION = """\
session: Lantern Quay, pedals
format: 1
ports: {pedal: {match: "*Foot*"}, box: {simulate: drum-machine}, board: {match: "*Foot*", direction: out}}
songs: [{song: Ropewalk, tempo: 120, length: 8 bars}]
controls:
  - {port: pedal, when: control 64, do: stop, press: long, long-after: 10 ms}
  - {port: pedal, when: note 60, do: roll Ropewalk}
  - {port: pedal, when: control 20, do: next}
"""


class FakePort:
    """An input by which some messages come as soon as it is started."""

    def __init__(self, messages: list[str]) -> None:
        self.messages = messages
        self.closed = False

    def start(self, receive: Receive) -> None:
        """Deliver all there is."""
        for number, text in enumerate(self.messages):
            receive(number * 10**9, bytes.fromhex(text))

    def close(self) -> None:
        """Note that it was closed."""
        self.closed = True


@pytest.fixture
def rig(monkeypatch: pytest.MonkeyPatch) -> dict[str, FakePort]:
    """A system with a pedal and keys, and what came in by each."""
    ports = {"Foot Control MIDI 1": FakePort([]), "Keys MIDI 1": FakePort([])}
    system = [SystemPort(name, "in", "alsa") for name in ports] + [SystemPort("Synth", "out", "alsa")]

    def open_fakes(configs: Mapping[str, PortConfig]) -> dict[str, FakePort]:
        assert all(config.direction == "in" for config in configs.values())
        return {name: ports[name if name in ports else "Foot Control MIDI 1"] for name in configs}

    monkeypatch.setattr(hear, "_system_ports", lambda: system)
    monkeypatch.setattr(hear, "_open", open_fakes)
    return ports


@pytest.mark.parametrize(
    ("data", "said", "when"),
    [
        ("B0 40 7F", "control 64, value 127, channel 1", "control 64"),
        ("92 3C 40", "note 60, velocity 64, channel 3", "note 60"),
        ("80 3C 40", "note 60 let go, channel 1", "note 60"),
        ("90 3C 00", "note 60 let go, channel 1", "note 60"),
        ("CF 05", "program 5, channel 16", "program 5"),
        ("D0 21", "pressure, value 33, channel 1", "pressure"),
        ("E0 00 40", "bend, value 64, channel 1", "bend"),
        ("F3 02", "song-select 2", "song-select 2"),
        ("FA", "start", "start"),
        ("F0 7F 7F 06 02 F7", "F0 7F 7F 06 02 F7, all devices", "machine-control play"),
        ("F0 7F 01 06 07 03 F7", "F0 7F 01 06 07 03 F7, device 1",
         "machine-control record-exit, machine-control deferred-play"),
        ("F0 7E 7F 06 01 F7", "F0 7E 7F 06 01 F7", "no control"),
        ("A0 3C 40", "A0 3C 40", "no control"),
        ("90 3C", "90 3C", "not a whole message"),
    ],
)  # fmt: skip
def test_messages_in_words(data: str, said: str, when: str) -> None:
    """The last column is what a session file wants, for each message that a control can wait for."""
    assert hear.words(bytes.fromhex(data)) == (said, when)


@pytest.mark.parametrize(
    "data", ["B0 40 7F", "90 3C 40", "C0 05", "D0 21", "F3 02", "FB", "F0 7F 7F 06 09 F7"]
)
def test_what_is_told_can_be_written(data: str) -> None:
    """The last column stands in a session as it is."""
    when = hear.words(bytes.fromhex(data))[1]
    text = SESSION.replace("when: control 20", f"when: {when}")
    assert str(load_session(text.encode(), "s").session.controls[2].when) == when
    assert when.split()[0] in (*NUMBERED, *HELD, "continue", "machine-control")


def test_all_inputs(call: Call, rig: dict[str, FakePort]) -> None:
    """Each message is a line with its time and port; clock is left out; the ports are closed at the end."""
    rig["Foot Control MIDI 1"].messages[:] = ["B0 40 7F", "F8", "FE", "B0 40 00"]
    rig["Keys MIDI 1"].messages[:] = ["90 3C 40"]
    said = call("hear", "--seconds", "0.1")
    assert said.code == 0
    assert "hearing Foot Control MIDI 1, Keys MIDI 1" in said.err
    assert [re.split(r"\s{2,}", line.strip())[1:] for line in said.out.splitlines()] == [
        ["Foot Control MIDI 1", "control 64, value 127, channel 1", "when: control 64"],
        ["Foot Control MIDI 1", "control 64, value 0, channel 1", "when: control 64"],
        ["Keys MIDI 1", "note 60, velocity 64, channel 1", "when: note 60"],
    ]
    assert all(port.closed for port in rig.values())


def test_one_input(call: Call, rig: dict[str, FakePort]) -> None:
    """A pattern picks inputs; one that matches none names those there are, with exit code 3."""
    rig["Keys MIDI 1"].messages[:] = ["90 3C 40"]
    assert call("hear", "*foot*", "--seconds", "0.1").out == ""
    said = call("hear", "Synth")
    assert said.code == 3
    assert "no input of the system matches 'Synth'; there is Foot Control MIDI 1, Keys MIDI 1" in said.err


def test_the_orders_of_a_session(call: Call, rig: dict[str, FakePort], tmp_path: Path) -> None:
    """With a session its controls' orders stand beside what gives them, with hints."""
    file = tmp_path / "quay.yaml"
    file.write_text(SESSION)
    rig["Foot Control MIDI 1"].messages[:] = ["90 3C 40", "B0 14 7F", "B0 14 7F", "B0 40 7F"]
    said = call("hear", "--session", file, "--seconds", "0.3")
    assert said.code == 0, said.err
    lines = said.out.splitlines()
    assert lines[0].endswith("when: note 60  -> roll Ropewalk")
    assert lines[1].endswith("-> next") and lines[2].endswith("when: control 20")
    assert lines[4].endswith("control 64 on pedal       -> stop")
    assert "releases: false" in said.err
    assert call("hear", "Foot", "--session", file).code == 2


def test_a_session_without_inputs(call: Call, tmp_path: Path) -> None:
    """A session that has nothing to be heard is a wrong use."""
    file = tmp_path / "quay.yaml"
    file.write_text(SESSION.split("controls:")[0].replace('pedal: {match: "*Foot*"}, ', ""))
    said = call("hear", "--session", file)
    assert said.code == 2 and "no input of the system's" in said.err
