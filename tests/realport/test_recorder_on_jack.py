"""Takes with an independent recorder on JACK ports: time code and machine control byte for byte, both ways.

The recorder is a process that uses python-rtmidi alone. Sources: MMA RP-004/RP-008 (quarter frames, p. 2;
sets on even frames, p. 4; full message, p. 5), RP-013 (commands, pp. 1-5 and 28), MIDI 1.0 4.2.1 p. 30 (24
clocks a quarter note); the numbers of frames are those of the library `timecode`.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jack_server import JackServer
from live_run import PATIENCE_S, Heard, listening, running
from timecode import Timecode

pytestmark = pytest.mark.realport

RECORDER = Path(__file__).parents[1] / "support" / "tape_recorder.py"
FPS = 25
SESSION = """
session: Lantern Quay, tape on ports
format: 1
ports:
  tape: {{match: "quay-deck*"}}
  box: {{match: "quay-box:box", direction: out}}
machines:
  deck: {{port: tape, device-id: 1, kind: recorder, frame-rate: 25, follows: [{follows}]}}
  drums: {{port: box, channel: 10, follows: [clock, transport], starts: bar-1}}
{clock}
songs:
  - song: Tide Table
    tempo: 120
    length: 4 bars
    lead: 1 s
    time-code: "00:10:00:00"
    cues:
      - {{at: bar 2, machine: deck, record: true}}
      - {{at: bar 4, machine: deck, record: false}}
order: [Tide Table]
takes: {{folder: takes, pass: tape}}
# the verdict is to tell of what was sent; how punctual a shared test computer is, is measured elsewhere
limits: {{clock: 400 ms, lateness: 400 ms, cue: 400 ms, tempo-percent: 50}}
"""
BAR_1 = 10 * 60 * FPS  #: frame of bar 1


class Deck:
    """The recorder's process, and what it wrote down."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.received: list[bytes] = []
        self.quarters: list[tuple[int, int]] = []  #: (monotonic ns, quarter frame of the day) that it sent
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            words = line.split()
            if words[0] == "sent":
                self.quarters.append((int(words[1]), int(words[2])))
            else:
                self.received.append(bytes.fromhex(words[1]))

    def join(self) -> None:
        self._reader.join(10)


@contextlib.contextmanager
def recorder(environment: dict[str, str], code: str) -> Iterator[Deck]:
    """Run the recorder to the end of the block."""
    process = subprocess.Popen(
        [sys.executable, str(RECORDER), "quay-deck", str(FPS), code],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None and process.stdin is not None
        assert process.stdout.readline().strip() == "ready"
        deck = Deck(process)
        yield deck
        process.stdin.close()
        process.wait(10)
        deck.join()
    finally:
        process.kill()
        process.wait()


def take(
    jack: JackServer, folder: Path, follows: str, clock: str, code: str
) -> tuple[int, str, Deck, list[Heard], dict[str, Any]]:
    """Roll one take; return exit code, output, recorder, what the drum machine's port got, recorder.json."""
    session = folder / "quay.yaml"
    session.write_text(SESSION.format(follows=follows, clock=clock))
    environment = jack.child_environment()
    with (
        recorder(environment, code) as deck,
        listening("quay", ("box",), environment) as ear,
        running([str(session), "--song", "Tide Table"], folder / "takes", environment) as run,
    ):
        try:
            exit_code = run.wait(2 * PATIENCE_S)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"it hangs:\n{run.output}\n{deck.received[-20:]}") from None
    report = json.loads((run.takes()[0] / "recorder.json").read_text())
    return exit_code, run.output, deck, ear.heard("box"), report["recorders"][0]


def pieces(frame: int) -> list[bytes]:
    """Return the quarter frames of an even frame, by the library's number of it and the table of p. 2."""
    number = str(Timecode(str(FPS), frames=frame + 1))  # the library counts frames from 1
    hours, minutes, seconds, frames = (int(part) for part in number.split(":"))
    values = (frames, seconds, minutes, 1 << 5 | hours)  # rate code 1: 25 frames
    return [bytes((0xF1, n << 4 | values[n // 2] >> 4 * (n % 2) & 15)) for n in range(8)]


def test_time_code_and_machine_control_out(jack_server: JackServer, tmp_path: Path) -> None:
    """A recorder that follows time code: locate, full message, quarter frames, punches, stop, as bytes."""
    code, output, deck, box, report = take(jack_server, tmp_path, "time-code", "", "-")
    assert code == 0, output
    quarters = [data for data in deck.received if data[0] == 0xF1]
    # from the first even frame of the lead (1 s) to the end of bar 4 (8 s)
    wanted = [data for frame in range(BAR_1 - 24, BAR_1 + 8 * FPS, 2) for data in pieces(frame)]
    assert quarters == wanted
    others = [data.hex(" ").upper() for data in deck.received if data[0] != 0xF1]
    questions = [text for text in others if text.startswith("F0 7F 01 06 42")]
    assert set(questions) == {"F0 7F 01 06 42 03 48 4D 01 F7", "F0 7F 01 06 42 02 48 4D F7"}
    assert [text for text in others if text not in questions] == [
        "F0 7F 01 06 44 06 01 20 09 3A 18 00 F7",  # locate to 00:09:58:24, where the roll begins
        "F0 7F 7F 01 01 20 09 3B 01 F7",  # full message: 00:09:59:01
        "F0 7F 01 06 06 F7",
        "F0 7F 01 06 07 F7",
        "F0 7F 01 06 01 F7",
    ]
    assert report["located"] is True
    assert report["loop"] == "closed"
    assert [heard.data for heard in box].count(b"\xf8") == 48 + 4 * 96


def test_time_code_in_and_machine_control_out(jack_server: JackServer, tmp_path: Path) -> None:
    """The recorder's time code is the clock: every clock goes out, at the place that the code names."""
    clock = "clock: {source: time-code, port: tape}"
    code, output, deck, box, report = take(jack_server, tmp_path, "", clock, "1")
    assert code in (0, 1), output  # how even the recorder's own time code is depends on the computer
    commands = [data.hex(" ").upper() for data in deck.received]
    plain = [text for text in commands if not text.startswith("F0 7F 01 06 42")]
    assert [text[12:14] for text in plain] == ["44", "03", "06", "07", "01"]
    assert (report["located"], report["rolled"], report["recorded"]) == (True, True, True)
    start = next(index for index, heard in enumerate(box) if heard.data == b"\xfa")
    clocks = [heard.t_ns for heard in box[start:] if heard.data == b"\xf8"]
    assert len(clocks) == 4 * 96
    # the line through the recorder's own times gives bar 1; that through the clocks must begin there
    sent, numbers = (np.array(column, dtype=float) for column in zip(*deck.quarters, strict=True))
    each, origin = np.polyfit(numbers - 4 * BAR_1, sent - sent[0], 1)
    slope, first = np.polyfit(np.arange(len(clocks)), np.array(clocks, dtype=float) - sent[0], 1)
    assert each == pytest.approx(1e9 / (4 * FPS), rel=2e-3)
    assert slope == pytest.approx(500e6 / 24, rel=2e-3)
    assert abs(first - origin) < 20e6  # two periods of JACK's queues, and a busy computer's
