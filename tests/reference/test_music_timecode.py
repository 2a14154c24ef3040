"""Time code against the rules of SMPTE ST 12-1 and against the library `timecode`."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from timecode import Timecode

from runner.music import FrameRate, TimeCode

DROP = FrameRate.FPS_30_DROP

LIBRARY_RATES = {
    FrameRate.FPS_24: "24",
    FrameRate.FPS_25: "25",
    FrameRate.FPS_30_DROP: "29.97",
    FrameRate.FPS_30: "30",
}

ROWS = [
    ("00:00:59;29", 1799, "60.026633"),
    ("00:01:00;02", 1800, "60.060000"),
    ("00:01:59;29", 3597, "120.019900"),
    ("00:02:00;02", 3598, "120.053267"),
    ("00:09:59;29", 17981, "599.966033"),
    ("00:10:00;00", 17982, "599.999400"),
    ("00:10:59;29", 19781, "660.026033"),
    ("00:11:00;02", 19782, "660.059400"),
    ("00:22:00;02", 39562, "1320.052067"),
    ("01:00:00;00", 107892, "3599.996400"),
    ("23:59:59;29", 2589407, "86399.880233"),
]


@pytest.mark.parametrize(("text", "frame", "seconds"), ROWS)
def test_drop_frame_rows(text: str, frame: int, seconds: str) -> None:
    """Drop-frame numbers, 0-based frames and real times (frame x 1001/30000 s) by the rule of SMPTE ST 12-1,
    as MMC RP-013 v1.00, p. 10, gives it (its example: 00:22:00;02 is frame 39602 - 40)."""
    code = TimeCode.parse(text, DROP)
    assert code.frame == frame
    assert TimeCode.of_frame(frame, DROP) == code
    assert str(code) == text
    assert abs(code.ns - round(Fraction(seconds) * 10**9)) <= 500
    assert code.ns == round(Fraction(frame * 1001 * 10**9, 30000))


@pytest.mark.parametrize(("text", "frame", "seconds"), ROWS)
def test_the_library_agrees_on_the_rows(text: str, frame: int, seconds: str) -> None:
    """PyPI `timecode` has the same frame for each row; its `frame_number` is the 0-based one."""
    assert Timecode("29.97", text).frame_number == TimeCode.parse(text, DROP).frame == frame


@pytest.mark.parametrize("rate", list(FrameRate))
def test_the_library_agrees_at_random_frames(rate: FrameRate) -> None:
    """PyPI `timecode` writes the same number for 400 frames spread over a day, at each rate."""
    dice = random.Random(rate.value)
    for frame in dice.sample(range(rate.frames_per_day), 400):
        # The library counts frames from 1.
        theirs = Timecode(LIBRARY_RATES[rate], frames=frame + 1)
        assert str(TimeCode.of_frame(frame, rate)).replace(";", ":") == str(theirs).replace(";", ":")
        assert TimeCode.of_frame(frame, rate).frame == theirs.frame_number == frame


def test_an_illegal_number_goes_up_to_the_next_valid_one() -> None:
    """00:01:00;00 and ;01 become 00:01:00;02 (MMC RP-013, p. 10; MSC 1.1.1, 3.2).

    The library `timecode` goes down to 00:00:59;28 instead, so it is no reference here.
    """
    for minute in range(60):
        for frames in (0, 1):
            code = TimeCode(0, minute, 0, frames, DROP)
            assert code.frames == (frames if minute % 10 == 0 else 2)
    assert TimeCode.parse("00:01:00;00", DROP).frame == 1800


def _numbers_of_a_day() -> list[tuple[int, int, int, int]]:
    """All drop-frame numbers of a day in order, by the rule alone and without any formula."""
    return [
        (hours, minutes, seconds, frames)
        for hours in range(24)
        for minutes in range(60)
        for seconds in range(60)
        for frames in range(2 if seconds == 0 and minutes % 10 else 0, 30)
    ]


def test_frames_about_every_minute_of_a_drop_frame_day() -> None:
    """Around each of a day's 1440 minutes, and at 10,000 seeded places, frame and number agree with a count
    of the numbers that SMPTE ST 12-1 leaves standing; there are 2,589,408 of them."""
    numbers = _numbers_of_a_day()
    assert len(numbers) == DROP.frames_per_day == 2_589_408
    starts = [index for index, number in enumerate(numbers) if number[2] == 0 and number[3] in (0, 2)]
    frames = {start + near for start in starts for near in (-2, -1, 0, 1, 2, 3)}
    frames |= set(random.Random(12).sample(range(len(numbers)), 10_000))
    for frame in frames:
        number = numbers[frame % len(numbers)]
        code = TimeCode.of_frame(frame, DROP)
        assert (code.hours, code.minutes, code.seconds, code.frames) == number
        assert code.frame == frame % len(numbers)


@pytest.mark.campaign
def test_all_frames_of_a_drop_frame_day_round_trip() -> None:
    """Each of a day's 2,589,408 frames has the number that counting by SMPTE ST 12-1 gives it, and back."""
    for frame, number in enumerate(_numbers_of_a_day()):
        code = TimeCode.of_frame(frame, DROP)
        assert (code.hours, code.minutes, code.seconds, code.frames) == number
        assert code.frame == frame
