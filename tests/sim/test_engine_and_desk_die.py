"""An engine and a desk that die together: the take has failed, and nothing begins by itself.

Whatever the dead desk had read of the engine's death, written down or told to the keeper. In virtual time.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from virtual_set import STEP_NS, VirtualSet

from runner.desk.actions import read_order
from runner.desk.phases import Phase
from runner.desk.prepare import rig_of
from runner.play.commands import Answer, Command, RigConfig
from runner.takes.format import Kind
from runner.takes.reader import read_take
from runner.takes.store import Store

SESSION = """
session: Lantern Quay, two at once
format: 1
ports: {box: {simulate: drum-machine}}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport]}
songs:
  - {song: Ropewalk, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
  - {song: Fog Signal, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
order: [{song: Ropewalk, between: 2 s}, Fog Signal]
"""
READ = ["nothing", "answers", "records", "all"]


def daemon(folder: Path) -> VirtualSet:
    """Begin a run of the daemon, and let its rig open."""
    (folder / "session.yaml").write_text(SESSION)
    stage = VirtualSet.of(SESSION, folder)
    stage.run_for(0.2)
    return stage


def begins(stage: VirtualSet) -> int:
    """How many rolls the records know of."""
    return len(stage.rig.records(Kind.TAKE_BEGIN))


def assert_stands(stage: VirtualSet, takes: list[tuple[str, str]]) -> None:
    """Nothing has rolled but `takes`, nothing will, and the next order is obeyed."""
    stage.run_for(12)
    assert stage.verdicts() == takes
    assert begins(stage) == len(takes)
    assert stage.director.show.phase is Phase.STANDING
    assert not stage.director.recording.rolling
    assert stage.order("roll").done
    stage.run_for(1)
    assert begins(stage) == len(takes) + 1


def codes(stage: VirtualSet) -> list[str]:
    """The codes of the last take's findings."""
    return [finding["code"] for finding in stage.takes()[-1]["findings"]]


@pytest.mark.parametrize("read", READ)
def test_a_take_that_another_song_follows_is_closed_as_failed_and_nothing_follows(
    tmp_path: Path, read: str
) -> None:
    """The gap after it is two seconds; the finding says that the engine died."""
    stage = daemon(tmp_path)
    stage.order("roll")
    stage.run_for(2)
    stage.lose_engine(read_on=True)
    stage.lose_desk(read=read)
    assert_stands(stage, [("Ropewalk", "failed")])
    assert "engine-restarted" in codes(stage)


@pytest.mark.parametrize("read", READ)
def test_a_series_ends_with_the_take_that_failed(tmp_path: Path, read: str) -> None:
    """Takes that roll by themselves do not go on after both have died in the middle of one."""
    stage = daemon(tmp_path)
    assert stage.director.begin_series("Ropewalk", 3, STEP_NS, None, "test", stage.rig.clock.now_ns()).done
    stage.run_for(2)
    stage.lose_engine(read_on=True)
    stage.lose_desk(read=read)
    assert_stands(stage, [("Ropewalk", "failed")])


@pytest.mark.parametrize("read", READ)
def test_a_series_ends_between_two_takes(tmp_path: Path, read: str) -> None:
    """Nothing rolled when both died: no record tells of it in a take, and the series stands all the same."""
    stage = daemon(tmp_path)
    gap_ns = 5_000_000_000
    assert stage.director.begin_series("Ropewalk", 3, gap_ns, None, "test", stage.rig.clock.now_ns()).done
    stage.run_for(6)
    assert stage.director.show.phase is Phase.DUE
    stage.lose_engine(read_on=True)
    stage.lose_desk(read=read)
    assert_stands(stage, [("Ropewalk", "clean")])


def test_a_series_goes_on_if_only_the_desk_died(tmp_path: Path) -> None:
    """The engine is the one that was there: three takes were ordered, and three are rolled."""
    stage = daemon(tmp_path)
    gap_ns = 1_000_000_000
    assert stage.director.begin_series("Ropewalk", 3, gap_ns, None, "test", stage.rig.clock.now_ns()).done
    stage.run_for(2)
    stage.lose_desk()
    stage.run_for(4)
    stage.lose_desk()
    stage.run_for(20)
    assert stage.verdicts() == [("Ropewalk", "clean")] * 3


@pytest.mark.parametrize("read", READ)
def test_a_run_of_one_take_ends_with_that_take_failed(tmp_path: Path, read: str) -> None:
    """A run that goes through its takes alone closes it and is over; it does not roll once more."""
    stage = VirtualSet.of(SESSION, tmp_path, "song", song="Ropewalk")
    stage.run_for(2)
    stage.lose_engine(read_on=True)
    stage.lose_desk(read=read)
    stage.run_to_the_end(30)
    assert stage.verdicts() == [("Ropewalk", "failed")]
    assert begins(stage) == 1


def test_records_that_a_dead_desk_had_used_are_in_the_log_once(tmp_path: Path) -> None:
    """With a full disk the memory file holds a whole take: the next desk reads it again, to its end."""
    stage = daemon(tmp_path)
    stage.order("roll")
    stage.run_for(0.2)
    stage.rig.run_for(7)
    stage.lose_desk(read="records")
    stage.run_for(1)
    assert stage.verdicts() == [("Ropewalk", "clean")]
    folder = Path(str(stage.takes()[0]["folder"]))
    numbers = [event.n for event in read_take(folder).events if event.n is not None]
    assert numbers == sorted(set(numbers))


def test_a_take_that_was_made_as_it_began_is_gone_on_with(tmp_path: Path) -> None:
    """The disk took no folder at the order and one at the begin: what is read again makes no second take."""
    stage = daemon(tmp_path)
    keeper = stage.director.recording.keeper
    shelf, keeper.store = keeper.store, Store(Path("/proc/takes"))
    stage.director.obey(read_order("roll", "test"), stage.rig.clock.now_ns())
    stage.director.calling.on_answer(*stage.link.answers.pop(0))
    keeper.store = shelf
    stage.run_for(2)
    made = keeper.folder
    stage._read = 0  # all of it once more
    left_over = stage._records()
    stage.lose_desk()
    stage.director.on_records(left_over)
    assert stage.director.recording.keeper.folder == made
    stage.run_for(4)
    assert [str(take["folder"]) for take in stage.takes()] == [str(made)]
    assert stage.verdicts() == [("Ropewalk", "clean")]


def test_a_take_whose_end_died_with_the_desk_is_closed_as_failed(tmp_path: Path) -> None:
    """A full disk kept the end out of the log, and the dead desk alone had it: the engine's rest tells."""
    stage = daemon(tmp_path)
    stage.order("roll")
    stage.run_for(2)
    stage.rig.run_for(7)
    assert Kind.TAKE_END in {record.kind for record in stage._records()}  # which nobody has any more
    stage.lose_desk()
    assert stage.director.recording.rolling
    assert_stands(stage, [("Ropewalk", "failed")])


def test_records_of_a_take_that_is_closed_do_not_open_it_again(tmp_path: Path) -> None:
    """A desk that died when it had closed the take and not yet given up its records leaves it closed."""
    stage = daemon(tmp_path)
    stage.order("roll")
    stage.run_for(6)
    summary = Path(str(stage.takes()[0]["folder"])) / "take.json"
    before = summary.read_bytes()
    stage._read, stage.rig.sink.data[:] = 0, stage.rig.sink.data  # all of it once more
    left_over = stage._records()
    stage.lose_desk()
    stage.director.on_records(left_over)
    stage.run_for(1)
    assert summary.read_bytes() == before
    assert len(stage.takes()) == 1
    assert not stage.director.recording.rolling


def test_a_rig_that_the_dead_engine_did_not_open_any_more_is_opened_by_the_next(tmp_path: Path) -> None:
    """The session was read anew at the very moment: the engine that takes over is told of the rig again."""
    stage = daemon(tmp_path)
    stage.link.unread = []
    (tmp_path / "session.yaml").write_text(SESSION.replace("channel: 10", "channel: 11"))
    assert stage.order("reload").done
    assert [command for command, _ in stage.link.unread] == [Command.CONFIGURE]
    told = len(stage.link.configured)
    stage.lose_engine(read_on=False)
    stage.run_for(1)
    wanted = rig_of(stage.director.prepared.session, wait=True)
    assert [RigConfig.from_dict(rig) for rig in stage.link.configured[told:]] == [wanted]
    assert wanted.machines[0].channel == 11
    assert stage.order("roll").done
    stage.run_for(1)
    assert begins(stage) == 1


@pytest.mark.parametrize("event", ["engine dies", "both die", "reload"])
def test_a_run_that_waits_for_an_order_goes_on_waiting(tmp_path: Path, event: str) -> None:
    """The rig is asked for again, and its answer is no reason to go on from a place that says `wait`."""
    text = SESSION.replace("between: 2 s", "between: wait")
    (tmp_path / "session.yaml").write_text(text)
    stage = VirtualSet.of(text, tmp_path, "order")
    stage.run_for(8)
    assert stage.director.show.phase is Phase.STANDING
    if event == "reload":
        assert stage.order("reload").done
    else:
        stage.lose_engine(read_on=True)
    if event == "both die":
        stage.lose_desk()
    stage.run_for(3)
    assert stage.director.show.phase is Phase.STANDING
    assert begins(stage) == 1
    assert stage.order("roll").done
    stage.run_to_the_end(20)
    assert stage.verdicts() == [("Ropewalk", "clean"), ("Fog Signal", "clean")]


def test_a_song_does_not_roll_for_another_that_a_dead_engine_had_not_read(tmp_path: Path) -> None:
    """The next engine found that course on the link and says that it is loaded, when another is called."""
    stage = daemon(tmp_path)
    stage.link.unread = []
    stage.director.obey(read_order("roll", "test"), stage.rig.clock.now_ns())
    stage.lose_engine(read_on=True)
    stale = [answer for answer in stage.link.answers if answer[0] == Answer.LOADED]
    stage.link.answers = [answer for answer in stage.link.answers if answer not in stale]
    stage.run_for(0.5)
    stage.link.unread = []
    stage.director.obey(read_order("song Fog Signal", "test"), stage.rig.clock.now_ns())
    stage.director.obey(read_order("roll", "test"), stage.rig.clock.now_ns())
    stage.director.calling.on_answer(*stale[0])
    assert [command for command, _ in stage.link.unread] == [Command.COURSE]
    unread, stage.link.unread = stage.link.unread, None
    for command, data in unread:
        stage.link.command(command, data)
    stage.run_for(7)
    assert stage.verdicts() == [("Fog Signal", "clean")]
