"""Runs of takes with a recorder through the whole desk: what is on disk is what the recorder did.

Virtual time. The simulated recorder is the truth: take.json and recorder.json are held against it, with
Takewright as the master and with the recorder's time code as the clock.
"""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

import pytest
from virtual_set import VirtualSet

from runner.errors import ExitCode
from runner.ports.recorder import Roll

SECOND, MS = 1_000_000_000, 1_000_000
SESSION = """
session: Lantern Quay, takes through the desk
format: 1
ports:
  tape: {{simulate: recorder, settings: {{frame-rate: 25, time-code: {leads}{settings}}}}}
  box: {{simulate: drum-machine}}
machines:
  deck: {{port: tape, device-id: 1, kind: recorder, frame-rate: 25}}
  drums: {{port: box, channel: 10, follows: [clock, transport], starts: bar-1}}
clock: {clock}
songs:
  - song: Net Loft
    tempo: 240
    length: 4 bars
    lead: 500 ms
    time-code: "00:10:00:00"
    cues:
      - {{at: bar 2, machine: deck, record: true}}
      - {{at: bar 4, machine: deck, record: false}}
order: [Net Loft]
"""
MASTER, LEADS = "{source: internal}", "{source: time-code, port: tape}"
PUNCHED_NS = 2 * SECOND  #: bars 2 and 3
LOST_RECORD = {
    "recorder-not-recording", "recorder-protected", "recorder-dropped-out", "recorder-stopped",
}  # fmt: skip


class Run:
    """A run of takes to its end, and what is on disk of it."""

    def __init__(self, folder: Path, settings: str = "", clock: str = MASTER, takes: int = 1) -> None:
        folder.mkdir(exist_ok=True)
        text = SESSION.format(settings=settings, clock=clock, leads=str(clock == LEADS).lower())
        self.desk = VirtualSet.of(text, folder, mode="song", song="Net Loft", takes=takes)
        self.deck = self.desk.rig.machine("tape")
        self.desk.run_to_the_end(most_s=400.0)
        self.folders = [Path(take["folder"]) for take in self.desk.takes()]

    def read(self, number: int, file: str) -> Any:
        return json.loads((self.folders[number] / file).read_text("utf-8"))

    def report(self, number: int = 0) -> dict[str, Any]:
        (report,) = self.read(number, "recorder.json")["recorders"]
        return dict(report)

    def codes(self, number: int = 0) -> set[str]:
        return {finding["code"] for finding in self.read(number, "take.json")["findings"]}

    def told(self, kind: str) -> str:
        return "; ".join(str(data["text"]) for each, data in self.desk.told.reports if each == kind)


@pytest.mark.parametrize(
    ("clock", "takes"), [(MASTER, 3), (LEADS, 1), pytest.param(LEADS, 3, marks=pytest.mark.campaign)]
)
def test_takes_by_themselves(tmp_path: Path, clock: str, takes: int) -> None:
    """Located, rolled, recorded over the same bars, stopped; the last one as well before the run is over."""
    run = Run(tmp_path, ", locate: 300 ms, start: 200 ms", clock, takes=takes)
    assert run.desk.director.exit is ExitCode.OK, run.desk.told.reports
    assert len(run.folders) == takes
    for number in range(takes):
        report = run.report(number)
        assert {report[key] for key in ("located", "rolled", "recorded", "stopped")} == {True}
        assert report["punches"] == [{"began": True, "held": True, "ended": True}]
        assert "recorder.json" in run.read(number, "take.json")["files"]
    spans = run.deck.recorded
    assert len(spans) == takes
    assert all(abs(end - begin - PUNCHED_NS) < 20 * MS for begin, end in spans)
    assert max(begin for begin, _ in spans) - min(begin for begin, _ in spans) < 150 * MS


@pytest.mark.parametrize("clock", [MASTER, pytest.param(LEADS, marks=pytest.mark.campaign)])
def test_one_that_does_not_stop_is_in_the_take(tmp_path: Path, clock: str) -> None:
    """It plays and records on: the take says so, though it was over when that was found; nothing hangs."""
    run = Run(tmp_path, ", ignores-stop: true", clock)
    assert run.codes() >= {"recorder-not-stopped", "recorder-still-recording"}
    assert run.read(0, "take.json")["verdict"] == "failed"
    assert run.report()["stopped"] is False
    assert run.report()["punches"][0]["ended"] is False
    assert run.deck.roll is Roll.RECORDING
    assert run.desk.director.exit is ExitCode.NOT_CLEAN


@pytest.mark.parametrize(
    ("settings", "loop", "seconds"),
    [
        (", stops-after: 2 s", "closed", 20),
        pytest.param(", answers: false, ignore-start: true", "open", 300, marks=pytest.mark.campaign),
    ],
)
def test_time_code_that_never_comes_to_the_song_ends_the_armed_take(
    tmp_path: Path, settings: str, loop: str, seconds: int
) -> None:
    """It stops ahead of the song, or never starts and does not say so: a finding, and no hang."""
    run = Run(tmp_path, settings, LEADS)
    assert "recorder-not-rolling" in run.codes()
    assert run.report()["loop"] == loop
    assert f"has not come to the song {seconds} s after" in run.told("warning")
    assert run.desk.director.exit is ExitCode.NOT_CLEAN


def test_one_that_does_not_obey_ends_the_run_with_words(tmp_path: Path) -> None:
    """Nothing is rolled: no take is made, and the run says why and ends."""
    run = Run(tmp_path, ", ignores-locate: true", takes=3)
    assert run.folders == []
    assert run.desk.director.exit is ExitCode.NOT_CLEAN
    assert "deck has not gone to" in run.told("error")
    assert run.deck.recordings == []


FAULTS = (
    "", "", "", "", ", answers: false", ", locate: 70 s", ", ignores-locate: true", ", locate-misses: 3 s",
    ", ignore-start: true", ", ignores-record: true", ", protected: true", ", ignores-stop: true",
    ", start: 15 s", ", start: 2 s", ", answer: 400 ms", ", drops-out-after: 700 ms", ", stops-after: 2 s",
    ", stops-after: 6500 ms", ", silent-from: 4 s, silent-for: 30 s", ", speed: 1.001",
)  # fmt: skip


def check(run: Run, clock: str, settings: str) -> str:
    """Hold what is on disk against what the recorder did; return what it came to."""
    assert run.desk.director.exit is not None, f"{settings}: it hangs"
    deck = run.deck
    if not run.folders:
        assert deck.recordings == [] and run.told("error"), settings
        return "refused"
    report, codes = run.report(), run.codes()
    recordings = list(deck.recordings)
    moving = deck.roll in (Roll.PLAYING, Roll.RECORDING)
    if deck.recording_since is not None:
        recordings.append((deck.recording_since, run.desk.rig.clock.now_ns()))
    if not deck.settings.answers:
        assert report["loop"] == "open" and report["recorded"] is report["stopped"] is None, settings
        assert "recorder-open-loop" in codes
        return "open"
    assert report["loop"] == "closed", settings
    assert report["stopped"] is not moving, settings
    assert ("recorder-not-stopped" in codes) is moving, settings
    ((first, last), *_) = recordings or [(0, 0)]
    if report["recorded"]:
        if run.read(0, "take.json")["outcome"] == "complete":
            assert last - first >= PUNCHED_NS - 350 * MS, settings
        # it may have stopped by itself between the last question and the punch out
        assert not (LOST_RECORD - {"recorder-stopped"}) & codes, settings
        return "recorded"
    if report["recorded"] is None:
        # never punched in, over before it was asked, or its answer came after the punch out
        unasked = not report["punches"] or report["punches"][0]["began"] is None
        assert unasked or deck.settings.answer_ns >= 300 * MS, settings
        return "unknown"
    assert last - first < PUNCHED_NS + 20 * MS, settings
    assert LOST_RECORD & codes, settings
    assert run.read(0, "take.json")["verdict"] == "failed", settings
    return "not recorded"


def play(folder: Path, count: int, seed: int) -> set[str]:
    dice = Random(seed)
    came_to = set()
    for number in range(count):
        clock = dice.choice((MASTER, LEADS))
        settings = dice.choice(FAULTS)
        came_to.add(check(Run(folder / f"{seed}-{number}", settings, clock), clock, settings))
    return came_to


@pytest.mark.campaign
def test_two_hundred_takes_with_random_faults_are_told_truly(tmp_path: Path) -> None:
    """The same two hundred times: every kind of end comes about."""
    assert play(tmp_path, 200, 6) == {"recorded", "refused", "open", "unknown", "not recorded"}
