"""Sets by the real command on JACK ports: eight songs unattended, a loop of fifty passes, a player's pedal.

The listener and the pedal share no code with the program. Source: MIDI 1.0 Detailed Specification 4.2.1,
Timing Clock is sent 24 times a quarter note (p. 30).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import rtmidi
from jack_server import JackServer
from live_run import Ear, Run, listening, running

from runner.desk.client import ControlClient

CLOCK, START, STOP = b"\xf8", b"\xfa", b"\xfc"
NAMES = (
    "Ropewalk",
    "Fog Signal",
    "Net Loft",
    "Tide Table",
    "Slack Water",
    "Mole Light",
    "Chandler",
    "Last Boat",
)
LAMP_ROLLING, LAMP_CLEAN, DARK = b"\x9f\x24\x7f", b"\x9f\x26\x7f", 0

RIG = """
session: Lantern Quay, sets on wires
format: 1
ports:
  box: {match: "quay-box:box", direction: out}
  rack: {match: "quay-rack:rack", direction: out}
machines:
  drums: {port: box, channel: 10, follows: [clock, transport]}
  bass: {port: rack, channel: 2}
# the verdict is to tell of what was sent; how punctual a shared test computer is, is measured elsewhere
limits: {clock: 200 ms, lateness: 200 ms, cue: 200 ms, tempo-percent: 50}
"""
SONG = """
  - song: {name}
    tempo: 300
    meter: 1/4
    length: 4 bars
    cues:
      - {{at: bar 1, machine: bass, program: {program}}}
      - {{at: bar 2, machine: bass, note: 40, length: 2 beats}}
"""
PEDAL = """
controls:
  - {port: foot, when: control 64, do: roll}
  - {port: foot, when: control 65, do: go}
lamps:
  - {when: rolling, port: foot, channel: 16, on: {note: 36}, off: {note: 36, velocity: 0}}
  - {when: clean, port: foot, channel: 16, on: {note: 38}, off: {note: 38, velocity: 0}}
"""

pytestmark = pytest.mark.realport


def session(folder: Path, *songs: str, rig: str = RIG, more: str = "", loops: str = "") -> Path:
    """Write a session with these songs; return its file."""
    rows = [SONG.format(name=name, program=1 + at) for at, name in enumerate(songs)]
    text = rig + "songs:" + "".join(rows) + (f"    loops: {loops}\n" if loops else "") + more
    path = folder / f"{folder.name}.yaml"
    path.write_text(text)
    return path


def test_a_set_of_eight_songs_runs_unattended(jack_server: JackServer, tmp_path: Path) -> None:
    """Eight takes, each with Start, 96 clocks and Stop, each with its own program; the exit code 0."""
    file = session(tmp_path, *NAMES)
    environment = jack_server.child_environment()
    with (
        listening("quay", ("box", "rack"), environment) as ear,
        running([str(file), "--roll"], tmp_path / "takes", environment) as run,
    ):
        code = run.wait()
    assert code == 0, run.output
    data = [heard.data for heard in ear.heard("box")]
    assert data.count(START) == data.count(STOP) == 8
    rolls = b"".join(data).split(START)[1:]
    assert [roll.count(CLOCK) for roll in rolls] == [4 * 24] * 8
    notes = [heard.data for heard in ear.heard("rack") if heard.data[0] & 0xE0 == 0x80]
    assert len(notes) == 16
    summaries = [json.loads((take / "take.json").read_text()) for take in run.takes()]
    assert {summary["song"]: summary["verdict"] for summary in summaries} == dict.fromkeys(NAMES, "clean")


@pytest.mark.campaign
def test_fifty_passes_of_a_loop_lose_no_clock(jack_server: JackServer, tmp_path: Path) -> None:
    """Between Start and Stop lie 53 bars of 24 clocks; their times are one straight line, seams included."""
    file = session(tmp_path, "Ropewalk")
    environment = jack_server.child_environment()
    words = [str(file), "--song", "Ropewalk", "--loop", "bar 3 to bar 4, 50 times"]
    with (
        listening("quay", ("box", "rack"), environment) as ear,
        running(words, tmp_path / "takes", environment) as run,
    ):
        code = run.wait()
    assert code == 0, run.output
    heard = ear.heard("box")
    data = [entry.data for entry in heard]
    between = data[data.index(START) + 1 : data.index(STOP)]
    assert between == [CLOCK] * ((4 + 49) * 24)
    times = np.array([entry.t_ns for entry in heard if entry.data == CLOCK], dtype=float)
    slope, _ = np.polyfit(np.arange(len(times)), times - times[0], 1)
    assert 60e9 / (slope * 24) == pytest.approx(300, rel=1e-3)
    assert run.summary()["clock"]["missing"] == 0


@pytest.fixture
def pedal(jack_server: JackServer) -> Iterator[rtmidi.MidiOut]:
    """A foot controller: one output of a client of its own."""
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="quay-foot")
    out.open_virtual_port("switch")
    yield out
    out.close_port()
    out.delete()


def press(pedal: rtmidi.MidiOut, control: int) -> None:
    """Press a switch and let it go."""
    pedal.send_message([0xBF, control, 127])
    pedal.send_message([0xBF, control, 0])


def test_a_player_with_a_pedal_needs_no_computer(
    jack_server: JackServer, tmp_path: Path, pedal: rtmidi.MidiOut
) -> None:
    """A press rolls, a lamp lights, the hold goes round until the other switch, a lamp tells of the take."""
    rig = RIG.replace("machines:", '  foot: {match: "*quay-foot*"}\nmachines:')
    file = session(tmp_path, "Ropewalk", rig=rig, more=PEDAL, loops="[bar 2 to bar 3]")
    environment = jack_server.child_environment({"TAKEWRIGHT_SOCKET": str(tmp_path / "s")})
    with (
        listening("quay-foot-lamps", ("lamps",), environment) as lamps,
        listening("quay", ("box", "rack"), environment) as ear,
        running([str(file)], tmp_path / "takes", environment) as run,
    ):
        run.wait_for_text('"event": "ready"')
        press(pedal, 64)
        ear.wait_for(lambda: ear.clocks("box") > 5 * 24, "the hold to go round")
        with ControlClient(tmp_path / "s") as client:
            assert client.status().hold
            press(pedal, 65)
            ear.wait_for(lambda: any(heard.data == STOP for heard in ear.heard("box")), "Stop")
            _lamp(lamps, LAMP_CLEAN)
            assert client.order("quit").done
        code = run.wait()
    assert code == 0, run.output
    seen = [heard.data for heard in lamps.heard()]
    assert LAMP_ROLLING in seen, run.output
    assert seen.index(LAMP_ROLLING) < seen.index(LAMP_CLEAN)
    assert all(message[2] == DARK for message in seen[-1:])  # it leaves no lamp lit
    _only_take_is(run, "clean")


def _lamp(lamps: Ear, message: bytes) -> None:
    lamps.wait_for(lambda: any(heard.data == message for heard in lamps.heard()), f"lamp {message.hex()}")


def _only_take_is(run: Run, verdict: str) -> None:
    assert len(run.takes()) == 1
    assert run.summary()["verdict"] == verdict, run.output
