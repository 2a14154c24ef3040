"""The board: what is heard becomes what there is to see."""

from __future__ import annotations

import pytest

from runner.desk.board import Board
from runner.desk.recording import Presence, Told
from runner.session.load import load_session

SESSION = """
session: Lantern Quay, board
format: 1
ports: {box: {simulate: drum-machine}}
machines: {drums: {port: box, channel: 10}}
songs: [{song: Ropewalk, tempo: 120, length: 2 bars}]
"""


def board() -> Board:
    """Return the board of a small session."""
    return Board(load_session(SESSION).session)


def test_an_alarm_of_a_take_is_put_out_by_the_next() -> None:
    """Or a lamp for trouble would stay lit through a whole evening."""
    seen = board()
    seen.see(Told(0, True, {"severity": "error", "text": "3 clocks are missing"}), "19:30")
    seen.alarm("19:31", "error", "the take's log has stopped: no space")
    assert len(seen.alarms) == 2
    seen.begin_take(2)
    assert [alarm.text for alarm in seen.alarms] == ["the take's log has stopped: no space"]


@pytest.mark.parametrize(
    ("told", "alarm"),
    [
        (
            Told(0, True, {"code": "engine-restarted"}),
            "the engine died and was started again; it stopped and silenced the rig",
        ),
        (
            Told(0, True, {"code": "input-overflow", "count": 3}, 0),
            "port box: more came in than could be taken, and some was lost",
        ),
        (
            Told(0, True, {"code": "port-send-failed", "text": "port box: cannot send"}, 0),
            "port box: cannot send",
        ),
        (
            Told(0, True, {"code": "ticks-missing", "text": "3 clocks are missing", "machine": "drums"}),
            "drums: 3 clocks are missing",
        ),
        (
            Told(0, True, {"code": "dropout", "text": "drums went away", "machine": "drums"}),
            "drums went away",
        ),
        (Told(0, True, {"code": "of-a-newer-engine"}), "of-a-newer-engine"),
    ],
)
def test_an_alarm_is_a_sentence_that_names_port_or_machine(told: Told, alarm: str) -> None:
    """A code alone says nothing to a player; the words are those that the audit will use."""
    seen = board()
    told.data["severity"] = "error"
    seen.see(told, "19:30")
    assert [each.text for each in seen.alarms] == [alarm]


def test_the_alarm_of_a_log_that_stands_is_put_out_once_a_log_is_written_again() -> None:
    """In the same take, or in the next: not by the end of a take that could not be written."""
    seen = board()
    assert seen.alarms.see_log("19:30", "", writing=True) == ""
    assert "stopped, the music goes on: no space" in seen.alarms.see_log("19:31", "no space", writing=True)
    assert seen.alarms.see_log("19:32", "no space", writing=True) == ""
    assert "the music goes on: I/O" in seen.alarms.see_log("19:33", "I/O error", writing=True)
    assert len(seen.alarms) == 2
    assert seen.alarms.see_log("19:34", "", writing=False) == ""
    assert len(seen.alarms) == 2
    assert seen.alarms.see_log("19:35", "", writing=True) == "the take's log goes on"
    assert not seen.alarms
    assert seen.alarms.see_log("19:36", "", writing=True) == ""


def test_the_alarm_of_a_closed_takes_folder_ends_with_the_next_take_in_its_place() -> None:
    """The lamp for trouble goes out; where a take went meanwhile stays to be read, as a warning."""
    seen = board()
    seen.alarms.see_folder("19:30")
    assert not seen.alarms
    seen.alarms.see_folder("19:31", closed="takes folder /stick cannot be written")
    assert [alarm.severity for alarm in seen.alarms] == ["error"]
    seen.alarms.see_folder("19:32", elsewhere="this take is kept in /spare")
    assert [(alarm.severity, alarm.text) for alarm in seen.alarms] == [
        ("error", "this take is kept in /spare")
    ]
    seen.alarms.see_folder("19:33")
    assert [(alarm.severity, alarm.text) for alarm in seen.alarms] == [
        ("warning", "this take is kept in /spare")
    ]
    seen.alarms.see_folder("19:34", closed="takes folder /stick cannot be written")
    seen.alarms.see_folder("19:35")
    assert [alarm.severity for alarm in seen.alarms] == ["warning"]


def test_the_alarm_of_little_room_ends_once_there_is_room() -> None:
    """It is looked at as each take begins; how much is free is said anew each time."""
    seen = board()
    seen.alarms.see_folder("19:30", short="only 90 MB are free")
    seen.alarms.see_folder("19:31", short="only 80 MB are free")
    assert [(alarm.severity, alarm.text) for alarm in seen.alarms] == [("error", "only 80 MB are free")]
    seen.alarms.see_folder("19:32")
    assert not seen.alarms


def test_a_missing_port_is_named_once_and_what_lacks_is_told_in_few_words() -> None:
    """The engine's reason begins with the port's name; whoever shows it names the port himself."""
    seen = board()
    assert seen.lacking == ""
    missing = [{"port": "box", "text": "port box: no input of the system matches 'Box*'"}]
    seen.open_ports([{"name": "box"}], missing)
    assert seen.ports["box"].text == "no input of the system matches 'Box*'"
    assert seen.lacking == "port box"
    seen.open_ports([{"name": "box"}], [])
    seen.halted = "the engine dies again and again"
    assert seen.lacking == "the rig"


def test_a_port_that_is_back_puts_its_alarm_out() -> None:
    """Gone: an error, with the time; back: nothing is to be seen to any more."""
    seen = board()
    seen.see(Presence(0, "box", False), "19:30")
    assert (seen.ports["box"].present, len(seen.alarms)) == (False, 1)
    seen.see(Presence(1, "box", True), "19:31")
    assert (seen.ports["box"].present, len(seen.alarms)) == (True, 0)


def test_the_alarm_of_a_port_that_the_session_has_no_more_goes_out() -> None:
    """One that is still missing stays lit."""
    seen = board()
    seen.open_ports([{"name": "box"}, {"name": "rack"}], [])
    seen.see(Presence(0, "box", False), "19:30")
    seen.see(Presence(0, "rack", False), "19:30")
    missing = [{"port": "box", "text": "port box: no input of the system matches 'Box*'"}]
    seen.open_ports([{"name": "box"}], missing)
    assert [alarm.text for alarm in seen.alarms] == ["port box is gone"]


def test_a_port_that_no_roll_waits_for_lights_no_trouble() -> None:
    """`required: false` machines never block: theirs is a warning, a needed machine's an error."""
    text = SESSION.replace("ports: {box:", "ports: {rack: {simulate: synthesizer}, box:")
    more = "machines: {bass: {port: rack, required: false}, drums:"
    seen = Board(load_session(text.replace("machines: {drums:", more)).session)
    seen.open_ports([{"name": "rack"}, {"name": "box"}], [{"port": "rack", "text": "no output matches"}])
    assert [(port.name, port.present, port.required) for port in seen.ports.values()] == [
        ("rack", False, False),
        ("box", True, True),
    ]
    seen.see(Presence(0, "rack", False), "19:30")
    seen.see(Presence(0, "box", False), "19:30")
    assert [alarm.severity for alarm in seen.alarms] == ["warning", "error"]
    assert not seen.ports["rack"].required and seen.ports["box"].required
