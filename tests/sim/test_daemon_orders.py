"""The daemon in virtual time: nothing rolls while the keeper says so; a session that is read anew."""

from __future__ import annotations

from pathlib import Path

from virtual_set import VirtualSet

from runner.desk.actions import read_order
from runner.desk.show import Phase

LOOPING = "the engine process dies again and again: the rig is silenced and stands; next attempt in 30 s"
SESSION = """
session: Lantern Quay, orders
format: 1
ports: {box: {simulate: drum-machine}}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport]}
songs:
  - {song: Ropewalk, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
  - {song: Fog Signal, tempo: 120, meter: 4/4, length: 2 bars, lead: 500 ms}
"""


def daemon(folder: Path, text: str = SESSION) -> VirtualSet:
    """Begin a run of the daemon, and let its rig open."""
    stage = VirtualSet.of(text, folder)
    stage.run_for(0.2)
    return stage


def rewrite(stage: VirtualSet, text: str) -> None:
    """Change the session file of a run."""
    stage.director.prepared.file.write_text(text)


def test_nothing_rolls_while_the_keeper_says_that_nothing_may(tmp_path: Path) -> None:
    """By order, by the schedule, or called and not begun: refused with the keeper's reason; then it rolls."""
    stage = daemon(tmp_path)
    now_ns = stage.rig.clock.now_ns()
    assert stage.director.obey(read_order("roll"), now_ns).done  # and the engine dies before it has begun
    stage.director.halt(LOOPING)
    stage.run_for(5)
    status = stage.director.status()
    assert (status.state, status.waiting_for) == ("trouble", LOOPING)
    assert [(alarm.severity, alarm.text) for alarm in status.alarms] == [("error", LOOPING)]
    refused = stage.order("roll")
    assert not refused.done and LOOPING in refused.text
    series = stage.director.begin_series("Ropewalk", 2, 0, None, "the schedule", stage.rig.clock.now_ns())
    assert not series.done and LOOPING in series.text
    assert not stage.order("check").done
    stage.director.halt("")
    stage.run_for(20)
    assert stage.takes() == []  # what was ordered meanwhile is not kept for later
    assert (stage.director.status().state, stage.director.status().alarms) == ("ready", ())
    assert stage.order("roll").done
    stage.run_for(20)
    assert stage.verdicts() == [("Ropewalk", "clean")]


def test_what_was_to_roll_by_itself_stands_after_a_halt(tmp_path: Path) -> None:
    """A song that follows after a gap does not begin when the engine is back and nobody expects it."""
    order = "order: [{song: Ropewalk, between: 8 s}, Fog Signal]\n"
    stage = daemon(tmp_path, SESSION + order)
    stage.order("roll")
    stage.run_for(6)
    assert stage.director.show.phase is Phase.DUE
    stage.director.halt(LOOPING)
    stage.director.halt("")
    stage.run_for(30)
    assert stage.verdicts() == [("Ropewalk", "clean")]


def test_a_changed_session_is_swapped_between_takes(tmp_path: Path) -> None:
    """Refused while a take rolls; afterwards the new song is there, and the song that was up stays up."""
    stage = daemon(tmp_path)
    stage.order("next")
    rewrite(stage, SESSION + "  - {song: Tide Table, tempo: 90, length: 1 bar, lead: 500 ms}\n")
    stage.order("roll Ropewalk")
    stage.run_for(2)
    refused = stage.order("reload")
    assert not refused.done and "a take rolls" in refused.text
    stage.run_for(8)
    stage.order("song Fog Signal")
    assert not stage.order("song Tide Table").done
    assert stage.order("reload").done
    assert stage.director.status().song == "Fog Signal"
    stage.order("roll Tide Table")
    stage.run_for(8)
    assert stage.verdicts() == [("Ropewalk", "clean"), ("Tide Table", "clean")]


def test_a_bad_session_is_refused_with_its_errors_and_the_old_one_kept(tmp_path: Path) -> None:
    """Wrong keys, a song that cannot be compiled, no file: each is told, and the old session rolls."""
    stage = daemon(tmp_path)
    no_part = "2 bars, parts: [{file: gone.mid, machine: drums}], lead"
    for text, said in (
        (SESSION + "volum: 3\nmachine: {}\n", ("volum", "machine", ".yaml:10:1: ")),
        (SESSION.replace("2 bars, lead", no_part), ("gone.mid",)),
        (None, ("cannot be read",)),
    ):
        if text is None:
            stage.director.prepared.file.unlink()
        else:
            rewrite(stage, text)
        refused = stage.order("reload")
        assert not refused.done
        assert all(each in refused.text for each in (*said, "is not taken")), refused.text
    stage.order("roll")
    stage.run_for(10)
    assert stage.verdicts() == [("Ropewalk", "clean")]
