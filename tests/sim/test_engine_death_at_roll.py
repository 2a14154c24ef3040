"""An engine that dies at any moment between the order to roll and the first record of it that is read.

What must hold: nothing begins by itself on a rig that has just fallen silent; what had begun is a take that
failed; what the dead engine had not read is not obeyed by the next. In virtual time.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from virtual_set import STEP_NS, VirtualSet

from runner.desk.actions import read_order
from runner.desk.phases import Phase
from runner.play.commands import Answer
from runner.takes.format import Kind

SESSION = """
session: Lantern Quay, a bad moment
format: 1
ports: {box: {simulate: drum-machine}}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport]}
songs:
  - {song: Ropewalk, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
  - {song: Fog Signal, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
order: [{song: Ropewalk, between: 8 s}, Fog Signal]
"""
#: what the engine had done of the roll when it died
UNBEGUN = ("course not read", "loaded not told", "order not read", "begin not written")
#: and whether the next engine finds on the link what the dead one had not read
MOMENTS = [*((moment, False) for moment in UNBEGUN), (UNBEGUN[0], True), (UNBEGUN[2], True)]


def daemon(folder: Path) -> VirtualSet:
    """Begin a run of the daemon, and let its rig open."""
    stage = VirtualSet.of(SESSION, folder)
    stage.run_for(0.2)
    return stage


def call_until(stage: VirtualSet, moment: str) -> None:
    """Bring what is called as far as `moment`, the desk's turns left out that come after it."""
    calling, link = stage.director.calling, stage.link
    if moment == "course not read":
        link.unread = []
    stage.director.obey(read_order("roll", "test"), stage.rig.clock.now_ns())
    if moment in UNBEGUN[:2]:
        return
    if moment == "order not read":
        link.unread = []
    calling.on_answer(*link.answers.pop(0))
    if moment == "begin not written":
        stage.rig.loop.log._waiting.clear()


def begins(stage: VirtualSet) -> int:
    """How many rolls the records know of."""
    return len(stage.rig.records(Kind.TAKE_BEGIN))


@pytest.mark.parametrize(("moment", "read_on"), MOMENTS)
def test_a_roll_that_has_not_begun_is_not_begun_by_the_next_engine(
    tmp_path: Path, moment: str, read_on: bool
) -> None:
    """The daemon stands, says why, and rolls when it is told to: once."""
    stage = daemon(tmp_path)
    call_until(stage, moment)
    stage.lose_engine(read_on=read_on)
    stage.run_for(12)
    assert begins(stage) == 0
    assert stage.takes() == []
    assert stage.director.show.phase is Phase.STANDING
    texts = [alarm.text for alarm in stage.director.status().alarms]
    assert texts[-1:] == ["Ropewalk has not begun, for the engine process died; order it anew"]
    assert stage.order("roll").done
    stage.run_for(7)
    assert stage.verdicts() == [("Ropewalk", "clean")]
    assert begins(stage) == 1


@pytest.mark.parametrize(("moment", "read_on"), MOMENTS)
def test_a_run_by_itself_begins_its_take_once_more_if_nothing_of_it_had_begun(
    tmp_path: Path, moment: str, read_on: bool
) -> None:
    """A run of one take ends with that take, clean; the engine is told to roll once, and never twice."""
    stage = VirtualSet.of(SESSION, tmp_path, "song", song="Ropewalk")
    calling = stage.director.calling
    if moment == "course not read":
        while stage.link.answers:
            answer = stage.link.answers.pop(0)
            stage.link.unread = []
            calling.on_answer(*answer)
    else:
        calling.on_answer(*stage.link.answers.pop(0))
        if moment != "loaded not told":
            stage.link.unread = [] if moment == "order not read" else None
            calling.on_answer(*stage.link.answers.pop(0))
            if moment == "begin not written":
                stage.rig.loop.log._waiting.clear()
    stage.lose_engine(read_on=read_on)
    stage.run_to_the_end(60)
    assert stage.verdicts() == [("Ropewalk", "clean")]
    assert begins(stage) == 1


@pytest.mark.parametrize("mode", ["stay", "song"])
@pytest.mark.parametrize("after_ms", [0, 20, 600])
def test_a_roll_that_has_begun_unseen_is_a_failed_take_and_not_rolled_again(
    tmp_path: Path, after_ms: int, mode: str
) -> None:
    """Its records lie in the pipe when the desk hears of the rescue: they are read before all else."""
    more = {} if mode == "stay" else {"song": "Ropewalk"}
    stage = VirtualSet.of(SESSION, tmp_path, mode, **more)
    if mode == "stay":
        stage.turn()
        stage.director.obey(read_order("roll", "test"), stage.rig.clock.now_ns())
    while stage.link.answers:
        stage.director.calling.on_answer(*stage.link.answers.pop(0))
    stage.rig.loop.log.flush(stage.rig.clock.now_ns())
    stage.rig.run_for(after_ms / 1000)
    stage.lose_engine(read_on=True)
    stage.run_for(12)
    assert begins(stage) == 1
    assert stage.verdicts() == [("Ropewalk", "failed")]
    assert (stage.director.exit is None) == (mode == "stay")


def test_what_is_to_follow_by_itself_stands_after_an_engine_has_died(tmp_path: Path) -> None:
    """In the gap before a song, in a take that another follows, in a series: the daemon stands."""
    stage = daemon(tmp_path)
    stage.order("roll")
    stage.run_for(6)
    assert stage.director.show.phase is Phase.DUE
    stage.lose_engine(read_on=True)
    stage.run_for(10)
    assert begins(stage) == 1
    stage.order("song Ropewalk")
    stage.order("roll")
    stage.run_for(2)
    stage.lose_engine(read_on=True)
    stage.run_for(10)
    assert begins(stage) == 2
    assert stage.director.begin_series("Ropewalk", 3, STEP_NS, None, "the schedule", stage.rig.clock.now_ns())
    stage.run_for(2)
    stage.lose_engine(read_on=True)
    stage.run_for(10)
    assert begins(stage) == 3
    assert stage.verdicts() == [("Ropewalk", "clean"), ("Ropewalk", "failed"), ("Ropewalk", "failed")]
    assert stage.director.show.phase is Phase.STANDING


def test_a_run_that_is_to_end_does_not_wait_for_a_roll_that_never_began(tmp_path: Path) -> None:
    """Told to quit between the order to roll and its beginning, the engine dead: it ends at once."""
    stage = daemon(tmp_path)
    call_until(stage, "order not read")
    stage.director.stop("told to end")
    stage.lose_engine(read_on=True)
    stage.run_for(0.2)
    assert stage.director.exit is not None
    assert begins(stage) == 0


def test_a_muted_machine_is_muted_for_the_next_engine_too(tmp_path: Path) -> None:
    """The engine that takes over is told again which machines are kept back."""
    stage = daemon(tmp_path)
    stage.order("mute drums")
    stage.lose_engine(read_on=False)
    stage.turn()
    assert stage.rig.loop.player._muted == {0}


def test_a_rig_that_could_not_be_silenced_does_not_roll_by_itself_when_it_is_back(tmp_path: Path) -> None:
    """The next engine found no port: the song that was to follow waits for an order once there is one."""
    stage = daemon(tmp_path)
    stage.order("roll")
    stage.run_for(6)
    stage.rig.lose_engine(told=True)
    text = "port box: no port is there"
    stage.link.answers.append((Answer.FAULT, {"kind": "rescue", "text": text, "exit": 3}))
    stage.run_for(20)
    assert (begins(stage), stage.director.show.phase) == (1, Phase.STANDING)
    assert stage.order("roll").done
