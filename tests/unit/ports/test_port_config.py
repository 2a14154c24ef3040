"""The settings of a port, and opening ports by them."""

from __future__ import annotations

import json
from typing import Any

import pytest

from runner.errors import ExitCode, PortError, RigError
from runner.ports.base import PortConfig
from runner.ports.registry import open_ports


@pytest.mark.parametrize(
    "config",
    [
        PortConfig("front", "system", match="Front*", direction="out", raw=True),
        PortConfig("bus", "virtual", create="quay-bus"),
        PortConfig("box", "simulated", simulate="drum-machine", faults={"late-start-clocks": 2}),
        PortConfig("away", "null"),
    ],
)
def test_settings_survive_json(config: PortConfig) -> None:
    """Settings written as JSON and read back are the same."""
    assert PortConfig.from_dict(json.loads(json.dumps(config.to_dict()))) == config


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"name": "front", "medium": "steam"}, "no such medium, got 'steam'"),
        ({"name": "front", "medium": "null", "direction": "up"}, "no such direction, got 'up'"),
        ({"name": "front", "medium": "system"}, "needs a text for `match`"),
        ({"name": "front", "medium": "null", "colour": "red"}, "unknown settings colour"),
        ({"name": "front"}, "missing settings medium"),
    ],
)
def test_settings_that_make_no_sense_are_refused(values: dict[str, Any], text: str) -> None:
    """The error names the port and what is wrong."""
    with pytest.raises(PortError, match=text) as caught:
        PortConfig.from_dict(values)
    assert "front" in str(caught.value)


def test_ports_are_opened_in_order() -> None:
    """Ports come back under their names, in the order of the settings, each of its medium."""
    configs = {
        "box": PortConfig("box", "simulated", simulate="synthesizer"),
        "memo": PortConfig("memo", "memory"),
        "away": PortConfig("away", "null"),
    }
    ports = open_ports(configs)
    assert list(ports) == ["box", "memo", "away"]
    assert [port.describe() for port in ports.values()] == [
        "simulated synthesizer",
        "memory",
        "nothing (null)",
    ]
    ports["away"].send(b"\xf8")
    assert ports["away"].counts.sent == 1
    for port in ports.values():
        port.close()


def test_all_that_is_wrong_is_said_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every port that cannot be opened is named in one error of exit code 3, and none stays open."""
    monkeypatch.setenv("TAKEWRIGHT_MIDI_API", "dummy")
    configs = {
        "front": PortConfig("front", "system", match="Front*"),
        "bus": PortConfig("bus", "virtual", create="quay-bus"),
        "box": PortConfig("box", "simulated", simulate="drum-machin"),
        "deck": PortConfig("deck", "simulated", simulate="recorder", faults={"late-start-clock": 1}),
    }
    with pytest.raises(RigError) as caught:
        open_ports(configs)
    text = str(caught.value)
    assert caught.value.exit_code is ExitCode.RIG_MISSING
    assert "port front and bus: no MIDI service: TAKEWRIGHT_MIDI_API=dummy" in text
    assert "did you mean drum-machine?" in text
    assert "no setting 'late-start-clock'; did you mean late-start-clocks" in text
