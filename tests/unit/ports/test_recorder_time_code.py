"""The simulated recorder's answers and time code, against MMA RP-013 and RP-004/RP-008."""

from __future__ import annotations

import pytest

from runner.music import FrameRate, TimeCode
from runner.music.machine_control import (
    Field,
    Mmc,
    Motion,
    RecordStatus,
    cell,
    command,
    locate,
    read,
    read_answers,
)
from runner.music.mtc import full_message, quarter_frame, read_full, read_pieces
from runner.ports.machine_parts import Said
from runner.ports.recorder import Recorder, RecorderSettings, Roll

MS = 1_000_000
SECOND = 1_000_000_000
R25, R30, DROP = FrameRate.FPS_25, FrameRate.FPS_30, FrameRate.FPS_30_DROP


def run(recorder: Recorder, until_ns: int) -> list[Said]:
    """Let it act at each of its deadlines, as a port does."""
    said: list[Said] = []
    while (due := recorder.next_deadline_ns()) is not None and due <= until_ns:
        said += recorder.due(due)
    return said


def asked(recorder: Recorder, t_ns: int) -> list[object]:
    """Ask for motion, record status and time at `t_ns`; return the answers."""
    recorder.receive(command(1, read(Field.MOTION, Field.RECORD_STATUS, Field.TIME_CODE)), t_ns)
    for each in run(recorder, t_ns + 10 * MS):
        found = read_answers(each.data)
        if found is not None:
            assert found[0] == 1
            return list(found[1])
    return []


def test_it_answers_what_is_read() -> None:
    """Motion, record status and time as they are when it is asked, 5 ms later."""
    recorder = Recorder(RecorderSettings(start_ns=300 * MS, frame_rate=25))
    target = TimeCode.parse("00:59:50:00", R25)
    recorder.receive(command(1, locate(target)), 0)
    assert asked(recorder, 10 * MS)[0] == Motion(Mmc.PAUSE, Mmc.LOCATE, 0x01)
    run(recorder, 500 * MS)
    assert asked(recorder, 500 * MS) == [Motion(Mmc.PAUSE, 0x7F, 0x11), RecordStatus(0), target]
    recorder.receive(command(1, cell(Mmc.PLAY)), SECOND)
    motion = asked(recorder, SECOND + 100 * MS)[0]
    assert isinstance(motion, Motion) and not motion.playing
    recorder.receive(command(1, cell(Mmc.RECORD_STROBE)), 2 * SECOND)
    motion, status, code = asked(recorder, 3 * SECOND)
    assert isinstance(motion, Motion) and motion.playing
    assert status == RecordStatus(1)
    assert code == target.plus(42)  # 1.7 s at speed


def test_without_a_cable_back_it_says_nothing() -> None:
    """In open loop reads are not answered, commands are obeyed."""
    recorder = Recorder(RecorderSettings(answers=False))
    assert asked(recorder, 0) == []
    recorder.receive(command(1, cell(Mmc.PLAY)), SECOND)
    assert recorder.roll is Roll.PLAYING


def test_an_unknown_field_is_a_response_error() -> None:
    """RP-013, section 3.4 of its rules: an unsupported field in READ gives a response error."""
    recorder = Recorder()
    recorder.receive(bytes.fromhex("F0 7F 01 06 42 01 51 F7"), 0)
    (said,) = run(recorder, SECOND)
    assert said == (5 * MS, bytes.fromhex("F0 7F 01 07 42 02 40 51 F7"))


@pytest.mark.parametrize("rate", [24.0, 25.0, 29.97, 30.0])
def test_its_time_code_is_that_of_its_tape(rate: float) -> None:
    """Eight quarter frames from an even frame on give the time under the head at piece 0."""
    settings = RecorderSettings(frame_rate=rate, time_code=True, stands_at_ns=3_590 * SECOND)
    recorder = Recorder(settings)
    recorder.receive(command(1, cell(Mmc.PLAY)), 1000)
    said = run(recorder, 5 * SECOND)
    assert [each.data[1] >> 4 for each in said[:16]] == [*range(8)] * 2
    for first in range(0, len(said) - 8, 8):
        code = read_pieces([each.data[1] & 15 for each in said[first : first + 8]])
        assert code.rate is settings.rate
        assert abs(recorder.tape.position_ns(said[first].t_ns) - code.ns) <= 2
    recorder.receive(command(1, cell(Mmc.STOP)), 5 * SECOND)
    assert run(recorder, 10 * SECOND) == []


def test_a_locate_ends_with_a_full_message() -> None:
    """RP-004/008 (p. 5): a full message at the place to which the machine has gone."""
    recorder = Recorder(RecorderSettings(time_code=True))
    target = TimeCode.parse("01:02:03:04", R30)
    recorder.receive(command(1, locate(target)), 0)
    (said,) = run(recorder, SECOND)
    assert said == (400 * MS, full_message(target))


def test_time_code_at_30_for_29_97_is_slow_and_a_lie_about_drop_frame_is_one() -> None:
    """`speed` slows the tape, `codes_as` names another rate for the same numbers."""
    slow = Recorder(RecorderSettings(time_code=True, speed=0.999))
    slow.receive(command(1, cell(Mmc.PLAY)), 0)
    said = run(slow, 10 * SECOND)
    assert (said[80].t_ns - said[0].t_ns) / (80 * SECOND / 120) == pytest.approx(1 / 0.999, abs=1e-6)
    liar = Recorder(RecorderSettings(frame_rate=29.97, codes_as=30.0, time_code=True))
    liar.receive(command(1, cell(Mmc.PLAY)), 0)
    assert run(liar, SECOND)[7].data == b"\xf1\x76"
    assert read_full(run(_located(liar), 3 * SECOND)[-1].data) == TimeCode.parse("00:10:00:02", R30)


def _located(recorder: Recorder) -> Recorder:
    recorder.receive(command(1, locate(TimeCode.parse("00:10:00;02", DROP))), 2 * SECOND)
    return recorder


@pytest.mark.parametrize(
    ("settings", "complaint", "recordings"),
    [
        (RecorderSettings(), None, [(2 * SECOND, 6 * SECOND)]),
        (RecorderSettings(ignores_record=True), None, []),
        (RecorderSettings(protected=True), "record-protected", []),
        (RecorderSettings(drops_out_after_ns=SECOND), None, [(2 * SECOND, 3 * SECOND)]),
        (RecorderSettings(stops_after_ns=4 * SECOND), None, [(2 * SECOND, 4 * SECOND)]),
    ],
)
def test_recording_and_its_faults(
    settings: RecorderSettings, complaint: str | None, recordings: list[tuple[int, int]]
) -> None:
    """What was recorded is known to the model, whatever it said of it."""
    recorder = Recorder(settings)
    recorder.receive(command(1, cell(Mmc.DEFERRED_PLAY)), 0)
    run(recorder, 2 * SECOND)
    recorder.receive(command(1, cell(Mmc.RECORD_STROBE)), 2 * SECOND)
    run(recorder, 6 * SECOND)
    recorder.receive(command(1, cell(Mmc.STOP)), 6 * SECOND)
    assert recorder.recordings == recordings
    assert recorder.recorded == recordings  # the tape began at 0
    assert recorder.complaints.codes() == ([complaint] if complaint else [])


def test_a_locate_may_be_ignored_or_miss() -> None:
    """Faults of the transport, and a locate at another frame rate is complained of."""
    deaf = Recorder(RecorderSettings(ignores_locate=True))
    deaf.receive(command(1, locate(TimeCode.parse("00:10:00:00", R25))), 0)
    assert deaf.roll is Roll.STOPPED
    assert deaf.complaints.codes() == ["locate-other-rate"]
    astray = Recorder(RecorderSettings(locate_misses_ns=SECOND))
    astray.receive(command(1, locate(TimeCode.parse("00:10:00:00", R30))), 0)
    run(astray, SECOND)
    assert str(astray.tape.code(SECOND)) == "00:10:01:00"


def test_it_chases_time_code_and_stops_when_it_stays_away() -> None:
    """From a whole set on (7 quarter frames old by then) it plays there; 100 ms after the last it stops."""
    recorder = Recorder(RecorderSettings(chases=True, frame_rate=25, follows_transport=False))
    start = TimeCode.parse("01:00:00:00", R25)
    for index in range(80):
        now = SECOND + index * 10 * MS
        recorder.receive(quarter_frame(start.plus(index // 8 * 2), index % 8), now)
        if index == 6:
            assert recorder.roll is Roll.STOPPED
    assert recorder.roll is Roll.PLAYING
    assert recorder.tape.position_ns(now) == start.ns + 790 * MS
    run(recorder, 10 * SECOND)
    assert recorder.roll is Roll.STOPPED
    assert recorder.tape.position_ns(now) == start.ns + 890 * MS


def test_time_code_of_another_rate_is_complained_of() -> None:
    """It does not chase what it cannot read."""
    recorder = Recorder(RecorderSettings(chases=True, frame_rate=25))
    for piece in range(8):
        recorder.receive(quarter_frame(TimeCode.parse("01:00:00:00", R30), piece), piece * 8 * MS)
    assert recorder.roll is Roll.STOPPED
    assert recorder.complaints.codes() == ["time-code-other-rate"]


def test_time_code_may_stay_away_for_a_while() -> None:
    """A cable that is out for half a second loses its quarter frames and no more."""
    recorder = Recorder(RecorderSettings(time_code=True, silent_from_ns=SECOND, silent_for_ns=500 * MS))
    recorder.receive(command(1, cell(Mmc.PLAY)), 0)
    times = [each.t_ns for each in run(recorder, 3 * SECOND)]
    assert not [t for t in times if SECOND <= t < 1_500 * MS]
    assert len(times) == 361 - 60
