"""`takewright ports` and `takewright schema`, against a service that is made up here."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest
import yaml

from runner.errors import RigError
from runner.ports import midi_client
from runner.ports.names import SystemPort

PORTS = [
    SystemPort("Front USB:Front USB MIDI 1 24:0", "in", "alsa"),
    SystemPort("Front USB:Front USB MIDI 1 24:0", "out", "alsa"),
    SystemPort("Foot Board:Foot Board MIDI 1 28:0", "in", "alsa"),
]
RIG = """\
session: Lantern Quay, ports
format: 1
ports:
  front: {match: "Front USB*"}
  pedal: {match: "*Foot*", direction: in}
  bus: {create: quay-bus}
  box: {simulate: drum-machine}
MORE
machines: {drums: {port: front, channel: 10}}
songs: [{song: Ropewalk, tempo: 100, meter: 4/4, length: 2 bars}]
"""


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Put a MIDI service with the given ports, or with trouble, in the place of the system's."""

    def put(ports: list[SystemPort], api: str = "alsa", why_not: str = "", error: str = "") -> None:
        def make() -> Any:
            if error:
                raise RigError(error)
            opened.append(1)
            return SimpleNamespace(
                service=SimpleNamespace(api=api, why_not=why_not),
                list_ports=lambda: list(ports),
                close=opened.pop,
            )

        monkeypatch.setattr(midi_client, "SystemMidi", make)

    opened: list[int] = []
    yield put
    assert not opened, "what was opened was closed"


def test_the_systems_ports(service: Callable[..., None], call: Callable[..., Any]) -> None:
    """A line a port with its direction; the same as JSON."""
    service(PORTS)
    told = call("ports")
    assert told.code == 0
    assert told.out.splitlines()[0] == "in   Front USB:Front USB MIDI 1 24:0"
    result = json.loads(call("ports", "--json").out)
    assert result["problem"] is None
    assert result["ports"][2] == {"name": "Foot Board:Foot Board MIDI 1 28:0", "direction": "in"}
    service([])
    assert call("ports").out == "the system has no MIDI ports\n"


def test_a_port_that_takewright_made_is_marked(
    service: Callable[..., None], call: Callable[..., Any]
) -> None:
    """One that other programs can connect to is in the list, and nobody takes it for a machine's."""
    service([SystemPort("takewright:quay-bus 129:0", "in", "alsa"), *PORTS])
    lines = call("ports").out.splitlines()
    assert lines[0] == "in   takewright:quay-bus 129:0  (Takewright's own)"
    assert [line for line in lines[1:] if "own" in line] == []


def test_which_ports_a_session_finds(
    service: Callable[..., None], tmp_path: Path, call: Callable[..., Any]
) -> None:
    """What each port of the session is here: found, made by us, simulated."""
    service(PORTS)
    path = tmp_path / "rig.yaml"
    path.write_text(RIG.replace("MORE\n", ""), encoding="utf-8")
    told = call("ports", path)
    assert told.code == 0
    flat = " ".join(told.out.split())
    assert "front Front USB:Front USB MIDI 1 24:0 (in, out)" in flat
    assert "pedal Foot Board:Foot Board MIDI 1 28:0 (in)" in flat
    assert "bus made by us: quay-bus" in flat
    assert "box simulated drum-machine" in flat


def test_a_missing_port_exits_3_with_near_matches(
    service: Callable[..., None], tmp_path: Path, call: Callable[..., Any]
) -> None:
    """A pattern that nothing matches is told with what is near."""
    service(PORTS)
    path = tmp_path / "rig.yaml"
    path.write_text(RIG.replace("MORE", '  rack: {match: "Frnt USB*"}'), encoding="utf-8")
    told = call("ports", path)
    assert told.code == 3
    flat = " ".join(told.out.split())
    assert "rack missing: no input of the system matches 'Frnt USB*'; near: 'Front USB" in flat
    rows = {row["port"]: row for row in json.loads(call("ports", path, "--json").out)["session"]}
    assert rows["rack"]["found"] is None
    assert "near" in rows["rack"]["problem"]
    assert rows["front"]["problem"] is None
    assert max(len(line) for line in told.out.splitlines() if str(path) not in line) <= 80


def test_no_service_exits_3_and_says_why(
    service: Callable[..., None], tmp_path: Path, short: Path, call: Callable[..., Any]
) -> None:
    """Without a MIDI service the reason is told; a session of simulated machines needs none."""
    service([], api="dummy", why_not="there is no /dev/snd/seq")
    told = call("ports")
    assert told.code == 3
    assert "no MIDI service: there is no /dev/snd/seq" in told.err
    assert json.loads(call("ports", "--json").out)["problem"] == "no MIDI service: there is no /dev/snd/seq"
    assert call("ports", short).code == 0
    service([], error="cannot use ALSA's sequencer")
    told = call("ports")
    assert told.code == 3
    assert "cannot use ALSA's sequencer" in told.err


def test_the_schema_is_one_and_the_examples_keep_it(
    example: Callable[[str], Path], call: Callable[..., Any]
) -> None:
    """JSON Schema draft 2020-12, by the `jsonschema` package; every example is valid by it, and a session
    with an unknown key is not. The copy in configs/ for editors is the same."""
    told = call("schema")
    schema = json.loads(told.out)
    assert told.code == 0
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    paths = sorted(example("demo.yaml").parent.glob("*.yaml"))
    assert len(paths) >= 3
    for path in paths:
        session = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
        assert "songs" in session
        assert path.read_text(encoding="utf-8").startswith("# yaml-language-server: $schema=")
        kept = json.loads((path.parent / "session.schema.json").read_text(encoding="utf-8"))
        assert kept == schema
    assert list(validator.iter_errors({"sesion": "x"}))
