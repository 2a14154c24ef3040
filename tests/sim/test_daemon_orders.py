"""The daemon in virtual time: nothing rolls while the keeper says so; a session that is read anew."""

from __future__ import annotations

from pathlib import Path

from virtual_set import VirtualSet

from runner.desk.actions import read_order
from runner.desk.calling import WITHOUT_PORTS
from runner.desk.phases import Phase
from runner.desk.recording import Presence
from runner.play.commands import Answer

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
    accepted: list[str] = []  # what a desk that is started again would have
    stage.director.accepted = lambda prepared: accepted.append(prepared.loaded.text)
    stage.order("next")
    rewrite(stage, SESSION + "  - {song: Tide Table, tempo: 90, length: 1 bar, lead: 500 ms}\n")
    stage.order("roll Ropewalk")
    stage.run_for(2)
    refused = stage.order("reload")
    assert not refused.done and "a take rolls" in refused.text
    assert accepted == []
    stage.run_for(8)
    stage.order("song Fog Signal")
    assert not stage.order("song Tide Table").done
    assert stage.order("reload").done
    assert accepted == [stage.director.prepared.file.read_text()]
    assert stage.director.status().song == "Fog Signal"
    stage.order("roll Tide Table")
    stage.run_for(8)
    assert stage.verdicts() == [("Ropewalk", "clean"), ("Tide Table", "clean")]


def test_a_bad_session_is_refused_with_its_errors_and_the_old_one_kept(tmp_path: Path) -> None:
    """Wrong keys, a song that cannot be compiled, no file: each is told, and the old session rolls."""
    stage = daemon(tmp_path)
    accepted: list[object] = []
    stage.director.accepted = accepted.append
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
    assert accepted == []
    stage.order("roll")
    stage.run_for(10)
    assert stage.verdicts() == [("Ropewalk", "clean")]


def test_a_reload_says_that_it_does_not_move_the_takes_folder(tmp_path: Path) -> None:
    """Key, folder in force and remedy are told as a warning and in the answer; the rest is taken."""
    stage = daemon(tmp_path)
    rewrite(stage, SESSION.replace("Ropewalk", "Tide Table") + "takes: {folder: stick, pass: bass overdub}\n")
    answer = stage.order("reload")
    used = tmp_path / "takes"
    text = (
        f"takes: folder: 'stick' is not taken by a reload, takes still go to {used}; "
        "to change that, end the run and start it again"
    )
    assert (answer.done, answer.text) == (True, f"the session file was read again; {text}")
    assert ("warning", {"text": text}) in stage.told.reports
    assert stage.order("roll Tide Table").done
    stage.run_for(7)
    (take,) = stage.takes()
    assert (take["song"], take["pass"]) == ("Tide Table", "bass overdub")
    assert used in Path(take["folder"]).parents
    rewrite(stage, SESSION)
    assert stage.order("reload").text == "the session file was read again"


def test_a_takes_folder_of_the_command_line_is_none_of_the_session_files_business(tmp_path: Path) -> None:
    """With `--takes-folder` the key has no say, so that a change of it is not worth a word."""
    stage = VirtualSet.of(SESSION, tmp_path, takes_folder=str(tmp_path / "takes"))
    stage.run_for(0.2)
    rewrite(stage, SESSION + "takes: {folder: stick}\n")
    assert stage.order("reload").text == "the session file was read again"


def standings(stage: VirtualSet) -> list[str]:
    """Return what the daemon has said that it waits for."""
    return [data["for"] for kind, data in stage.told.reports if kind == "standing"]


def test_what_a_roll_lacks_is_waited_for_first(tmp_path: Path) -> None:
    """A port that is not there comes before the order in what the daemon waits for; back, it is left out."""
    stage = daemon(tmp_path)
    assert standings(stage) == ["roll"]
    for present, text in ((False, "port box, then roll"), (True, "roll")):
        stage.director.board.see(Presence(stage.rig.clock.now_ns(), "box", present), "19:30")
        stage.director.calling.see_missing()
        assert standings(stage)[-1] == text


def test_a_rig_that_is_not_there_at_the_start_can_be_simulated(tmp_path: Path) -> None:
    """It is said with the first warning of a daemon that waits for its ports, and not on stage later."""
    stage = VirtualSet.of(SESSION, tmp_path)
    missing = {"ports": [{"name": "box"}], "missing": [{"port": "box", "text": "port box: no output"}]}
    stage.link.answers = [(Answer.READY, missing)]
    stage.turn()
    for present in (True, False):
        stage.director.board.see(Presence(stage.rig.clock.now_ns(), "box", present), "19:30")
        stage.director.calling.see_missing()
    told = [data["text"] for kind, data in stage.told.reports if kind == "warning"]
    assert told[0] == f"port box: no output; {WITHOUT_PORTS}"
    assert "simulate: drum-machine" in WITHOUT_PORTS
    assert len(told) == 3 and not any("simulate" in text for text in told[1:])


ANSWERING = SESSION.replace("kind: drum-machine,", "kind: drum-machine, answers: true,").replace(
    "lead: 500 ms}", "lead: 500 ms, cues: [{at: bar 1, machine: drums, program: 5}]}", 1
)
PROGRAM = b"\xc9\x04"


def test_a_machine_that_is_switched_off_between_takes_is_missed_and_gets_its_state_when_it_is_back(
    tmp_path: Path,
) -> None:
    """Its port is there all the while. Required, it keeps a roll waiting; back, it has its program again."""
    stage = daemon(tmp_path, ANSWERING)
    stage.run_for(30)
    assert [data for kind, data in stage.told.reports if kind == "warning"] == []
    machine = stage.rig.machine("box")
    receive = machine.receive
    heard: list[bytes] = []
    machine.receive = lambda *_message: None
    stage.run_for(7)
    status = stage.director.status()
    text = "drums on port box does not answer: it is off, or a cable is out"
    assert (status.state, status.waiting_for) == ("trouble", text)
    assert standings(stage)[-1] == "drums, then roll"
    assert [(alarm.severity, alarm.text) for alarm in status.alarms] == [("error", text)]
    assert text in stage.order("roll").text
    assert text in stage.order("check").text

    def back(data: bytes, t_ns: int) -> None:
        heard.append(data)
        receive(data, t_ns)

    machine.receive = back
    stage.run_for(7)
    assert PROGRAM in heard
    assert (stage.director.status().state, stage.director.status().alarms) == ("ready", ())
    heard.clear()
    stage.order("roll")
    stage.run_for(8)
    assert stage.verdicts() == [("Ropewalk", "clean")]
    take = heard[heard.index(b"\xfa") : heard.index(b"\xfc")]
    assert not [data for data in take if data[:2] == b"\xf0\x7e"]  # in a take nobody is asked


def test_a_machine_that_no_roll_waits_for_may_be_silent(tmp_path: Path) -> None:
    """It is told, and the song rolls."""
    stage = daemon(tmp_path, ANSWERING.replace("answers: true,", "answers: true, required: false,"))
    stage.rig.machine("box").receive = lambda *_message: None
    stage.run_for(7)
    assert [alarm.severity for alarm in stage.director.status().alarms] == ["warning"]
    assert stage.order("roll").done


def test_a_pedal_whose_active_sensing_falls_silent_in_a_take_is_a_finding(tmp_path: Path) -> None:
    """MIDI 1.0 4.2.1, p. 33 takes it for unplugged: an alarm now, a warning in the take."""
    pedal = SESSION.replace("ports: {box:", "ports: {foot: {simulate: synthesizer}, box:")
    stage = daemon(tmp_path, pedal)
    stage.order("roll")
    stage.run_for(1)
    silenced: list[tuple[str, bool]] = []
    stage.director.silent = lambda port, silent: silenced.append((port, silent))
    foot = stage.rig.loop.inbox.receiver(0)
    for _ in range(4):
        foot(stage.rig.clock.now_ns(), b"\xfe")
        stage.run_for(0.25)
    stage.run_for(2)
    assert silenced == [("foot", True)]
    assert [alarm.severity for alarm in stage.director.status().alarms] == ["warning"]
    stage.run_for(8)
    (found,) = stage.takes()[0]["findings"]
    assert (found["code"], found["severity"], found["port"]) == ("active-sensing-lost", "warning", "foot")
    foot(stage.rig.clock.now_ns(), b"\xfe")
    stage.run_for(0.3)
    assert silenced == [("foot", True), ("foot", False)]
    assert stage.director.status().alarms == ()
