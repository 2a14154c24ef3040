"""Time code: numbers, frames, times, and a song's place in it."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.music import FrameRate, TempoChange, TempoMap, TimeCode, TimeCodeOffset

DROP = FrameRate.FPS_30_DROP
HOUR_NS = 3_600_000_000_000

rates = st.sampled_from(list(FrameRate))


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("24", FrameRate.FPS_24),
        (25, FrameRate.FPS_25),
        ("29.97 drop", DROP),
        (" 29.97  Drop ", DROP),
        ("30", FrameRate.FPS_30),
    ],
)
def test_reads_a_frame_rate(text: str | int, rate: FrameRate) -> None:
    """A rate is read as the session file writes it, also when it comes as a number."""
    assert FrameRate.parse(text) is rate


@pytest.mark.parametrize("text", ["29.97", "23.976", "60", "", "thirty", "9" * 9999])
def test_refuses_other_rates(text: str) -> None:
    """A rate that MIDI Time Code cannot carry is refused with the list of those that it can."""
    with pytest.raises(ValueError, match=r"use 24, 25, 29\.97 drop or 30") as caught:
        FrameRate.parse(text)
    assert len(str(caught.value)) < 200


def test_the_constants_of_the_rates() -> None:
    """Rate codes, real rates and frames a day are those of the four rates."""
    assert [rate.mtc_code for rate in FrameRate] == [0, 1, 2, 3]
    assert [rate.frames_per_second for rate in FrameRate] == [24, 25, Fraction(30000, 1001), 30]
    assert [rate.frames_per_day for rate in FrameRate] == [2_073_600, 2_160_000, 2_589_408, 2_592_000]


@pytest.mark.parametrize(
    ("text", "rate", "words"),
    [
        ("01:00:00", DROP, "is not a time code such as 01:00:00:00"),
        ("bar 3", DROP, "is not a time code"),
        ("1" * 5000, DROP, "is not a time code"),
        ("24:00:00:00", DROP, "hours 0 to 23, got 24"),
        ("00:60:00:00", DROP, "minutes 0 to 59, got 60"),
        ("00:00:60:00", DROP, "seconds 0 to 59, got 60"),
        ("00:00:00:24", FrameRate.FPS_24, "time code at 24 has frames 0 to 23, got 24"),
        ("00:00:00:25", FrameRate.FPS_25, "frames 0 to 24, got 25"),
        ("00:00:00;00", FrameRate.FPS_30, "has the ';' of drop-frame, and the rate is 30"),
    ],
)
def test_refuses_what_is_no_time_code(text: str, rate: FrameRate, words: str) -> None:
    """A time code out of its ranges, or in another rate's notation, is an error that says which."""
    with pytest.raises(ValueError) as caught:
        TimeCode.parse(text, rate)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 200


def test_drop_frame_is_written_with_a_semicolon_and_read_with_either() -> None:
    """Both notations are read for drop-frame; a dropped number becomes the next one that exists."""
    assert TimeCode.parse("1:0:0:0", DROP) == TimeCode.parse("01:00:00;00", DROP)
    assert str(TimeCode.parse("00:01:00:01", DROP)) == "00:01:00;02"
    assert str(TimeCode.parse("00:10:00:00", DROP)) == "00:10:00;00"
    assert str(TimeCode.parse("00:01:00:01", FrameRate.FPS_30)) == "00:01:00:01"


@given(rates, st.integers(-(10**7), 10**7))
def test_frames_and_numbers_are_inverse_and_the_day_wraps(rate: FrameRate, frame: int) -> None:
    """Any frame count has a number, which is that frame of the day, and whose text reads back."""
    code = TimeCode.of_frame(frame, rate)
    assert code.frame == frame % rate.frames_per_day
    assert TimeCode.parse(str(code), rate) == code
    assert code.plus(1).frame == (frame + 1) % rate.frames_per_day
    assert code.plus(1).frames_since(code) == 1


@given(rates, st.integers(0, 2_000_000))
def test_times_and_frames_are_inverse(rate: FrameRate, frame: int) -> None:
    """A frame is on from its own rounded start until a ns before the next one's."""
    code = TimeCode.of_frame(frame, rate)
    assert TimeCode.of_ns(code.ns, rate) == code
    assert TimeCode.of_ns(code.ns - 1, rate) == code.plus(-1)
    assert abs(rate.frames_of_ns(code.ns) - frame) < Fraction(1, 10**7)


def test_drop_frame_keeps_up_with_the_wall_clock_and_plain_numbers_do_not() -> None:
    """An hour of drop-frame numbers is 3.6 ms short of an hour; at 25 it is an hour."""
    assert TimeCode(1, 0, 0, 0, DROP).ns == HOUR_NS - 3_600_000
    assert TimeCode(1, 0, 0, 0, FrameRate.FPS_25).ns == HOUR_NS


def _song(rate: FrameRate, origin: str = "01:00:00:00") -> TimeCodeOffset:
    tempo = TempoMap(Fraction(120), [TempoChange(Fraction(16), Fraction(90), Fraction(8))])
    return TimeCodeOffset(TimeCode.parse(origin, rate), tempo)


@pytest.mark.parametrize("rate", list(FrameRate))
def test_a_song_begins_at_its_origin(rate: FrameRate) -> None:
    """Bar 1 beat 1 is the start of the origin's frame, and what comes before it is negative."""
    song = _song(rate)
    assert song.ns_of(song.origin) == 0
    assert song.quarters_of(song.origin) == 0
    assert song.ns_of(song.origin.plus(-1)) == -round(10**9 / rate.frames_per_second)
    assert song.code_at_ns(-1) == song.origin.plus(-1)


def test_song_positions_follow_time_code_through_the_tempo_map() -> None:
    """Eight seconds at 25 frames into a song at 120 BPM is quarter 16; the ramp after it is followed."""
    song = _song(FrameRate.FPS_25)
    assert song.quarters_of(TimeCode.parse("01:00:08:00", FrameRate.FPS_25)) == 16
    assert str(song.code_at(16)) == "01:00:08:00"
    assert str(song.code_at(-1)) == "00:59:59:12"
    assert song.frames_into_ns(20_000_000) == Fraction(1, 2)
    late = TimeCode.parse("01:00:30:00", FrameRate.FPS_25)
    assert song.tempo.ns_at(song.quarters_of(late)) == 30_000_000_000


def test_a_song_may_begin_at_midnight() -> None:
    """With the origin at 00:00:00:00 the pre-roll lies before midnight, not a day ahead."""
    song = _song(FrameRate.FPS_30, "00:00:00:00")
    assert song.ns_of(TimeCode.parse("23:59:58:00", FrameRate.FPS_30)) == -2_000_000_000
    assert str(song.code_at_ns(-2_000_000_000)) == "23:59:58:00"
    assert song.ns_of(TimeCode.parse("11:59:59:29", FrameRate.FPS_30)) > 0


def test_time_code_of_another_rate_is_refused() -> None:
    """A recorder at another rate is never read as if it ran at the song's."""
    with pytest.raises(ValueError, match=r"time code at 30 cannot be counted from 29\.97 drop"):
        _song(DROP).ns_of(TimeCode(1, 0, 0, 0, FrameRate.FPS_30))


@given(rates, st.integers(-10_000, 200_000))
def test_song_time_and_time_code_are_inverse(rate: FrameRate, frames: int) -> None:
    """The frame at the song time of a frame is that frame."""
    song = _song(rate)
    code = song.origin.plus(frames)
    assert song.code_at_ns(song.ns_of(code)) == code
