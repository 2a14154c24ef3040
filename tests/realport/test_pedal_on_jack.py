"""A player with a pedal and nothing else: the daemon on JACK ports, its lamps, and the socket beside them."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from jack_server import JackServer
from live_run import Ear, listening, running

from runner.desk.client import ControlClient

PEDAL = Path(__file__).parents[1] / "support" / "pedal.py"
READY, ROLLING, BAR_1 = 20, 21, 22  #: controllers of the lamps


def lamp(state: str, number: int, more: str = "") -> str:
    """Return a row: a controller of the board for a state."""
    on, off = f"{{control: {number}, value: 127}}", f"{{control: {number}, value: 0}}"
    return f"  - {{when: {state}, port: board, channel: 1, on: {on}, off: {off}{more}}}\n"


SESSION = """
session: Lantern Quay, by foot
format: 1
ports:
  pedal: {match: "quay-pedal:pedal", direction: in}
  board: {match: "quay-board:board", direction: out}
  box: {simulate: drum-machine}
machines:
  drums: {port: box, channel: 10, follows: [clock, transport], starts: pre-roll}
songs:
  - {song: Ropewalk, tempo: 240, meter: 4/4, length: 300 bars, lead: 200 ms, pre-roll: 1 bar}
  - {song: Tide Table, tempo: 240, meter: 4/4, length: 300 bars}
controls:
  - {port: pedal, when: control 64, do: roll}
  - {port: pedal, when: control 64, do: stop, press: long}
  - {port: pedal, when: machine-control pause, do: mark by foot}
limits: {clock: 2 s, lateness: 2 s, cue: 2 s, tempo-percent: 50}
lamps:
""" + "".join((
    lamp("ready", READY),
    lamp("waiting", READY),
    lamp("rolling", ROLLING),
    lamp("bar-1", BAR_1, ", flash: 100 ms"),
))  # fmt: skip


class Pedal:
    """The process of `pedal.py`."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def send(self, *messages: str) -> None:
        """Send messages in hex, one after the other."""
        assert self._process.stdin is not None
        for message in messages:
            self._process.stdin.write(message + "\n")
        self._process.stdin.flush()


@contextmanager
def pedal(environment: dict[str, str]) -> Iterator[Pedal]:
    """Run a pedal to the end of the block."""
    command = [sys.executable, str(PEDAL), "quay-pedal", "pedal"]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        yield Pedal(process)
        assert process.stdin is not None
        process.stdin.close()
        process.wait(10)


def lit(ear: Ear, number: int) -> list[int]:
    """Return the values that a lamp was sent, in their order."""
    return [heard.data[2] for heard in ear.heard() if heard.data[:2] == bytes((0xB0, number))]


@pytest.mark.realport
def test_an_evening_by_foot(jack_server: JackServer, tmp_path: Path) -> None:
    """Pressed, it rolls; held, it stops; lamps follow, and the socket tells the same story."""
    file = tmp_path / "quay.yaml"
    file.write_text(SESSION)
    environment = jack_server.child_environment({"TAKEWRIGHT_SOCKET": str(tmp_path / "s")})
    with (
        pedal(environment) as foot,
        listening("quay", ("board",), environment) as ear,
        running([str(file)], tmp_path / "takes", environment) as run,
    ):
        ear.wait_for(lambda: 127 in lit(ear, READY), "the lamp that says ready")
        assert 127 not in lit(ear, ROLLING)
        with ControlClient(tmp_path / "s", timeout_s=60) as client:
            assert client.status().state == "ready"
            foot.send("B0 40 7F", "B0 40 00")
            ear.wait_for(lambda: 127 in lit(ear, ROLLING), "the lamp that says rolling")
            ear.wait_for(lambda: lit(ear, BAR_1)[-2:] == [127, 0], "the flash of bar 1")
            foot.send("F0 7F 7F 06 09 F7")
            run.wait_for_text('"order": "mark by foot"')
            assert client.order("mark", "by hand").done
            assert client.status().song == "Ropewalk"
            foot.send("B0 40 7F")  # and the foot stays on it
            ear.wait_for(lambda: lit(ear, ROLLING)[-2:] == [127, 0], "the lamp to go out")
            run.wait_for_text("interrupted")
            ear.wait_for(lambda: lit(ear, READY)[-1] == 127, "the lamp that says ready again")
            foot.send("B0 40 00")
            refused = client.order("stop")
            assert not refused.done and "nothing rolls" in refused.text
            assert client.order("quit").done
        assert run.wait() in (0, 1)
    assert [lit(ear, number)[-1] for number in (READY, ROLLING, BAR_1)] == [0, 0, 0]
    assert not (tmp_path / "s").exists()
    assert [run.summary(number)["verdict"] for number in range(len(run.takes()))] == ["interrupted"]
