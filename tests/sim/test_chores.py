"""The daemon by itself in virtual time: its schedule, old takes that go, music without a disk."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from virtual_set import VirtualSet

from runner.desk.chores import Chores
from runner.desk.schedule import Now
from runner.takes.index import list_takes
from runner.takes.rating import KEEP, rate
from runner.takes.store import Store

START = datetime(2026, 11, 25, 19, 29, 50, tzinfo=UTC)
PATIENCE_S = 30
SESSION = """
session: Lantern Quay, by itself
format: 1
ports: {box: {simulate: drum-machine}, rack: {simulate: synthesizer}}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport, position], starts: pre-roll}
  bass: {port: rack, channel: 1}
songs:
  - {song: Ropewalk, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms, pre-roll: 1 bar}
  - {song: Fog Signal, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
"""


@dataclass
class Evening:
    """A run with its chores; the clock on the wall goes with the rig's."""

    run: VirtualSet
    chores: Chores

    def live(self, seconds: float) -> None:
        """Let virtual time pass, and wait for what is done in threads."""
        end = self.run.rig.clock.now_ns() + round(seconds * 1e9)
        while self.run.rig.clock.now_ns() < end:
            self.run.turn()
            self.chores.turn(self.run.rig.clock.now_ns())
        deadline = time.monotonic() + PATIENCE_S
        while self.chores.busy and time.monotonic() < deadline:
            time.sleep(0.002)
            self.chores.turn(self.run.rig.clock.now_ns())

    def told(self, kind: str) -> list[dict[str, Any]]:
        """What was reported of one kind."""
        return [data for each, data in self.run.told.reports if each == kind]

    @property
    def warnings(self) -> list[str]:
        """The texts of all warnings."""
        return [data["text"] for data in self.told("warning")]

    @property
    def alarms(self) -> list[str]:
        """The alarms that are lit."""
        return [alarm.text for alarm in self.run.director.status().alarms]


def evening(folder: Path, more: str, *, settled: bool = True, state: dict[str, Any] | None = None) -> Evening:
    """Begin a run of the session with `more` in its file, ten seconds before half past seven."""
    (folder / "takes").mkdir(exist_ok=True)  # as the desk does when it starts
    run = VirtualSet.of(SESSION + more, folder)
    begun_ns = run.rig.clock.now_ns()

    def now() -> Now:
        lived_ns = run.rig.clock.now_ns()
        return Now(START + timedelta(microseconds=(lived_ns - begun_ns) // 1000), lived_ns, UTC, settled)

    return Evening(run, Chores(run.director, folder / "takes", now, state or {}))


def test_a_scheduled_series_is_rolled_at_its_time_and_recorded(tmp_path: Path) -> None:
    """Two takes of Fog Signal at half past seven, ten seconds apart; the order is where it was."""
    stage = evening(tmp_path, 'schedule: [{at: "19:30", roll: Fog Signal, takes: 2, gap: 10 s}]')
    stage.live(9.9)
    assert stage.told("schedule") == [{"next": "Wed 19:30:00: roll Fog Signal, 2 takes"}]
    assert stage.warnings == []
    assert stage.told("rolling") == []
    stage.live(40)
    assert stage.run.verdicts() == [("Fog Signal", "clean")] * 2
    assert [data["from"] for data in stage.told("order")] == ["the schedule"]
    assert stage.run.director.show.up.song == "Ropewalk"
    first, second = (datetime.fromisoformat(entry.started_at) for entry in list_takes(tmp_path / "takes"))
    assert 14 < (second - first).total_seconds() < 16  # two bars at 120 are 4 s, lead and gap 10.5 s


def test_a_scheduled_roll_is_refused_while_something_rolls_and_lights_an_alarm(tmp_path: Path) -> None:
    """It is not kept for later."""
    stage = evening(tmp_path, 'schedule: [{at: "19:29:53", roll: Fog Signal}]')
    stage.live(1)
    stage.run.order("roll")
    stage.live(30)
    assert stage.run.verdicts() == [("Ropewalk", "clean")]
    refused = stage.told("order")[-1]
    assert (refused["done"], refused["text"]) == (False, "Fog Signal: not now, a take rolls; stop it first")
    assert stage.alarms == ["19:29:53: roll Fog Signal: Fog Signal: not now, a take rolls; stop it first"]


def test_the_schedule_waits_for_a_clock_that_can_be_believed(tmp_path: Path) -> None:
    """Until then an alarm says so, once; nothing rolls."""
    stage = evening(tmp_path, 'schedule: [{at: "19:30", roll: Fog Signal}]', settled=False)
    stage.live(20)
    assert stage.told("rolling") == []
    text = "times of the schedule wait until the clock is set"
    assert [warning for warning in stage.warnings if text in warning] == [text]
    assert stage.alarms == [text]


def test_the_next_desk_and_the_next_start_know_what_was_due(tmp_path: Path) -> None:
    """By what the keeper was told, or by the file that is left in the takes folder."""
    schedule = 'schedule: [{at: "19:30", roll: Fog Signal}]'
    stage = evening(tmp_path, schedule)
    stage.live(20)
    assert len(stage.run.verdicts()) == 1
    assert stage.chores.kept_state["done"]
    for state in (stage.chores.kept_state, {}):
        again = evening(tmp_path, schedule, state=state)
        again.live(20)
        assert again.told("rolling") == []


def test_a_scheduled_check_says_whether_the_rig_is_ready(tmp_path: Path) -> None:
    """As the pedal's does; a rig that is not lights an alarm."""
    stage = evening(tmp_path, "schedule: [{every: 4 s, do: check}]")
    stage.live(5)
    assert stage.told("order")[-1]["text"].startswith("the rig is ready")
    shutil.rmtree(tmp_path / "takes", ignore_errors=True)
    stage.live(4)
    assert stage.told("order")[-1]["done"] is False
    assert stage.alarms[0].startswith(f"every 4 s: check the rig: takes folder {tmp_path / 'takes'}: No such")


def test_old_takes_go_after_each_take_and_what_is_kept_stays(tmp_path: Path) -> None:
    """`keep-last: 2`: of five takes the kept one and the last two are left; each removal is told."""
    stage = evening(tmp_path, "takes: {keep-last: 2}")
    for number in range(1, 6):
        stage.live(1)
        assert stage.run.order("roll Ropewalk").done
        stage.live(10)
        if number == 1:
            rate(Path(stage.run.takes()[0]["folder"]), KEEP)
    assert [entry.number for entry in list_takes(tmp_path / "takes")] == [1, 4, 5]
    assert [data["take"] for data in stage.told("tidied")] == ["Ropewalk/main/2", "Ropewalk/main/3"]
    assert {data["why"] for data in stage.told("tidied")} == {"more than 2 takes of it"}


def test_tidying_may_be_scheduled(tmp_path: Path) -> None:
    """`do: tidy` finds what somebody no longer keeps."""
    more = "takes: {keep-last: 1}\nschedule: [{every: 60 s, do: tidy}]"
    stage = evening(tmp_path, more)
    for _ in range(2):
        stage.live(1)
        stage.run.order("roll Ropewalk")
        stage.live(10)
        rate(Path(stage.run.takes()[0]["folder"]), KEEP)
    assert len(list_takes(tmp_path / "takes")) == 2
    rate(Path(stage.run.takes()[0]["folder"]), "")
    stage.live(40)
    assert [entry.number for entry in list_takes(tmp_path / "takes")] == [2]


def test_room_that_cannot_be_made_lights_an_alarm_once(tmp_path: Path) -> None:
    """Nothing may go, and still too little is free."""
    stage = evening(tmp_path, "takes: {keep-free: 900000 TB}")
    stage.live(1)
    stage.run.order("roll")
    stage.live(10)
    texts = [text for text in stage.warnings if "no more takes may go" in text]
    assert len(texts) == 1
    assert texts == stage.alarms


def _file_in_the_way(folder: Path) -> None:
    shutil.rmtree(folder)
    folder.write_text("no folder")


def _stick_pulled_out(folder: Path) -> None:
    """The mount point is left, and could be written to."""
    shutil.rmtree(folder)
    folder.mkdir()


@pytest.mark.parametrize("break_it", [_file_in_the_way, _stick_pulled_out])
def test_a_take_that_cannot_be_made_goes_to_a_spare_place_and_the_music_rolls(
    break_it: Callable[[Path], None], tmp_path: Path
) -> None:
    """It is whole there, and an alarm says where; once the folder takes takes again, they go to it."""
    stage = evening(tmp_path, "")
    keeper = stage.run.director.recording.keeper
    keeper.spares = (Store(tmp_path / "spare"),)
    takes = tmp_path / "takes"
    stage.live(1)
    stage.run.order("roll")
    stage.live(10)
    mounted = keeper.mount
    break_it(takes)
    if takes.is_dir():
        keeper.mount = takes  # as it was, when the stick was mounted there
    stage.run.order("roll Ropewalk")
    stage.live(10)
    keeper.mount = mounted
    if takes.is_file():
        takes.unlink()
    stage.run.order("roll Ropewalk")
    stage.live(10)
    assert stage.run.verdicts() == [("Ropewalk", "clean")] * 3
    folders = [Path(take["folder"]) for take in stage.run.takes()]
    assert [folder.is_relative_to(tmp_path / "spare") for folder in folders] == [False, True, False]
    (alarm,) = stage.alarms
    assert alarm.startswith(f"takes folder {takes}: ")
    assert alarm.endswith(f"this take is kept in {tmp_path / 'spare'}")
    assert [each.severity for each in stage.run.director.status().alarms] == ["warning"]


def test_with_no_place_for_a_take_the_music_rolls_all_the_same(tmp_path: Path) -> None:
    """There is no record, and an alarm says so."""
    stage = evening(tmp_path, "")
    takes = tmp_path / "takes"
    _file_in_the_way(takes)
    stage.live(1)
    stage.run.order("roll")
    stage.live(10)
    assert stage.run.rig.ports["box"].machine.clocks_since_start == 3 * 96  # 24 a quarter note (MIDI 1.0)
    assert stage.run.takes() == []
    assert any("this take is not recorded" in text for text in stage.alarms)
    takes.unlink()
    stage.run.order("roll Ropewalk")
    stage.live(10)
    assert stage.run.verdicts() == [("Ropewalk", "clean")]


def test_a_folder_that_vanishes_before_the_take_begins_is_made_again(tmp_path: Path) -> None:
    """Another machine's Start may let it wait for long."""
    stage = evening(tmp_path, "")
    keeper = stage.run.director.recording.keeper
    make = keeper.create

    def make_and_lose(plan: Any) -> Any:
        new = make(plan)
        shutil.rmtree(new.folder)
        keeper.create = make  # type: ignore[method-assign]
        return new

    keeper.create = make_and_lose  # type: ignore[method-assign]
    stage.live(1)
    stage.run.order("roll")
    stage.live(10)
    assert stage.run.verdicts() == [("Ropewalk", "clean")]
