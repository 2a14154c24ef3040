"""The command line called in this process, session files of Lantern Quay, and takes to list and audit."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from runner.cli.main import run
from runner.takes.testing import song_time, steady_records, take_header, write_take

REPOSITORY = Path(__file__).parents[3]

#: two seconds of music on simulated machines, with limits that no computer exceeds
SHORT = """\
session: Lantern Quay, short
format: 1
ports:
  box: {simulate: drum-machine}
  rack: {simulate: synthesizer}
  tape: {simulate: recorder}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport, position], starts: pre-roll}
  bass: {port: rack, channel: 1, settle: 20 ms}
  deck: {port: tape, kind: recorder, follows: [clock, transport]}
songs:
  - song: Tide Table
    tempo: 240
    meter: 4/4
    length: 2 bars
    lead: 200 ms
    pre-roll: 0 bars
    sections: {ebb: 2}
    cues:
      - {at: bar 1, machine: bass, program: 34}
      - {at: bar 1, machine: bass, note: 40, velocity: 80, length: 1 bar}
order: [Tide Table]
limits: {clock: 2 s, lateness: 2 s, cue: 2 s, tempo-percent: 50}
"""

BAD = """\
session: Lantern Quay, bad
format: 1
ports: {box: {simulate: drum-machne}}
machines: {drums: {port: bx, chanel: 10}}
songs: [{song: Ropewalk, tempo: 0, meter: 4/4, length: 8 bars}]
"""


@dataclass(frozen=True)
class Called:
    """What a command returned and printed."""

    code: int
    out: str
    err: str


Call = Callable[..., Called]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Call:
    """Call the command line with words; return exit code, standard output and standard error."""
    monkeypatch.setenv("COLUMNS", "80")

    def call_it(*words: object) -> Called:
        code = run([str(word) for word in words])
        said = capsys.readouterr()
        return Called(code, said.out, said.err)

    return call_it


@pytest.fixture
def short(tmp_path: Path) -> Path:
    """A good session file."""
    return written(tmp_path, SHORT)


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    """A session file with four errors."""
    return written(tmp_path, BAD, "bad.yaml")


@pytest.fixture
def takes(tmp_path: Path) -> Path:
    """A folder with three takes: two of Ropewalk that are clean, one of Net Loft that was stopped."""
    folder = tmp_path / "takes"
    time = song_time(125, bars=2, pre_roll=1)
    for song, number, why in (
        ("Ropewalk", 1, "complete"),
        ("Ropewalk", 2, "complete"),
        ("Net Loft", 1, "stopped"),
    ):
        name = f"take-{number:04d}"
        header = take_header(
            time, song=song, number=number, take=name, started_at=f"2026-05-04T19:3{number}:00.000Z"
        )
        place = folder / "Lantern Quay, evening run" / song / "bass overdub" / name
        records = steady_records(time, notes_a_beat=0 if why == "stopped" else 1)
        if why == "stopped":
            records = records[: len(records) // 2]
        write_take(place, header, records).close("told to end" if why == "stopped" else "", why)
    return folder


def written(folder: Path, text: str, name: str = "session.yaml") -> Path:
    """Write a session file and return its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def example(tmp_path: Path) -> Callable[[str], Path]:
    """Copy one of the example sessions, with its parts, and return its path."""

    def copy(name: str) -> Path:
        shutil.copytree(REPOSITORY / "configs", tmp_path / "configs", dirs_exist_ok=True)
        return tmp_path / "configs" / name

    return copy
