"""The desk dies and the engine plays on: what there is to see of the run is what it was, in virtual time."""

from __future__ import annotations

from pathlib import Path

import pytest
from virtual_set import VirtualSet

from runner.desk.actions import read_order
from runner.desk.places import places_of, places_of_rows, rows_of
from runner.desk.recording import Presence, Told
from runner.session.model import OrderItem
from runner.takes.rating import read_rating

SESSION = """
session: Lantern Quay, the desk dies
format: 1
ports: {box: {simulate: drum-machine}, rack: {simulate: synthesizer}}
machines: {drums: {port: box, channel: 10, required: true}, bass: {port: rack, channel: 2, required: false}}
songs:
  - {song: Ropewalk, tempo: 240, length: 2 bars, lead: 0.1 s}
  - {song: Tide Gauge, tempo: 240, length: 2 bars, lead: 0.1 s}
order: [Ropewalk]
"""


@pytest.fixture
def stage(tmp_path: Path) -> VirtualSet:
    """A daemon that waits for an order."""
    (tmp_path / "session.yaml").write_text(SESSION)
    begun = VirtualSet.of(SESSION, tmp_path)
    begun.run_for(1)
    return begun


def places(stage: VirtualSet) -> tuple[str, int, int]:
    """Song, place and places of the status."""
    status = stage.director.status()
    return status.song, status.place, status.places


@pytest.mark.parametrize("deaths", [0, 1, 2])
def test_a_song_from_outside_the_order_is_no_place_of_it(stage: VirtualSet, deaths: int) -> None:
    """The order has one song, however often the desk dies; the other has its turn before that or after it."""

    def die() -> None:
        for _ in range(deaths):
            stage.lose_desk()
            stage.run_for(1)

    assert stage.order("song Tide Gauge").done
    die()
    assert places(stage) == ("Tide Gauge", 1, 1)
    assert stage.order("roll").done
    stage.run_for(5)
    die()
    assert places(stage) == ("Ropewalk", 1, 1)
    assert [song for song, _ in stage.verdicts()] == ["Tide Gauge"]


def test_an_order_that_was_changed_is_forgotten_by_a_reload(stage: VirtualSet) -> None:
    """By a desk that had it from a dead one too: a song that left the file is no reason to refuse."""
    assert stage.order("order Tide Gauge, Ropewalk").done
    stage.lose_desk()
    stage.run_for(1)
    assert places(stage) == ("Tide Gauge", 1, 2)
    file = Path(stage.director.state.job.session_file)
    file.write_text(SESSION.replace("  - {song: Tide Gauge, tempo: 240, length: 2 bars, lead: 0.1 s}\n", ""))
    outcome = stage.order("reload")
    assert outcome.done, outcome.text
    assert places(stage) == ("Ropewalk", 1, 1)
    assert stage.told.progress["order"] == []


def test_places_become_rows_and_places_again() -> None:
    """What comes between them and their rounds too; a thousand rounds are one row."""
    items = [
        {"song": "Ropewalk", "between": "20 s"},
        {"song": "Tide Gauge", "between": "straight-on"},
        {"song": "Ropewalk", "repeat": 1000},
    ]
    order = places_of([OrderItem.model_validate(item) for item in items])
    assert places_of_rows(rows_of(order)) == order
    assert len(rows_of(order)) == 3


@pytest.mark.parametrize("wait", ["roll", "roll: the running order is at its end, and begins again"])
def test_an_idle_desk_that_was_started_again_waits_for_what_it_waited_for(
    stage: VirtualSet, wait: str
) -> None:
    """Nothing has happened on stage, and the view says what it said before."""
    if wait != "roll":
        assert stage.order("roll").done
        stage.run_for(5)
    assert stage.director.status().waiting_for == wait
    stage.lose_desk()
    stage.run_for(1)
    assert stage.director.status().waiting_for == wait


def test_the_takes_of_the_run_are_still_shown(stage: VirtualSet) -> None:
    """The newest five, newest first, each with its folder; a take that is gone on with comes on top."""
    for _ in range(6):
        assert stage.order("roll").done
        stage.run_for(5)
    before = stage.director.status().takes
    assert [take.number for take in before] == [6, 5, 4, 3, 2]
    stage.lose_desk()
    assert stage.director.status().takes == before
    stage.run_for(1)
    assert stage.order("roll").done
    stage.run_for(1)
    stage.lose_desk()
    assert stage.director.status().takes == before
    stage.run_for(5)
    after = stage.director.status().takes
    assert [take.number for take in after] == [7, 6, 5, 4, 3]
    assert after[1:] == before[:4]


@pytest.mark.parametrize("deaths", [0, 1, 2])
def test_the_last_take_is_rated_and_rolled_again_by_the_next_desk(
    stage: VirtualSet, tmp_path: Path, deaths: int
) -> None:
    """As it was played: a rehearsal again as a rehearsal; a new take is then the one to be rated."""

    def die() -> None:
        for _ in range(deaths):
            stage.lose_desk()
            stage.run_for(1)

    assert not stage.order("again").done
    assert not stage.order("keep").done
    assert stage.order("roll").done
    stage.run_for(5)
    assert stage.order("roll Tide Gauge", **{"from": "bar 2", "tempo": "150 %"}).done
    stage.run_for(5)
    die()
    takes = tmp_path / "takes" / "Lantern Quay, the desk dies"
    first = takes / "Tide Gauge" / "main" / "take-0001"
    outcome = stage.order("keep")
    assert outcome.done, outcome.text
    assert read_rating(first).kept
    outcome = stage.order("again")
    assert outcome.done, outcome.text
    assert outcome.text == "Tide Gauge rolls: from bar 2, at 150 %"
    stage.run_for(0.3)
    die()
    stage.run_for(5)
    outcome = stage.order("discard")
    assert outcome.text == "Tide Gauge, main, take 2: discard"
    assert read_rating(first).kept
    assert [song for song, _ in stage.verdicts()] == ["Ropewalk", "Tide Gauge", "Tide Gauge"]


@pytest.mark.parametrize("read", ["nothing", "answers", "records", "all"])
def test_a_take_that_began_as_the_desk_died_is_the_one_to_be_rated(stage: VirtualSet, read: str) -> None:
    """Not the one before it, however far the dead desk had come."""
    assert stage.order("roll").done
    stage.run_for(5)
    assert stage.director.obey(read_order("song Tide Gauge", "test"), 0).done
    assert stage.order("roll").done
    stage.lose_desk(read=read)
    stage.run_for(5)
    assert stage.order("discard").text == "Tide Gauge, main, take 1: discard"
    assert stage.order("again").text == "Tide Gauge rolls"


def test_alarms_that_still_hold_outlive_the_desk_and_end_as_they_would_have(stage: VirtualSet) -> None:
    """A port that is gone, a take folder that is full, a machine that is away: each ends with its cause."""
    board = stage.director.board
    board.see(Presence(0, "rack", False), "2026-05-02T19:30:00Z")
    board.alarms.see_folder("2026-05-02T19:31:00Z", short="only 90 MB are free")
    board.alarm("2026-05-02T19:32:00Z", "warning", "missed: roll Ropewalk")
    stage.turn()
    before = stage.director.status()
    assert len(before.alarms) == 3
    stage.lose_desk()
    resumed = stage.director.status()
    assert resumed.alarms == before.alarms
    assert resumed.ports == before.ports
    stage.run_for(1)  # the engine tells that the port is there
    assert [alarm.text for alarm in stage.director.status().alarms] == [
        "only 90 MB are free",
        "missed: roll Ropewalk",
    ]
    assert stage.order("roll").done
    stage.run_for(2)
    assert [alarm.text for alarm in stage.director.status().alarms] == ["missed: roll Ropewalk"]


def test_what_was_heard_in_a_take_outlives_the_desk_that_heard_it(stage: VirtualSet) -> None:
    """Its alarms, its missing clocks and the ports stay while it rolls on; the next take ends its alarms."""
    assert stage.order("roll").done
    stage.run_for(1)
    board = stage.director.board
    board.see(
        Told(0, True, {"code": "ticks-missing", "severity": "error", "text": "lost", "count": 3}), "19:30"
    )
    board.see(Told(0, False, {"state": "clock", "lock": "locked"}), "19:30")
    stage.turn()
    before = stage.director.status()
    stage.lose_desk()
    stage.run_for(0.5)
    after = stage.director.status()
    assert after.state == "rolling"
    assert (after.alarms, after.ports) == (before.alarms, before.ports)
    assert (after.clock_missing, after.clock_lock) == (3, "locked")
    stage.run_for(5)
    assert stage.order("roll").done
    stage.run_for(1)
    assert stage.director.status().alarms == ()


def test_the_keeper_says_again_what_is_wrong_with_the_daemon(stage: VirtualSet) -> None:
    """What it took back while no desk was there must not stay lit for ever."""
    stage.director.halt("the engine process dies again and again")
    stage.turn()
    stage.lose_desk()
    assert stage.director.status().alarms == ()
    assert stage.director.board.obstacle == ""


ROLL_CALL = SESSION.replace("simulate: synthesizer", "simulate: sink").replace(
    "required: false", "required: true, answers: true"
)


def alarms(stage: VirtualSet) -> list[str]:
    """What each alarm is about: its first words."""
    return [alarm.text.partition(":")[0] for alarm in stage.director.status().alarms]


@pytest.mark.parametrize("dies", [False, True])
def test_alarms_of_who_is_not_there_end_with_a_reload_that_is_without_them(
    tmp_path: Path, dies: bool
) -> None:
    """One that changes nothing of a machine and a port leaves theirs lit, and they end as they would have."""
    (tmp_path / "session.yaml").write_text(ROLL_CALL)
    stage = VirtualSet.of(ROLL_CALL, tmp_path)
    stage.run_for(0.2)
    stage.director.attendance.hear(0, b"\xfe", stage.rig.clock.now_ns())
    stage.run_for(3)
    away = "bass on port rack does not answer"
    silent = "active sensing on port box fell silent"
    assert alarms(stage) == [away, silent]
    if dies:
        stage.lose_desk()
        stage.run_for(0.2)
    file = Path(stage.director.state.job.session_file)
    file.write_text(ROLL_CALL.replace("Tide Gauge", "Tide Table"))
    assert stage.order("reload").done
    assert not stage.order("roll").done
    assert alarms(stage) == [away, silent]
    stage.director.attendance.hear(0, b"\xfe", stage.rig.clock.now_ns())
    stage.turn()
    assert alarms(stage) == [away]
    stage.run_for(3)
    assert alarms(stage) == [away, silent]
    other = "{simulate: drum-machine, link: din}"
    file.write_text(ROLL_CALL.replace("{simulate: drum-machine}", other).replace(", answers: true", ""))
    assert stage.order("reload").done
    assert alarms(stage) == []
    assert (stage.director.board.away, stage.director.board.silent) == ({}, {})
    assert stage.order("roll").done
    stage.run_for(5)
    assert [song for song, _ in stage.verdicts()] == ["Ropewalk"]
    stage.lose_desk()
    assert alarms(stage) == []


def test_the_alarm_of_a_silent_port_ends_when_it_is_back_and_heard(stage: VirtualSet) -> None:
    """Not when it is only back: the machine behind it may still be off."""
    director, port = stage.director, next(iter(stage.director.prepared.session.ports))
    director.attendance.hear(0, b"\xfe", stage.rig.clock.now_ns())
    stage.run_for(3)
    silent, gone = "active sensing on port box fell silent", "port box is gone"
    for present, lit in ((False, [silent, gone]), (True, [silent])):
        director.board.see(Presence(0, port, present), "2026-05-02T19:30:00Z")
        stage.run_for(0.2)
        assert alarms(stage) == lit
    director.attendance.hear(0, b"\x90\x24\x40", stage.rig.clock.now_ns())
    stage.turn()
    assert alarms(stage) == []
    assert director.board.silent == {}
