"""Loops that a song writes in its session: played, passed over where they lie outside, refused by place."""

from __future__ import annotations

import pytest
from songs import compiled

from runner.errors import PlanError
from runner.plan.compile import CompiledSong

SONG = """
tempo: 120
length: 8 bars
sections: {vamp: 3, out: 5}
loops: [vamp to out, 'bar 6 to bar 7, 3 times']
"""


def legs(song: CompiledSong) -> list[tuple[float, float, int]]:
    """Return where each leg of a song begins and ends, in quarters, and how often it is played."""
    return [
        (leg.timeline.entry_quarters, leg.timeline.exit_quarters, leg.repeats) for leg in song.course.legs
    ]


def test_a_hold_and_a_loop_of_the_song_become_legs() -> None:
    """The first pass of each belongs to the leg before it; 0 is until told."""
    found = legs(compiled(SONG))
    assert [(entry, exit_, repeats) for entry, exit_, repeats in found if repeats != 1] == [
        (8.0, 16.0, 0),
        (20.0, 24.0, 2),
    ]


def test_a_roll_that_begins_behind_a_loop_passes_it_over() -> None:
    """From bar 5 on only the second loop lies within the roll."""
    found = legs(compiled(SONG, from_="bar 5"))
    assert [repeats for _, _, repeats in found if repeats != 1] == [2]


@pytest.mark.parametrize("loops", ["[out to vamp]", "[vamp to out, bar 4 to bar 6]", "[bar 7 to bar 12]"])
def test_a_loop_that_cannot_be_is_refused_at_its_place(loops: str) -> None:
    """Backwards, into each other, beyond the end."""
    text = SONG.partition("loops")[0] + f"loops: {loops}"
    with pytest.raises(PlanError, match="must lie within the song"):
        compiled(text)
