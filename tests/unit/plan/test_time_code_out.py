"""Time code in the plan: where it begins, what it says, and how it keeps out of the clock's way."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from pathlib import Path

import pytest

from runner.desk.prepare import Prepared
from runner.errors import PlanError
from runner.music import FrameRate, TimeCode, parse_moment
from runner.music.mtc import read_full, read_pieces
from runner.plan.compile import CompiledSong, Loop, compile_song
from runner.plan.quarter_frames import QuarterFrames, origin_at
from runner.plan.timecode_out import merged
from runner.plan.timeline import Timeline
from runner.session.load import load_session

RATES = {
    "24": FrameRate.FPS_24,
    "25": FrameRate.FPS_25,
    "29.97-drop": FrameRate.FPS_30_DROP,
    "30": FrameRate.FPS_30,
}


def session(deck: str = "", song: str = "", more: str = "") -> str:
    return f"""
session: Lantern Quay, time code
format: 1
ports: {{tape: {{simulate: sink, link: din}}, box: {{simulate: sink}}}}
machines:
  deck: {{port: tape, kind: recorder, follows: [time-code, clock, transport]{deck}}}
{more}
songs:
  - {{song: Net Loft, tempo: 97, meter: 4/4, length: 8 bars, pre-roll: 1 bar{song}}}
order: [Net Loft]
"""


def compiled(text: str, **more: object) -> CompiledSong:
    loaded = load_session(text)
    return compile_song(loaded.session, loaded.session.songs[0], {}, marks=loaded.marks, **more)  # type: ignore[arg-type]


def frames_of(song: CompiledSong, leg: int = 0) -> tuple[Timeline, QuarterFrames]:
    timeline = song.course.legs[leg].timeline
    (role,) = timeline.time_codes
    return timeline, QuarterFrames.of(timeline, role)


@pytest.mark.parametrize("rate", list(RATES))
def test_bar_1_is_at_its_time_code(rate: str) -> None:
    """The quarter frame of bar 1's own frame has song time 0, and each other its exact place from there."""
    song = compiled(session(deck=f", frame-rate: {rate}", song=', time-code: "02:00:00:00", lead: 2 s'))
    timeline, frames = frames_of(song)
    assert frames.song_ns(0) == 0
    fps = RATES[rate].frames_per_second
    for index in range(frames.first, frames.end):
        assert frames.song_ns(index) == round(index * 10**9 / (4 * fps))
    assert str(frames.code(0)).replace(";", ":") == "02:00:00:00"
    first = frames.code(frames.first)
    assert first.frame % 2 == 0  # RP-004/008, p. 4: sets begin on even frames
    assert frames.song_ns(frames.first) - timeline.clock_ns[0] < 2 * 10**9 / fps
    assert frames.song_ns(frames.end) >= timeline.exit_ns > frames.song_ns(frames.end - 1)


def test_what_lies_before_bar_1_goes_under_midnight() -> None:
    """A pre-roll before 00:00:00:00 has the last numbers of the day."""
    _, frames = frames_of(compiled(session(deck=", frame-rate: 25", song=', time-code: "00:00:00:00"')))
    assert str(frames.code(-8)) == "23:59:59:23"
    assert frames.data(-1) == b"\xf1\x73"  # 23 h: 17 hex; rate 25 is 1


def test_bar_1_is_at_one_hour_if_nothing_is_said() -> None:
    """Without `time-code`, bar 1 is at 01:00:00:00, at 30 frames a second."""
    timeline, frames = frames_of(compiled(session()))
    assert str(frames.code(0)) == "01:00:00:00"
    assert timeline.time_codes[0].rate == "30"


def test_a_full_message_goes_ahead_and_names_the_first_set() -> None:
    """50 ms before the first quarter frame; at 240 beats before it nothing rolls."""
    song = compiled(session(song=", lead: 1 s"))
    timeline, frames = frames_of(song)
    events = timeline.events
    full = [row for row in range(len(events)) if read_full(events.bytes_of(row)) is not None]
    (row,) = full
    assert read_full(events.bytes_of(row)) == frames.code(frames.first)
    assert 50_000_000 <= frames.song_ns(frames.first) - events.t_ns[row] < 60_000_000


def test_rows_show_each_quarter_frame_and_eight_make_a_time() -> None:
    """`plan` shows all that is sent; the bytes of eight pieces in a row are the time of their frame."""
    song = compiled(session(song=', time-code: "01:00:00:01"'))
    rows = [row for row in song.rows() if row["bytes"].startswith("F1")]
    _, frames = frames_of(song)
    assert len(rows) == frames.end - frames.first
    pieces = [bytes.fromhex(row["bytes"])[1] for row in rows]
    at = TimeCode.parse("01:00:00:01", RATES["30"])
    for first in range(0, len(pieces) - 8, 8):
        code = read_pieces([piece & 15 for piece in pieces[first : first + 8]])
        assert code.frames_since(at) * 4 == frames.first + first
    assert rows[0]["machine"] == "deck"
    assert "piece 0" in rows[0]["what"]


@pytest.mark.parametrize("rate", list(RATES))
def test_no_clock_waits_for_time_code_on_a_din_cable(rate: str) -> None:
    """A quarter frame takes 640 us of a DIN cable (MIDI 1.0, p. 1): it is over before a clock, or behind it.

    It is moved by half a millisecond at most and by nothing where no clock is near; the wire's own
    reckoning finds no clock that waits.
    """
    song = compiled(session(deck=f", frame-rate: {rate}", song=", lead: 2 s"))
    timeline, frames = frames_of(song)
    moved = 0
    for index, t_ns in zip(range(frames.first, frames.end), frames.send_times(), strict=True):
        assert t_ns == frames.send_ns(index)
        following = bisect_left(timeline.clock_ns, t_ns)
        before = bisect_right(timeline.clock_ns, t_ns) - 1
        if following < len(timeline.clock_ns) and timeline.clock_ns[following] != t_ns:
            assert timeline.clock_ns[following] - t_ns >= 640_000
        off = t_ns - frames.song_ns(index)
        assert abs(off) <= 530_000
        if off > 0:
            assert t_ns - timeline.clock_ns[before] == 320_000
        moved += off != 0
    assert 0 < moved < len(frames.send_times()) / 4
    (wire,) = song.wire
    assert wire.worst_wait_ns == 0
    assert wire.messages == len(frames.send_times()) + 3  # the full message, Start, Stop


def test_offset_moves_time_code_without_regard_to_the_clock() -> None:
    """A machine's offset shifts its time code by just that much."""
    plain = compiled(session(deck=", frame-rate: 25").replace("time-code, clock, transport", "time-code"))
    moved = compiled(
        session(deck=", frame-rate: 25, offset: -7 ms").replace("time-code, clock, transport", "time-code")
    )
    _, one = frames_of(plain)
    _, other = frames_of(moved)
    assert other.send_ns(40) == one.send_ns(40) - 7_000_000


def test_time_code_is_cheap_to_send_to_the_engine() -> None:
    """An hour has 432,000 quarter frames, and its packed course no byte more for them."""
    song = compiled(session(song=", lead: 2 s"))
    bare = compiled(session(song=", lead: 2 s").replace("time-code, ", ""))
    assert len(song.course.pack()) - len(bare.course.pack()) < 500
    packed = type(song.course).unpack(song.course.pack())
    assert packed.legs[0].timeline.time_codes == song.course.legs[0].timeline.time_codes


def test_a_loop_is_located_anew_at_each_pass() -> None:
    """Where the song jumps, a full message goes out before the quarter frames of the new place."""
    song = compiled(session(), loops=[Loop(parse_moment("bar 3"), parse_moment("bar 5"), 3)])
    for number in range(len(song.course.legs)):
        timeline, frames = frames_of(song, number)
        events = timeline.events
        (row,) = [row for row in range(len(events)) if read_full(events.bytes_of(row)) is not None]
        assert read_full(events.bytes_of(row)) == frames.code(frames.first)
        assert events.t_ns[row] <= frames.song_ns(frames.first)
        assert frames.song_ns(frames.first) >= timeline.entry_ns - 3 * 10**9


@pytest.mark.parametrize(
    ("song", "deck", "words"),
    [
        (', time-code: "01:00:00:25"', ", frame-rate: 25", "frames 0 to 24, got 25"),
        (', time-code: "01:00:00;02"', ", frame-rate: 30", "has the ';' of drop-frame"),
    ],
)
def test_a_time_code_that_the_rate_has_not_is_an_error(song: str, deck: str, words: str) -> None:
    """The session's text is read at the machine's frame rate."""
    with pytest.raises(PlanError, match=words):
        compiled(session(deck=deck, song=song))


def test_a_place_that_the_recorders_rate_has_not_is_an_error() -> None:
    """Also for a recorder that is only located: the plan says so, and not the take."""
    text = session(deck=", frame-rate: 24", song=', time-code: "00:10:00:28"').replace("time-code, ", "")
    with pytest.raises(PlanError, match=r"frames 0 to 23, got 28 \(frame rate of deck\)"):
        compiled(text)


@pytest.mark.parametrize(("rate", "number"), [("24", "01:00:00:23"), ("29.97-drop", "01:00:00;28")])
def test_bar_1_at_a_rate_that_was_not_thought_of(rate: str, number: str) -> None:
    """A machine may name any rate: numbers as written, and the last one where the rate has no such."""
    assert str(origin_at("01:00:00:28", RATES[rate])) == number
    assert str(origin_at("", RATES["24"])) == "01:00:00:00"


def test_two_rates_on_one_port_are_an_error() -> None:
    """A port carries one time code."""
    more = "  second: {port: tape, kind: recorder, follows: [time-code], frame-rate: 25}"
    with pytest.raises(PlanError, match="must be the same for deck and second"):
        compiled(session(more=more))


def test_who_does_not_follow_time_code_gets_none() -> None:
    """A recorder with a frame rate and no `time-code` in `follows` is only located by it."""
    song = compiled(session(deck=", frame-rate: 25").replace("time-code, ", ""))
    assert song.course.legs[0].timeline.time_codes == ()
    assert not [row for row in song.rows() if row["bytes"].startswith("F1")]


def test_merging_keeps_both_orders() -> None:
    """Numbers below 0 are those of the second list, from -1 down; what is equal keeps the first before."""
    assert merged([10, 20, 30], [5, 20, 40]) == [-1, 0, 1, -2, 2, -3]


def test_the_example_is_read_from_a_file(tmp_path: Path) -> None:
    """`Prepared` compiles time code as it does everything else."""
    prepared = Prepared(tmp_path / "session.yaml", load_session(session()))
    assert prepared.compile("Net Loft").course.legs[0].timeline.time_codes
