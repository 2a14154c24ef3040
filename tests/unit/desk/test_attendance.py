"""Machines that are asked whether they are there, and wires that active sensing keeps alive.

Outside source: the MIDI 1.0 Detailed Specification 4.2.1, p. 40 (Identity Request F0 7E <device> 06 01 F7,
its reply F0 7E <device> 06 02 ... F7) and p. 33 (Active Sensing at most every 300 ms), both from memory.
"""

from __future__ import annotations

import pytest

from runner.desk.attendance import ANSWER_NS, ASK_EVERY_NS, SILENT_NS, Attendance
from runner.session.load import load_session

SESSION = """
session: Lantern Quay, roll call
format: 1
ports: {tape: {match: "Tape*"}, rack: {match: "Rack*"}}
clock: {source: beat-clock, port: tape}
machines:
  bass: {port: rack, channel: 1, device-id: 3, answers: true}
  pad: {port: rack, channel: 2}
  drums: {port: tape, channel: 10, answers: true}
songs: [{song: Ropewalk, tempo: 120, length: 2 bars}]
"""
TAPE, RACK = 0, 1
MS = 1_000_000
BASS_ANSWERS = bytes.fromhex("F07E03060241000100020000000100F7")
OTHER_ANSWERS = bytes.fromhex("F07E04060241000100020000000100F7")


def attendance() -> Attendance:
    """Return the attendance of a session in which bass and drums answer."""
    return Attendance(load_session(SESSION).session)


def always(_port: str) -> bool:
    """Every port is there."""
    return True


def said(roll: Attendance, now_ns: int, ticks: dict[int, int] | None = None) -> list[tuple[str, str]]:
    """Return what has changed."""
    return [(change.what, change.name) for change in roll.changes(now_ns, ticks or {}, always)]


def test_each_machine_that_answers_is_asked_by_its_device_number() -> None:
    """And every device, 7F, where it has none; again only after a while."""
    roll = attendance()
    assert roll.due(0, True, always) == [[RACK, 0, "f07e030601f7"], [TAPE, 2, "f07e7f0601f7"]]
    roll.hear(RACK, BASS_ANSWERS, 5 * MS)
    roll.hear(TAPE, OTHER_ANSWERS, 6 * MS)
    assert roll.due(ASK_EVERY_NS, True, always) == []
    assert len(roll.due(ASK_EVERY_NS + 6 * MS, True, always)) == 2
    assert (said(roll, ASK_EVERY_NS), roll.away) == ([], {})


def test_who_does_not_answer_twice_is_away_and_one_answer_brings_it_back() -> None:
    """One question may be lost; another machine's answer is none."""
    roll = attendance()
    roll.due(0, True, always)
    roll.hear(TAPE, OTHER_ANSWERS, MS)
    roll.hear(RACK, OTHER_ANSWERS, MS)
    assert roll.due(ANSWER_NS, True, always) == [[RACK, 0, "f07e030601f7"]]
    assert said(roll, ANSWER_NS) == []
    assert roll.due(2 * ANSWER_NS, True, always) == []
    assert said(roll, 2 * ANSWER_NS) == [("away", "bass")]
    assert list(roll.away) == ["bass"] and "port rack" in roll.away["bass"]
    later = 2 * ANSWER_NS + ASK_EVERY_NS
    assert [RACK, 0, "f07e030601f7"] in roll.due(later, True, always)
    roll.hear(TAPE, OTHER_ANSWERS, later + MS)
    roll.due(later + ANSWER_NS, True, always)
    assert said(roll, later + ANSWER_NS) == []  # it is told once
    roll.hear(RACK, BASS_ANSWERS, later + 2 * ANSWER_NS)
    assert said(roll, later + 2 * ANSWER_NS) == [("there", "bass")]
    assert roll.away == {}


@pytest.mark.parametrize("why", ["something rolls", "the port is gone"])
def test_nobody_is_asked_or_blamed_while_it_could_not_answer(why: str) -> None:
    """In a take no question is sent, and one that was on its way does not count."""
    roll = attendance()
    roll.due(0, True, always)
    resting = why != "something rolls"
    for step in range(1, 100):
        assert roll.due(step * ANSWER_NS, resting, lambda _port: not resting) == []
    assert said(roll, 100 * ANSWER_NS) == []
    assert len(roll.due(101 * ANSWER_NS, True, always)) == 2


def test_a_wire_that_was_sensed_and_falls_silent_is_told_and_told_again_when_it_speaks() -> None:
    """Notes and clocks are signs of life too; a wire that never sent Active Sensing owes none."""
    roll = attendance()
    roll.hear(RACK, b"\x90\x24\x40", 0)
    assert said(roll, 10 * SILENT_NS) == []
    roll.hear(RACK, b"\xfe", 0)
    roll.hear(RACK, b"\x90\x24\x40", SILENT_NS)
    assert said(roll, 2 * SILENT_NS) == []
    assert said(roll, 3 * SILENT_NS, {RACK: 2 * SILENT_NS}) == []
    assert said(roll, 4 * SILENT_NS, {RACK: 2 * SILENT_NS}) == [("silent", "rack")]
    assert said(roll, 5 * SILENT_NS) == []
    roll.hear(RACK, b"\xfe", 5 * SILENT_NS)
    assert said(roll, 5 * SILENT_NS) == [("speaks", "rack")]


def test_the_port_of_the_clock_and_a_port_that_is_gone_are_told_of_by_others() -> None:
    """The follower watches the one, the engine the other."""
    roll = attendance()
    roll.hear(TAPE, b"\xfe", 0)
    roll.hear(RACK, b"\xfe", 0)
    assert roll.changes(9 * SILENT_NS, {}, lambda port: port != "rack") == []
    assert said(roll, 10 * SILENT_NS) == []  # it begins anew with the next Active Sensing


@pytest.mark.parametrize("back", [b"\xfe", b"\x90\x24\x40", "clock"])
def test_a_silent_wire_whose_port_goes_and_comes_back_is_silent_until_it_is_heard(back: bytes | str) -> None:
    """By whatever it sends; that its port is there again says nothing of the machine behind it."""
    roll = attendance()
    roll.hear(RACK, b"\xfe", 0)
    assert said(roll, 2 * SILENT_NS) == [("silent", "rack")]
    assert roll.changes(3 * SILENT_NS, {}, lambda port: port != "rack") == []
    assert said(roll, 4 * SILENT_NS) == []
    assert roll.silent == {"rack"}
    now = 5 * SILENT_NS
    if isinstance(back, bytes):
        roll.hear(RACK, back, now)
    assert said(roll, now, {RACK: now} if back == "clock" else None) == [("speaks", "rack")]
    assert roll.silent == set()
    owes = back == b"\xfe"  # another machine may be there, which never sends active sensing
    assert said(roll, 9 * SILENT_NS) == ([("silent", "rack")] if owes else [])


@pytest.mark.parametrize(
    ("change", "away", "silent"),
    [
        (("", ""), ["bass"], {"rack"}),
        (("ports: {tape", "ports: {spare: {create: Spare}, tape"), ["bass"], {"rack"}),  # others' numbers
        (("  bass: {port: rack, channel: 1, device-id: 3, answers: true}\n", ""), [], {"rack"}),
        (("device-id: 3, answers: true", "device-id: 3"), [], {"rack"}),
        (("device-id: 3", "device-id: 4"), [], {"rack"}),
        (("Rack*", "Other Rack*"), [], set()),
        (("port: tape}", "port: rack}"), ["bass"], set()),  # the follower watches it now
    ],
)
def test_what_a_session_read_anew_still_has_is_away_or_silent_on(
    change: tuple[str, str], away: list[str], silent: set[str]
) -> None:
    """And what it has no more, or has otherwise, is not."""
    roll = attendance()
    roll.hear(RACK, b"\xfe", 0)
    for step in range(3):
        roll.due(step * ANSWER_NS, True, always)
    now = 2 * SILENT_NS
    roll.changes(now, {}, always)
    assert (list(roll.away), roll.silent) == (["bass", "drums"], {"rack"})
    session = load_session(SESSION.replace(*change)).session
    roll = roll.with_session(session)
    assert ([name for name in roll.away if name != "drums"], roll.silent) == (away, silent)
    rack = list(session.ports).index("rack")
    roll.hear(rack, b"\xfe", now)
    roll.hear(rack, BASS_ANSWERS, now)
    told = sorted(said(roll, now))
    assert told == [*[("speaks", name) for name in silent], *[("there", name) for name in away]]


def test_a_desk_that_takes_over_notices_what_comes_back() -> None:
    """A machine that was away answers, a wire that was silent speaks: that they were not is known."""
    roll = attendance()
    roll.take_over(["bass", "a machine of another session"], ["rack", "a port of another session"])
    now = SILENT_NS + 10 * ASK_EVERY_NS
    assert (list(roll.away), said(roll, now)) == (["bass"], [])
    assert [RACK, 0, "f07e030601f7"] in roll.due(now, True, always)
    roll.hear(RACK, BASS_ANSWERS, now + MS)
    assert sorted(said(roll, now + MS)) == [("speaks", "rack"), ("there", "bass")]
    assert roll.away == {}
