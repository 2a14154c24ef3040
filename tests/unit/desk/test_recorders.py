"""The desk's recorders around a take: made ready, played, stopped, and their words kept; in virtual time."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from runner.desk.prepare import Prepared
from runner.desk.recorders import Recorders, targets_of
from runner.desk.roll import Roll, compile_roll
from runner.music.machine_control import Mmc, cell, command
from runner.plan.rehearsal import Rehearsal
from runner.play.recorder_report import RecorderFinding
from runner.ports.recorder import Recorder, RecorderSettings
from runner.ports.recorder import Roll as Motion
from runner.session.load import load_session
from runner.takes.reader import RECORDER_FILE

SECOND, MS = 1_000_000_000, 1_000_000
SESSION = """
session: Lantern Quay, before and after
format: 1
ports: {{tape: {{simulate: sink}}, box: {{simulate: sink}}}}
machines:
  drums: {{port: box, channel: 10, follows: [clock, transport]}}
  deck: {{port: tape, device-id: 1, kind: recorder, frame-rate: 25, follows: [{follows}]}}
clock: {clock}
songs:
  - {{song: Net Loft, tempo: 120, length: 4 bars, pre-roll: 1 bar{song}}}
order: [Net Loft]
"""
PLACE = ', time-code: "00:10:00:00"'


class Stage:
    """Recorders with a simulated one at the other end, and what came of it."""

    def __init__(
        self,
        settings: RecorderSettings | None = None,
        *,
        follows: str = "",
        clock: str = "{source: internal}",
        song: str = PLACE,
    ) -> None:
        loaded = load_session(SESSION.format(follows=follows, clock=clock, song=song))
        self.prepared = Prepared(Path("session.yaml"), loaded)
        self.deck = Recorder(settings or RecorderSettings(frame_rate=25))
        self.now = SECOND
        self.notes: list[RecorderFinding] = []
        self.warnings: list[str] = []
        self.events: list[str] = []
        self.recorders = Recorders(loaded.session, self._send, self.notes.append, self.warnings.append)
        self.recorders.roll_now = lambda: self.events.append("roll")
        self.recorders.refuse = lambda text: self.events.append(f"refused: {text}")
        self.recorders.stop_take = lambda why: self.events.append(f"stop: {why}")

    @property
    def roll(self) -> Roll:
        return compile_roll(self.prepared, ("Net Loft",), Rehearsal(), pass_name="main", run="1")

    def _send(self, rows: list[list[object]]) -> None:
        for port, machine, text in rows:
            assert (port, machine) == (0, 1)
            self.deck.receive(bytes.fromhex(str(text)), self.now)

    def run_for(self, seconds: float) -> None:
        """Let the desk's loop turn: it wakes when something is due, or a tenth of a second later."""
        end = self.now + round(seconds * SECOND)
        while self.now < end:
            wait = self.recorders.wait_s(self.now, 0.1)
            due = self.deck.next_deadline_ns()
            step = self.now + max(MS, round(wait * SECOND))
            self.now = min(end, step if due is None else max(self.now, min(step, due)))
            for said in self.deck.due(self.now):
                self.recorders.heard(0, said.data, self.now)
            self.recorders.tick(self.now)


def test_a_roll_waits_until_the_recorder_rolls(tmp_path: Path) -> None:
    """It is located to where the roll begins and told to play; the roll is ordered when it says so."""
    stage = Stage()
    assert not stage.recorders.may_roll(stage.roll, stage.now)
    assert stage.recorders.waiting_for == "deck to go to 00:09:58:00"
    stage.run_for(2)
    assert stage.events == ["roll"]
    assert stage.deck.roll is Motion.PLAYING
    assert stage.recorders.may_roll(stage.roll, stage.now)
    stage.recorders.begun(stage.now)
    stage.run_for(2)
    stage.recorders.ended(tmp_path, stage.now)
    stage.run_for(2)
    assert stage.deck.roll is Motion.STOPPED
    (report,) = json.loads((tmp_path / RECORDER_FILE).read_text())["recorders"]
    assert (report["machine"], report["located"], report["rolled"], report["stopped"]) == (
        "deck",
        True,
        True,
        True,
    )
    assert stage.notes == [] and stage.warnings == []


def test_the_next_take_locates_back_when_the_last_has_stopped(tmp_path: Path) -> None:
    """A roll that is called while the recorder still stops is made ready after that."""
    stage = Stage()
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(2)
    stage.recorders.begun(stage.now)
    stage.recorders.ended(tmp_path, stage.now)
    assert not stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(3)
    assert stage.events == ["roll", "roll"]


@pytest.mark.parametrize("song", ["", PLACE])
def test_who_takes_part(song: str) -> None:
    """A song without a time code leaves the recorder where it is."""
    stage = Stage(song=song)
    targets = targets_of(stage.prepared.session, stage.roll)
    assert [str(code) for code in targets.values()] == (["00:09:58:00"] if song else [])
    assert stage.recorders.may_roll(stage.roll, stage.now) is not bool(song)


def test_one_that_follows_is_located_and_not_played() -> None:
    """It rolls with the clock, the transport or the time code that it is sent."""
    stage = Stage(follows="time-code")
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(2)
    assert stage.events == ["roll"]
    assert stage.deck.roll is Motion.PAUSED


def test_one_that_leads_is_played_into_the_armed_take() -> None:
    """With its time code as the clock it stands 3 s ahead, and plays when the take is armed."""
    stage = Stage(clock="{source: time-code, port: tape}")
    assert [str(code) for code in targets_of(stage.prepared.session, stage.roll).values()] == ["00:09:55:00"]
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(2)
    assert stage.events == ["roll"]
    assert stage.deck.roll is Motion.PAUSED
    stage.recorders.begun(stage.now)
    stage.run_for(1)
    assert stage.deck.roll is Motion.PLAYING


def test_one_that_leads_and_does_not_roll_stops_the_take() -> None:
    """The armed take would wait for ever: it is stopped, and the finding is in it."""
    stage = Stage(RecorderSettings(frame_rate=25, ignore_start=True), clock="{source: time-code, port: tape}")
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(2)
    stage.recorders.begun(stage.now)
    stage.run_for(15)
    assert "stop: deck does not roll" in stage.events
    assert [finding.code for finding in stage.notes] == ["recorder-not-rolling"]


def test_one_that_does_not_obey_is_refused_with_the_reason() -> None:
    """Nothing is rolled over another place of the tape; it is stopped, and the next call begins anew."""
    stage = Stage(RecorderSettings(frame_rate=25, ignores_locate=True))
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(65)
    (event,) = stage.events
    assert event.startswith("refused: deck has not gone to 00:09:58:00 in 60.")
    stage.deck.settings = RecorderSettings(frame_rate=25)
    assert not stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(3)
    assert stage.events[-1] == "roll"


def test_what_is_found_before_the_take_is_told_in_it() -> None:
    """A note of open loop comes while it is located, and belongs to the take that begins then."""
    stage = Stage(RecorderSettings(frame_rate=25, answers=False))
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(8)
    assert stage.events == ["roll"]
    assert stage.notes == []
    stage.recorders.begun(stage.now)
    assert [finding.code for finding in stage.notes] == ["recorder-open-loop"]


def test_a_call_that_is_taken_back_stops_the_recorder() -> None:
    """A stop that is ordered while it locates leaves it stopped, and nothing rolls."""
    stage = Stage()
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(0.1)
    stage.recorders.abort(stage.now)
    stage.run_for(5)
    assert stage.events == []
    assert stage.deck.roll is Motion.STOPPED
    assert stage.recorders.waiting_for == ""


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """The report is missing then, the run goes on."""
    stage = Stage()
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(2)
    stage.recorders.begun(stage.now)
    stage.recorders.ended(tmp_path / "gone", stage.now)
    stage.run_for(2)
    assert len(stage.warnings) == 1
    assert "recorder.json cannot be written" in stage.warnings[0]


def test_what_the_engine_sent_is_known() -> None:
    """Punches of the timeline are watched for: a recorder that does not record is told of in the take."""
    stage = Stage()
    stage.recorders.may_roll(stage.roll, stage.now)
    stage.run_for(2)
    stage.recorders.begun(stage.now)
    strobe = command(1, cell(Mmc.RECORD_STROBE))
    stage.recorders.sent(0, strobe, stage.now)  # and the recorder never got it
    stage.run_for(0.5)
    question = bytes.fromhex("F0 7F 01 06 42 02 48 4D F7")
    stage.recorders.sent(0, question, stage.now)
    stage.deck.receive(question, stage.now)
    stage.run_for(0.5)
    assert [finding.code for finding in stage.notes] == ["recorder-not-recording"]
