"""Following time code: locks, jumps, rates, dropouts; against MMA RP-004/RP-008 where it says how."""

from __future__ import annotations

import math

import pytest
from tape_code import TapeCode

from runner.music import FrameRate, TimeCode
from runner.music.mtc import full_message, quarter_frame
from runner.sync.findings import Code
from runner.sync.mtc import TimeCodeReader
from runner.sync.prior import GridPrior, SteadyPrior
from runner.sync.reports import EventKind, FollowerConfig
from runner.sync.states import LockState, Transport
from runner.sync.timecode_listener import TimeCodeListener

R24, R25, DROP, R30 = FrameRate
MS, SECOND = 1_000_000, 1_000_000_000
CLOCK_NS = 20_000_000  #: 125 quarter notes a minute


def listener(rate: FrameRate | None = None, **config: object) -> TimeCodeListener:
    """A song of 125 quarter notes a minute with bar 1 at 01:00:00:00."""
    follower = FollowerConfig(freewheel_ns=SECOND, **config)  # type: ignore[arg-type]
    origin = lambda at: TimeCode.parse("01:00:00:00", at)  # noqa: E731
    return TimeCodeListener(follower, SteadyPrior(125.0), origin, rate, "deck")


def fed(target: TimeCodeListener, tape: TapeCode, count: int, first: int = 0) -> int:
    """Feed quarter frames; return the time of the last."""
    at = 0
    for at, data in tape.stream(count, first):
        target.advance(at)
        target.take(data, at)
    return at


def codes(target: TimeCodeListener) -> list[Code]:
    return [finding.code for finding in target.findings()]


# ---------------------------------------------------------------------- the reader


def test_a_time_is_known_after_eight_in_a_row_and_is_two_frames_old() -> None:
    """RP-004/008 (p. 4): 01:37:52:16, shown as 01:37:52:18 when piece 7 has come."""
    reader = TimeCodeReader()
    pieces = [bytes((0xF1, byte)) for byte in bytes.fromhex("0011243345526176")]
    whole = [reader.take(data) for data in pieces]
    assert whole[:7] == [None] * 7
    assert whole[7] is not None
    assert (str(whole[7].code), str(whole[7].shown)) == ("01:37:52:16", "01:37:52:18")


def test_in_reverse_the_pieces_come_down_and_there_is_no_correction() -> None:
    """RP-004/008 (p. 4), R6295 B.4: order 7 to 0, the time is that of the frame itself."""
    reader = TimeCodeReader()
    code = TimeCode.parse("01:37:52:16", R30)
    whole = [reader.take(quarter_frame(code, piece)) for piece in range(7, -1, -1)]
    assert whole[7] is not None
    assert not whole[7].forward
    assert whole[7].shown == code
    assert reader.reverse


def test_a_set_that_begins_in_the_middle_or_has_a_hole_is_no_time() -> None:
    """Lock needs a full set in order (p. 3): 2 to 4 frames."""
    code = TimeCode.parse("01:37:52:16", R30)
    reader = TimeCodeReader()
    assert [reader.take(quarter_frame(code, piece)) for piece in (3, 4, 5, 6, 7)] == [None] * 5
    nexts = [reader.take(quarter_frame(code.plus(2), piece)) for piece in (0, 1, 2, 4, 5, 6, 7)]
    assert nexts == [None] * 7
    assert reader.broken == 1
    nexts = [reader.take(quarter_frame(code.plus(4), piece)) for piece in range(8)]
    assert nexts[-1] is not None and nexts[-1].code == code.plus(4)


# ---------------------------------------------------------------------- the follower


@pytest.mark.parametrize("rate", list(FrameRate))
def test_positions_and_times_are_those_of_the_tape(rate: FrameRate) -> None:
    """Without jitter, each clock of the song is predicted to within a few microseconds."""
    target = listener()
    tape = TapeCode(TimeCode.parse("00:59:58:00", rate))
    at = fed(target, tape, 400)
    follower = target.follower
    assert follower.state is LockState.LOCKED
    assert follower.frame_rate is rate
    bar_1 = -tape.at.frames_since(TimeCode.parse("01:00:00:00", rate)) / rate.frames_per_second * 10**9
    for count in (0, 24, 96.5, 200):
        predicted = follower.time_of(count)
        assert predicted is not None
        assert abs(predicted - tape.time_of_code_ns(float(bar_1) + count * CLOCK_NS)) < 5_000
    here = follower.count_at(at)
    assert here is not None
    assert here == pytest.approx((at - tape.begin_ns - float(bar_1)) / CLOCK_NS, abs=1e-3)
    assert follower.next_count == math.floor(here + 1e-6) + 1
    assert follower.bpm == pytest.approx(125, abs=0.01)
    assert codes(target) == []


def test_it_locks_with_the_first_whole_set() -> None:
    """From the middle of a set on it takes 8 to 15 quarter frames: 2 to 4 frames (p. 3)."""
    for first in range(8):
        target = listener()
        tape = TapeCode(TimeCode.parse("01:00:02:00", R25))
        heard = 0
        for at, data in tape.stream(40, first):
            target.take(data, at)
            heard += 1
            if target.follower.transport is Transport.PLAYING:
                break
        assert 8 <= heard <= 15
        assert heard == (8 - first) % 8 + 8


def test_a_full_message_locates_and_it_runs_from_the_next_quarter_frame() -> None:
    """RP-004/008 (p. 5): running time begins with the first quarter frame after it."""
    target = listener()
    target.take(full_message(TimeCode.parse("01:00:04:00", R25)), SECOND)
    (event,) = target.events()
    assert (event.kind, event.clocks) == (EventKind.LOCATED, 200)
    assert target.follower.transport is Transport.STOPPED
    assert target.follower.next_count == 200
    fed(target, TapeCode(TimeCode.parse("01:00:04:00", R25), begin_ns=2 * SECOND), 16)
    assert target.follower.transport is Transport.PLAYING
    target.take(full_message(TimeCode.parse("01:00:00:00", R25)), 4 * SECOND)
    assert target.follower.transport is Transport.STOPPED
    assert target.follower.count_at(4 * SECOND) == 0


def test_what_is_missing_is_counted_and_nothing_lost() -> None:
    """Single quarter frames and a pair that never came: found, and the position stays that of the code."""
    target = listener()
    missing = frozenset({203, 350, 351, 500})
    tape = TapeCode(TimeCode.parse("01:00:00:00", R30), jitter_ns=200_000, missing=missing)
    at = fed(target, tape, 800)
    found = [finding for finding in target.findings() if finding.code is Code.CODE_MISSING]
    assert sum(finding.size for finding in found) == 4
    here = target.follower.count_at(at)
    assert here == pytest.approx((at - tape.begin_ns) / CLOCK_NS, abs=0.05)


def test_what_is_late_and_comes_together_is_not_missing() -> None:
    """Three times a sender stalls for 30 ms and catches up: all pieces came, and none is told as lost."""
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:00:00", R25))
    at = 0
    for number, (due, data) in enumerate(tape.stream(800)):
        stalled = number - number % 200 + 3 if number >= 200 and number % 200 < 3 else number
        at = max(at + 100_000, round(tape.true_ns(stalled))) if stalled != number else max(at, due)
        target.advance(at)
        target.take(data, at)
    assert Code.CODE_MISSING not in codes(target)
    here = target.follower.count_at(at)
    assert here == pytest.approx((tape.true_ns(799) - tape.begin_ns) / CLOCK_NS, abs=0.05)


def test_a_dropout_is_bridged_and_told_with_its_length() -> None:
    """Half a second without time code: freewheel, then lock again, at the right place."""
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:00:00", R25), missing=frozenset(range(300, 350)))
    at = fed(target, tape, 600)
    found = target.findings()
    assert [finding.code for finding in found] == [Code.CODE_DROPOUT]
    assert found[0].size == pytest.approx(510, abs=15)
    here = target.follower.count_at(at)
    assert here == pytest.approx((at - tape.begin_ns) / CLOCK_NS, abs=0.01)


def test_time_code_that_stays_away_has_stopped() -> None:
    """After the freewheel span it is over; the finding says where it stopped."""
    target = listener()
    at = fed(target, TapeCode(TimeCode.parse("01:00:00:00", R25)), 400)
    while (due := target.next_deadline_ns()) is not None and due < at + 10 * SECOND:
        target.advance(due)
    assert target.follower.state is LockState.LOST
    assert target.follower.transport is Transport.STOPPED
    (finding,) = target.findings()
    assert finding.code is Code.CODE_ENDED
    assert "stopped at 01:00:04:00" in finding.text
    assert EventKind.LOST in [event.kind for event in target.events()]
    fed(target, TapeCode(TimeCode.parse("01:00:08:00", R25), begin_ns=at + 20 * SECOND), 40)
    assert target.follower.transport is Transport.PLAYING


def test_carrying_on_goes_on_without_it() -> None:
    """With `carry-on` the prediction is the clock from then on."""
    target = listener(on_dropout="carry-on")
    tape = TapeCode(TimeCode.parse("01:00:00:00", R25))
    at = fed(target, tape, 400)
    target.advance(at + 5 * SECOND)
    target.advance(at + 5 * SECOND)
    assert target.follower.carrying_on
    predicted = target.follower.time_of(1_000)
    assert predicted is not None
    assert abs(predicted - tape.time_of_code_ns(1_000 * CLOCK_NS)) < MS


@pytest.mark.parametrize("to", ["01:00:30:00", "00:59:00:00"])
def test_a_jump_while_it_runs_is_told(to: str) -> None:
    """The pieces go on in order, the time does not: not played through, and told with its size."""
    target = listener()
    at = fed(target, TapeCode(TimeCode.parse("01:00:00:00", R25)), 160)
    fed(target, TapeCode(TimeCode.parse(to, R25), begin_ns=at + 10 * MS), 64)
    found = target.findings()
    assert [finding.code for finding in found] == [Code.CODE_JUMP]
    assert to[:6] in found[0].text
    assert EventKind.STOPPED in [event.kind for event in target.events()]
    assert target.follower.transport is Transport.PLAYING  # it plays there


@pytest.mark.parametrize("piece", range(8))
def test_one_damaged_quarter_frame_is_no_jump(piece: int) -> None:
    """A cable may change a bit: the row goes on, one set has a time that cannot be, and nothing stops.

    RP-004/008 (p. 4) has the whole time verified with each set; the next one is right again.
    """
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:08:00", R25))
    at = 0
    for number, (at, data) in enumerate(tape.stream(400)):
        if number == 200 + piece:
            data = bytes((0xF1, data[1] ^ (0x02 if piece == 7 else 0x01)))
        target.take(data, at)
    assert codes(target) == []
    assert EventKind.STOPPED not in [event.kind for event in target.events()]
    here = target.follower.count_at(at)
    assert here == pytest.approx((at - tape.begin_ns + 8 * SECOND) / CLOCK_NS, abs=0.01)
    target.close(at)
    (finding, *_) = target.findings()
    assert finding.text == "quarter frames: 0 out of order, 1 whole sets that did not fit"


def test_a_rate_that_changes_is_believed_with_the_second_set() -> None:
    """Another rate code for good: told, and followed from there on."""
    target = listener()
    at = fed(target, TapeCode(TimeCode.parse("01:00:00:00", R25)), 160)
    fed(target, TapeCode(TimeCode.parse("01:00:02:00", R24), begin_ns=at + 10 * MS), 160)
    (finding,) = [each for each in target.findings() if each.code is Code.CODE_RATE]
    assert "changes from 25 to 24" in finding.text
    assert target.follower.frame_rate is R24
    assert target.follower.transport is Transport.PLAYING


def test_reverse_is_no_playing() -> None:
    """In reverse nothing is played; once told."""
    target = listener()
    at = fed(target, TapeCode(TimeCode.parse("01:00:10:00", R25)), 160)
    code = TimeCode.parse("01:00:11:14", R25)
    for number in range(64):
        data = quarter_frame(code.plus(-(number // 8) * 2), 7 - number % 8)
        target.take(data, at + (number + 1) * 10 * MS)
    assert codes(target) == [Code.CODE_REVERSE]
    assert target.follower.transport is Transport.STOPPED
    assert str(target.follower.code) == "01:00:11:00"


def test_the_sessions_rate_rules_and_a_difference_is_told() -> None:
    """Numbers are read at the rate that the session states; that the code names another is an error."""
    target = listener(R25)
    fed(target, TapeCode(TimeCode.parse("01:00:00:00", R30)), 64)
    assert target.follower.frame_rate is R25
    (finding,) = [each for each in target.findings() if each.code is Code.CODE_RATE]
    assert "says 30 frames, and the session 25" in finding.text


def test_drop_numbers_under_a_non_drop_code_are_named_at_the_first_minute() -> None:
    """A tape that counts 29.97 drop and says 30: at a minute its numbers skip two; it plays on."""
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:55;00", DROP), coded=R30)
    fed(target, tape, 120 * 20)
    found = {finding.code: finding.text for finding in target.findings()}
    assert Code.CODE_NUMBERS in found
    assert Code.CODE_JUMP not in found
    assert target.follower.transport is Transport.PLAYING


def test_non_drop_numbers_under_a_drop_code_are_named_at_the_first_minute() -> None:
    """A tape that counts 30 non-drop and says drop-frame sends numbers that do not exist."""
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:55:00", R30), coded=DROP)
    fed(target, tape, 120 * 20)
    found = {finding.code: finding.text for finding in target.findings()}
    assert Code.CODE_NUMBERS in found
    assert Code.CODE_JUMP not in found
    assert target.follower.transport is Transport.PLAYING


@pytest.mark.parametrize(
    ("rate", "speed", "words"),
    [
        (R30, 1000 / 1001, "counts 30 frames a second and runs at 29.97"),
        (DROP, 1001 / 1000, "counts 29.97 drop-frame and runs at 30"),
        (R24, 1000 / 1001, "24 frames a second and runs at 0.999"),
        (R25, 1.01, "of 25 frames runs at 1.0"),
    ],
)
@pytest.mark.parametrize("seed", range(2))
def test_a_wrong_speed_is_named_within_10_s_at_1_ms_jitter(
    rate: FrameRate, speed: float, words: str, seed: int
) -> None:
    """30 for 29.97 and its like, by name; told once."""
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:00:00", rate), speed=speed, jitter_ns=MS, seed=seed)
    fed(target, tape, 10 * 4 * rate.count)
    found = [finding for finding in target.findings() if finding.code is Code.CODE_SPEED]
    assert len(found) == 1
    assert words in found[0].text


@pytest.mark.parametrize("seed", range(3))
def test_a_right_speed_is_not_complained_of(seed: int) -> None:
    """A minute at 1 ms jitter: no finding but, at the end, the jitter itself."""
    target = listener()
    at = fed(target, TapeCode(TimeCode.parse("01:00:00:00", R30), jitter_ns=MS, seed=seed), 120 * 60)
    assert codes(target) == []
    target.close(at)
    (finding,) = target.findings()
    assert finding.code is Code.CODE_JITTER
    assert finding.size == pytest.approx(1000, rel=0.2)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("rate", [R24, R25, DROP, R30])
def test_chase_is_within_1_ms_rms_after_1_s(rate: FrameRate, seed: int) -> None:
    """Each clock, as predicted when it is half an interval ahead, against the truth, at 1 ms jitter."""
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:00:00", rate), jitter_ns=MS, seed=seed)
    off: list[float] = []
    count = 50
    for at, data in tape.stream(4 * rate.count * 20):
        target.take(data, at)
        while at > tape.time_of_code_ns((count - 0.5) * CLOCK_NS):
            predicted = target.follower.time_of(count)
            assert predicted is not None
            off.append(predicted - tape.time_of_code_ns(count * CLOCK_NS))
            count += 1
    assert len(off) > 900
    rms = math.sqrt(sum(each * each for each in off) / len(off))
    assert rms < 0.5 * MS  # the bar is 1 ms


def test_the_songs_tempo_map_gives_the_clocks() -> None:
    """At a change of tempo the clocks are the map's, to the microsecond, and no step is reported."""
    times = [n * 20_000_000 for n in range(97)] + [96 * 20_000_000 + n * 15_000_000 for n in range(1, 200)]
    origin = lambda at: TimeCode.parse("01:00:00:00", at)  # noqa: E731
    target = TimeCodeListener(FollowerConfig(freewheel_ns=SECOND), GridPrior(times), origin)
    tape = TapeCode(TimeCode.parse("01:00:00:00", R25))
    fed(target, tape, 150)
    for count in (95, 96, 97, 150):
        predicted = target.follower.time_of(count)
        assert predicted is not None
        assert abs(predicted - tape.begin_ns - times[count]) < 5_000


def test_midnight_is_no_jump() -> None:
    """Time code that goes over midnight to a song at 00:00:00:00 runs on."""
    origin = lambda at: TimeCode.parse("00:00:00:00", at)  # noqa: E731
    target = TimeCodeListener(FollowerConfig(freewheel_ns=SECOND), SteadyPrior(125.0), origin)
    tape = TapeCode(TimeCode.parse("23:59:58:00", R25))
    at = fed(target, tape, 500)
    assert codes(target) == []
    here = target.follower.count_at(at)
    assert here == pytest.approx((at - tape.begin_ns - 2 * SECOND) / CLOCK_NS, abs=0.01)


def test_anything_else_is_passed_over() -> None:
    """Clocks, notes, broken messages: no harm, no position."""
    target = listener()
    for text in ("F8", "90 3C 40", "F1", "F0 7F 7F 01 01 78 25 34 10 F7", "F0 F7", ""):
        assert target.take(bytes.fromhex(text), SECOND) is None
    assert target.follower.count_at(SECOND) is None
    assert target.follower.time_of(0) is None
    assert target.next_deadline_ns() is None


def test_bursts_are_no_jump() -> None:
    """A starved sender lets quarter frames wait for 60 ms and gives them off at once, again and again.

    All come, in order: whatever the count makes of that, the numbers fit again, and nothing ends.
    """
    target = listener()
    tape = TapeCode(TimeCode.parse("01:00:00:00", R25))
    at = 0
    for number, (due, data) in enumerate(tape.stream(1_200)):
        held = number >= 200 and number % 40 < 6
        at = max(at + 50_000, round(tape.true_ns(number - number % 40 + 6)) if held else due)
        target.advance(at)
        target.take(data, at)
    assert Code.CODE_JUMP not in codes(target)
    assert EventKind.STOPPED not in [event.kind for event in target.events()]
    here = target.follower.count_at(at)
    assert here == pytest.approx((tape.true_ns(1_199) - tape.begin_ns) / CLOCK_NS, abs=0.2)
