"""Where a song's bars and moments lie, and which changes of tempo and meter are out of place."""

from __future__ import annotations

from fractions import Fraction

import pytest

from runner.errors import SessionError
from runner.music.moment import parse_moment
from runner.session.load import load_session
from runner.session.model import SongSpec
from runner.session.times import SongTimeError, song_time


def song_of(**keys: object) -> SongSpec:
    """Return a song of 32 bars at 120 with more keys, as the model reads them."""
    return SongSpec.model_validate({"song": "Fog Signal", "tempo": 120, "length": "32 bars", **keys})


def test_changes_in_bars_sections_and_spans() -> None:
    """Changes may be placed by bar, section or whole bars from either, each counted in its meters."""
    song = song_of(
        sections={"bank": 5, "horn": 9},
        **{
            "pre-roll": "2 bars",
            "meter-changes": [
                {"at": "bank", "meter": "3/4"},
                {"at": "1 bar after horn", "meter": "6/8"},
                {"at": "4 bars before end", "meter": "4/4"},
            ],
            "tempo-changes": [
                {"at": "horn", "tempo": 60},
                {"at": "bar 29 beat 3", "tempo": 120, "over": "2 bars"},
            ],
        },
    )
    time = song_time(song)
    # 4 bars of 4 quarters, 5 of 3 (bars 5-9), 19 of 3 (bars 10-28 in 6/8), 4 of 4
    assert time.meters.bar_start(10) == 4 * 4 + 5 * 3
    assert time.end_quarters == 16 + 15 + 57 + 16
    assert time.start_quarters == -8
    horn = time.resolve(parse_moment("horn")).quarters
    assert horn == 28
    assert time.tempo.ns_at(horn) == 14 * 10**9
    assert time.tempo.bpm_at(float(horn + 1)) == 60
    ramp = time.resolve(parse_moment("bar 29 beat 3")).quarters
    assert time.tempo.bpm_at(float(ramp + 4)) == pytest.approx(90)


@pytest.mark.parametrize(
    ("key", "changes", "words"),
    [
        ("meter-changes", [{"at": "bar 5 beat 2", "meter": "3/4"}], "must be the start of a bar"),
        ("meter-changes", [{"at": "4 beats after bar 5", "meter": "3/4"}], "must be the start of a bar"),
        ("meter-changes", [{"at": "1 s after bar 5", "meter": "3/4"}], "must be the start of a bar"),
        ("meter-changes", [{"at": "bar 33", "meter": "3/4"}], "must lie in bars 1 to 32, and is bar 33"),
        ("meter-changes", [{"at": "start", "meter": "3/4"}], "must lie in bars 1 to 32, and is bar 0"),
        ("meter-changes", [{"at": "nowhere", "meter": "3/4"}], "names neither a moment nor a section"),
        (
            "meter-changes",
            [{"at": "bar 5", "meter": "3/4"}] * 2,
            "must come after the change before it, at bar 5",
        ),
        ("tempo-changes", [{"at": "start", "tempo": 90}], "must lie in bars 1 to 32"),
        ("tempo-changes", [{"at": "end", "tempo": 90}], "must lie in bars 1 to 32, and is bar 33 beat 1"),
        ("tempo-changes", [{"at": "1 s after bar 1", "tempo": 90}], "not in seconds"),
        ("tempo-changes", [{"at": "bar 3 beat 5", "tempo": 90}], "has beats 1 to 4"),
        ("tempo-changes", [{"at": "bar 3", "tempo": 90}] * 2, "must come after the change before it"),
        ("tempo-changes", [{"at": "bar 3", "tempo": 90, "over": "2 s"}], "a ramp is counted in beats"),
        ("tempo-changes", [{"at": "bar 31", "tempo": 90, "over": "3 bars"}], "must end within the song"),
        (
            "tempo-changes",
            [{"at": "bar 3", "tempo": 90, "over": "4 bars"}, {"at": "bar 6", "tempo": 80}],
            "lies in the ramp before it, which ends at bar 7 beat 1",
        ),
    ],
)
def test_changes_out_of_place(key: str, changes: list[dict[str, object]], words: str) -> None:
    """A change that has no sensible place is refused, with the reason and the key that is wrong."""
    song = song_of(**{key: changes, "pre-roll": "1 bar"})
    with pytest.raises(SongTimeError) as caught:
        song_time(song)
    assert len(caught.value.problems) == 1
    assert words in caught.value.problems[0].message
    assert caught.value.problems[0].path[0] == key


def test_changes_may_touch() -> None:
    """A ramp may end where the next change begins, and at the very end of the song."""
    song = song_of(
        **{
            "tempo-changes": [
                {"at": "bar 3", "tempo": 90, "over": "4 bars"},
                {"at": "bar 7", "tempo": 80},
                {"at": "bar 31", "tempo": 40, "over": "2 bars"},
            ]
        }
    )
    assert [change.at for change in song_time(song).tempo.changes] == [8, 24, 120]


def test_cues_at_the_very_edges_of_the_roll_are_allowed() -> None:
    """A cue may lie where the lead begins and where the tail ends, and not a nanosecond beyond."""
    text = """session: Fog Signal
format: 1
ports: {front: {match: "*"}}
machines: {horn: {port: front, channel: 1}}
songs:
  - {song: Fog Signal, tempo: 120, length: 8 bars, lead: 4 beats, pre-roll: 1 bar, tail: 1 bar, cues: [
      {at: 2 s before start, machine: horn, stop: true},
      {at: 4 beats before start, machine: horn, stop: true},
      {at: 2 s after end, machine: horn, stop: true}]}
"""
    assert load_session(text).notices == []
    for old, new in (
        ("2 s before", "2.000001 s before"),
        ("2 s after", "2.000001 s after"),
        ("4 beats b", "4.001 beats b"),
    ):
        with pytest.raises(SessionError, match=r"the lead begins|the tail ends"):
            load_session(text.replace(old, new))


def test_beats_of_a_long_song_stay_exact() -> None:
    """20,000 bars of 7/8 lie where exact arithmetic puts them."""
    time = song_time(song_of(meter="7/8", length="20000 bars"))
    assert time.end_quarters == Fraction(7, 2) * 20_000
