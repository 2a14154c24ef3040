"""A recorder through a take, closed and open loop, obeying and not, in virtual time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from recorder_takes import IN_NS, MS, OUT_NS, SECOND, RecorderTakes

from runner.music import FrameRate, TimeCode
from runner.music.machine_control import read_commands
from runner.play.machine_control import ANSWER_NS, RecorderControl, RecorderSpec, RecorderState
from runner.play.machine_control_crew import CrewMember, RecorderCrew
from runner.play.recorder_report import Loop
from runner.ports.recorder import RecorderSettings, Roll

GOOD = RecorderSettings(start_ns=300 * MS)


def test_a_take_locates_plays_records_stops_and_goes_back() -> None:
    """Bytes in order as RP-013 has them, and three takes at the same place of the tape."""
    rig = RecorderTakes.of(GOOD)
    takes = [rig.take() for _ in range(3)]
    for kept in takes:
        assert kept.refused == () and kept.codes == []
        report = kept.report
        assert report["loop"] == "closed"
        assert (report["located"], report["rolled"], report["stopped"]) == (True, True, True)
        assert report["recorded"] is True
        assert report["punches"] == [{"began": True, "held": True, "ended": True}]
        assert kept.anchor_ns is not None
        # bar 2 and bar 4 of the song; a locate, and so a sysex, may go a little ahead of its moment
        (begin, end) = kept.recordings[0]
        assert 0 <= kept.anchor_ns + IN_NS - begin < 15 * MS
        assert 0 <= kept.anchor_ns + OUT_NS - end < 15 * MS
    spans = rig.recorder.recorded
    assert (
        max(abs(span[0] - spans[0][0]) for span in spans) < 100 * MS
    )  # it asks every 40 ms whether it rolls
    codes = [
        found[1][0].code
        for _, data in rig.sent
        if (found := read_commands(data)) and found[1][0].code != 0x42
    ]
    assert codes == [0x44, 0x03, 0x06, 0x07, 0x01] * 3
    assert rig.recorder.roll is Roll.STOPPED


def test_the_take_begins_when_the_recorder_says_that_it_rolls() -> None:
    """A tape that needs 1.7 s to come up to speed is waited for, and no longer than a question and answer."""
    rig = RecorderTakes.of(replace(GOOD, start_ns=1_700 * MS))
    kept = rig.take()
    (played,) = [t for t, data in rig.sent if data == bytes.fromhex("F0 7F 01 06 03 F7")]
    assert kept.rolled_ns is not None
    assert 1_700 * MS <= kept.rolled_ns - played < 1_800 * MS


def test_without_answers_spans_stand_for_them() -> None:
    """No answer within 2 s means open loop (RP-013, p. 2): located after 5 s, rolling 1 s after Play."""
    rig = RecorderTakes.of(replace(GOOD, answers=False))
    began = rig.now_ns
    kept = rig.take()
    assert kept.codes == ["recorder-open-loop"]
    assert [finding.severity for finding in kept.findings] == ["note"]
    assert kept.report == {
        "machine": "deck", "loop": "open", "target": kept.report["target"], "located": None, "rolled": None,
        "stopped": None, "recorded": None, "punches": [{"began": None, "held": None, "ended": None}],
    }  # fmt: skip
    assert kept.rolled_ns == began + 6 * SECOND
    assert len(kept.recordings) == 1  # it obeyed, though nobody could know


def test_further_time_outs_are_not_noticed_and_there_is_no_storm() -> None:
    """RP-013, p. 2: retry now and then. One question outstanding, and none while it is believed open."""
    rig = RecorderTakes.of(replace(GOOD, answers=False))
    for number in range(4):
        kept = rig.take()
        assert kept.codes == (["recorder-open-loop"] if number == 0 else [])
    asked = [t for t, data in rig.sent if (found := read_commands(data)) and found[1][0].code == 0x42]
    assert len(asked) == 4 * 4  # once as it is located, and the three of the plan
    assert rig.control.loop is Loop.OPEN


def test_a_recorder_that_answers_again_is_in_closed_loop_again() -> None:
    """A cable that was put back is noticed with the next take."""
    rig = RecorderTakes.of(replace(GOOD, answers=False))
    rig.take()
    rig.recorder.settings = GOOD
    kept = rig.take()
    assert kept.report["loop"] == "closed"
    assert kept.report["recorded"] is True
    rig.recorder.settings = replace(GOOD, answers=False)
    kept = rig.take()
    assert kept.codes == ["recorder-open-loop"]
    assert kept.findings[0].severity == "warning"
    assert "no longer answers" in kept.findings[0].text


@pytest.mark.parametrize(
    ("faults", "code", "refused", "recorded"),
    [
        ({"ignores_locate": True}, "recorder-not-located", True, None),
        ({"locate_misses_ns": 2 * SECOND}, "recorder-not-located", True, None),
        ({"locate_ns": 90 * SECOND}, "recorder-not-located", True, None),
        ({"ignore_start": True}, "recorder-not-rolling", True, None),
        ({"frame_rate": 29.97}, "recorder-other-rate", True, None),
        ({"frame_rate": 25.0}, "recorder-other-rate", True, None),
        ({"ignores_record": True}, "recorder-not-recording", False, False),
        ({"protected": True}, "recorder-protected", False, False),
        ({"drops_out_after_ns": SECOND}, "recorder-dropped-out", False, False),
        ({"stops_after_ns": 4_500 * MS}, "recorder-stopped", False, False),
    ],
)
def test_each_fault_has_its_name(
    faults: dict[str, object], code: str, refused: bool, recorded: bool | None
) -> None:
    """What a recorder does not do is found, and a take at the wrong place is not rolled at all."""
    rig = RecorderTakes.of(replace(GOOD, **faults))  # type: ignore[arg-type]
    kept = rig.take()
    assert code in kept.codes
    assert kept.refused == (("deck",) if refused else ())
    assert kept.report["recorded"] is recorded
    if refused:
        assert kept.recordings == []
    assert all(finding.machine == "deck" for finding in kept.findings)


def test_a_slow_locate_is_waited_for() -> None:
    """A tape that winds for 40 s is no fault; what is waited for is said in words."""
    rig = RecorderTakes.of(replace(GOOD, locate_ns=40 * SECOND))
    rig.crew.prepare({0: rig.target}, rig.now_ns)
    assert not rig.until(lambda: rig.crew.ready, 39 * SECOND)
    assert rig.crew.waiting_for == "deck to go to 00:09:58:02"
    assert rig.until(lambda: rig.crew.ready, 2 * SECOND)
    asked = [t for t, data in rig.sent if (found := read_commands(data)) and found[1][0].code == 0x42]
    assert len(asked) <= 41 * 5  # five a second


def test_an_abort_stops_it_at_once() -> None:
    """A stop that is ordered while it locates leaves it stopped, and waits for nothing."""
    rig = RecorderTakes.of(GOOD)
    rig.crew.prepare({0: rig.target}, rig.now_ns)
    rig.crew.abort(rig.now_ns)
    assert rig.crew.idle
    assert not rig.until(lambda: False, SECOND)
    assert rig.recorder.roll is Roll.STOPPED


def test_one_that_follows_is_not_told_to_play() -> None:
    """A recorder that follows Start or time code is located and watched, and rolls by itself."""
    control = RecorderControl(RecorderSpec("deck", 1, plays=False))
    crew = RecorderCrew([CrewMember(0, 0, control)])
    crew.prepare({0: TimeCode.parse("01:00:00:00", FrameRate.FPS_25)}, 0)
    assert [each.data[4] for each in crew.due(0)] == [0x44, 0x42]
    crew.received(0, bytes.fromhex("F0 7F 01 07 48 03 09 7F 11 01 21 00 00 20 00 F7"), 10 * MS)
    assert crew.ready
    crew.begin(20 * MS)
    assert crew.rolling and crew.due(20 * MS) == []


def test_answers_of_another_device_and_other_messages_are_passed_over() -> None:
    """Only its own device's answers count; a controller's commands and broken messages do no harm."""
    control = RecorderControl(RecorderSpec("deck", 1))
    control.prepare(TimeCode.parse("01:00:00:00", FrameRate.FPS_25), 0)
    control.due(0)
    for text in (
        "F0 7F 02 07 48 03 09 7F 11 01 21 00 00 20 00 F7", "F0 7F 01 06 02 F7", "F0 7F 01 06 44 06 F7", "F7",
        "F0 7F 01 07 F7", "F0 7F 01 07 48 F7",
    ):  # fmt: skip
        control.feed(bytes.fromhex(text), MS)
        control.sent(bytes.fromhex(text), MS)
    assert control.state is RecorderState.LOCATING


def deck(text: str) -> RecorderControl:
    """Return a control that has located, and got one answer."""
    control = RecorderControl(RecorderSpec("deck", 1))
    control.prepare(TimeCode.parse("01:00:00:00", FrameRate.FPS_25), 0)
    control.due(0)
    control.feed(bytes.fromhex(text), 10 * MS)
    return control


def asked(control: RecorderControl, now_ns: int) -> list[str]:
    """What it asks when it asks next."""
    return [data.hex(" ").upper() for data in control.due(now_ns) if data[4] == 0x42]


def test_answers_that_are_not_understood_are_none() -> None:
    """A recorder whose answers say nothing that is known is in open loop, as if it had not answered."""
    control = deck("F0 7F 01 07 4A 02 05 05 F7")
    control.due(ANSWER_NS)
    assert control.loop is Loop.OPEN
    assert control.next_deadline_ns() == 5 * SECOND
    control.due(5 * SECOND)
    assert control.state is RecorderState.READY


def test_one_that_does_not_tell_its_time_is_believed_to_be_there() -> None:
    """A response error for the time (RP-013: for a field that is not supported): not asked for it again.

    While it says that a locate is under way it is waited for; then its span stands for the answer.
    """
    control = deck("F0 7F 01 07 48 03 09 44 01 4D 01 00 42 02 40 01 F7")
    assert asked(control, 300 * MS) == ["F0 7F 01 06 42 02 48 4D F7"]
    control.feed(bytes.fromhex("F0 7F 01 07 48 03 09 44 01 4D 01 00 F7"), 310 * MS)
    assert asked(control, 6 * SECOND)
    assert control.state is RecorderState.LOCATING
    control.feed(bytes.fromhex("F0 7F 01 07 48 03 09 7F 11 4D 01 00 F7"), 6 * SECOND + MS)
    control.due(6 * SECOND + MS)
    assert control.state is RecorderState.READY
    assert (control.report.located, control.loop) == (None, Loop.CLOSED)
    assert [finding.code for finding in control.take_findings()] == ["recorder-refuses"]


def test_one_that_does_not_tell_its_motion_is_taken_through_the_take_by_spans() -> None:
    """Located after 5 s, rolling 1 s after Play, stopped at once: and no word of any of it in the report."""
    control = deck("F0 7F 01 07 42 02 40 48 F7")
    control.due(5 * SECOND)
    assert control.state is RecorderState.READY
    control.begin(5 * SECOND)
    assert control.due(6 * SECOND) and control.state is RecorderState.ROLLING
    control.finish(9 * SECOND)
    control.due(9 * SECOND)
    assert control.state is RecorderState.IDLE
    report = control.report.to_dict()
    assert [report[key] for key in ("located", "rolled", "stopped")] == [None] * 3


def test_a_crew_is_ready_when_all_are() -> None:
    """Two recorders on two ports; one of them does not answer, and is believed after its span."""
    specs = (RecorderSpec("deck", 1), RecorderSpec("second", 2, locate_wait_ns=3 * SECOND))
    crew = RecorderCrew([CrewMember(at, at, RecorderControl(spec)) for at, spec in enumerate(specs)])
    at = TimeCode.parse("01:00:00:00", FrameRate.FPS_25)
    crew.prepare({0: at, 1: at}, 0)
    crew.due(0)
    crew.received(0, bytes.fromhex("F0 7F 01 07 48 03 09 7F 11 01 21 00 00 20 00 F7"), 10 * MS)
    assert not crew.ready
    crew.due(ANSWER_NS)
    assert crew.in_open_loop == ("second",)
    crew.due(3 * SECOND)
    assert crew.ready
    crew.prepare({}, 4 * SECOND)
    assert not crew.active and crew.ready and crew.idle and crew.next_deadline_ns() is None


def test_begin_before_it_is_ready_is_a_mistake_of_the_caller() -> None:
    """The order of the calls is fixed."""
    with pytest.raises(ValueError, match="deck is idle, not ready"):
        RecorderControl(RecorderSpec("deck", 1)).begin(0)
