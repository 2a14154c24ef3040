"""A series: takes of one song that roll by themselves, beside the running order."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.desk.actions import Order
from runner.desk.phases import Directive, Do, Mode, Phase
from runner.desk.places import Place
from runner.desk.series import Series
from runner.desk.show import Show
from runner.music.rehearsal import Rehearsal

SECOND = 1_000_000_000
SONGS = ("Ropewalk", "Fog Signal", "Net Loft")


def stage_at_rest() -> Show:
    """Return a daemon's show that waits at its first place."""
    show = Show(tuple(Place(song, None, at) for at, song in enumerate(SONGS, 1)), SONGS, Mode.STAY)
    show.begin(0)
    return show


def order(show: Show, word: str, name: str = "") -> bool:
    """Give an order; return whether it was done."""
    return show.order(Order(word, name), 0)[0].done


def play(show: Show, now_ns: int = 0) -> list[Directive]:
    """Let what was called begin, end and be closed at `now_ns`."""
    assert show.phase is Phase.CALLED
    show.begun()
    show.ended("complete")
    return show.closed("clean", now_ns)


def test_a_series_rolls_its_song_so_often_with_the_gap_between_and_leaves_the_order_alone() -> None:
    """Three takes of the second song; then the first is up, as it was before."""
    show = stage_at_rest()
    outcome, directives = show.begin_series("Fog Signal", takes=3, gap_ns=20 * SECOND)
    assert outcome.done
    assert [directive.do for directive in directives] == [Do.ROLL]
    for number in (1, 2):
        assert str(show.up) == f"Fog Signal ({number} of 3)"
        play(show, now_ns=100 * number * SECOND)
        assert show.phase is Phase.DUE
        assert show.tick(100 * number * SECOND + 20 * SECOND - 1) == []
        assert [each.do for each in show.tick(100 * number * SECOND + 20 * SECOND)] == [Do.ROLL]
    assert [place.song for place in show.chain] == ["Fog Signal"]
    play(show)
    assert (show.phase, show.up.song, show.series, show.done) == (Phase.STANDING, "Ropewalk", None, 3)


def test_a_series_rolls_its_song_alone_where_the_order_goes_straight_on() -> None:
    """What follows the song in the order is not asked for."""
    show = Show((Place("Ropewalk", "straight-on", 1), Place("Fog Signal", None, 2)), SONGS, Mode.STAY)
    show.begin(0)
    show.begin_series("Ropewalk")
    assert [place.song for place in show.chain] == ["Ropewalk"]
    play(show)
    assert [place.song for place in show.chain] == ["Ropewalk", "Fog Signal"]


def test_no_take_of_a_series_begins_after_its_limit() -> None:
    """A take may begin at the very limit; the one after it does not."""
    show = stage_at_rest()
    show.begin_series("Net Loft", takes=10, gap_ns=10 * SECOND, until_ns=100 * SECOND)
    play(show, now_ns=90 * SECOND)
    assert [each.do for each in show.tick(100 * SECOND)] == [Do.ROLL]
    play(show, now_ns=101 * SECOND)
    assert (show.phase, show.series, show.up.song) == (Phase.STANDING, None, "Ropewalk")


@pytest.mark.parametrize("word", ["stop", "panic"])
def test_stop_ends_a_series_while_a_take_rolls_and_between_two(word: str) -> None:
    """Nothing rolls by itself afterwards, and the order is where it was."""
    rolling = stage_at_rest()
    rolling.begin_series("Fog Signal", takes=3)
    rolling.begun()
    assert order(rolling, word)
    rolling.ended("stopped")
    rolling.closed("interrupted", 0)
    between = stage_at_rest()
    between.begin_series("Fog Signal", takes=3)
    play(between)
    assert order(between, word)
    for show in (rolling, between):
        assert (show.phase, show.series, show.up.song) == (Phase.STANDING, None, "Ropewalk")
        assert show.tick(10**15) == []


def test_a_stop_before_the_take_has_begun_does_not_move_the_order() -> None:
    """The engine may begin all the same: the take belongs to the series that was ended."""
    show = stage_at_rest()
    show.begin_series("Fog Signal", takes=3)
    assert order(show, "stop")
    show.begun()
    assert [place.song for place in show.playing] == ["Fog Signal"]
    show.ended("stopped")
    show.closed("interrupted", 0)
    assert (show.phase, show.up.song) == (Phase.STANDING, "Ropewalk")


def test_bringing_another_song_up_ends_a_series() -> None:
    """Whoever chooses a song wants to play it."""
    show = stage_at_rest()
    show.begin_series("Fog Signal", takes=3)
    show.begun()
    assert order(show, "song", "Net Loft")
    show.ended("complete")
    show.closed("clean", 0)
    assert (show.phase, show.up.song) == (Phase.STANDING, "Net Loft")


def test_a_song_chosen_while_a_roll_is_called_comes_after_it() -> None:
    """The take that begins is the one that was called."""
    show = stage_at_rest()
    assert order(show, "roll")
    assert order(show, "song", "Net Loft")
    show.begun()
    assert [place.song for place in show.playing] == ["Ropewalk"]
    show.ended("complete")
    show.closed("clean", 0)
    assert show.up.song == "Net Loft"


@pytest.mark.parametrize("phase", [Phase.DUE, Phase.CALLED, Phase.ROLLING, Phase.CLOSING])
def test_a_series_is_refused_unless_the_show_rests(phase: Phase) -> None:
    """It is not kept for later, and nothing changes."""
    show = replace(stage_at_rest(), phase=phase)
    before = replace(show)
    outcome, directives = show.begin_series("Fog Signal", takes=2)
    assert not outcome.done
    assert outcome.text.startswith("Fog Signal: not now, ")
    assert directives == []
    assert show == before


def test_a_series_of_a_song_that_is_not_there_is_refused_with_what_is_near() -> None:
    """As any other order."""
    outcome, _ = stage_at_rest().begin_series("Fogg Signal")
    assert not outcome.done
    assert "Fog Signal" in outcome.text


def test_a_refused_take_ends_the_series() -> None:
    """A rig in trouble is not asked again and again."""
    show = stage_at_rest()
    show.begin_series("Fog Signal", takes=3)
    show.refused("port front is gone")
    assert (show.phase, show.series) == (Phase.STANDING, None)


def test_a_reload_without_the_song_ends_the_series() -> None:
    """With it, the series goes on."""
    show = stage_at_rest()
    show.begin_series("Fog Signal", takes=3)
    play(show)
    assert show.with_session(show.places, SONGS, ()).series == show.series
    without = show.with_session((Place("Ropewalk"),), ("Ropewalk",), ())
    assert (without.series, without.phase) == (None, Phase.STANDING)


@given(takes=st.integers(1, 6), dies_in=st.integers(1, 6), closing=st.booleans())
def test_a_desk_that_dies_in_a_series_costs_no_take_of_it(takes: int, dies_in: int, closing: bool) -> None:
    """The next one knows how many are left, with the one that rolls."""
    show = stage_at_rest()
    show.begin_series("Fog Signal", takes=takes)
    rolled = 0
    while show.phase is Phase.CALLED:
        rolled += 1
        show.begun()
        if rolled == dies_in:
            if closing:
                show.ended("complete")
            series = show.series_to_resume
            assert series is not None
            series = Series.from_dict(series.to_dict())
            show = replace(stage_at_rest(), at=show.place_to_resume, series=series)
            show.begun()
        show.ended("complete")
        show.closed("clean", 0)
        show.tick(0)
    assert rolled == takes
    assert (show.phase, show.up.song) == (Phase.STANDING, "Ropewalk")


def test_a_desk_that_died_between_two_takes_is_followed_by_one_that_goes_on() -> None:
    """After the gap."""
    show = stage_at_rest()
    show.begin_series("Fog Signal", takes=2, gap_ns=5 * SECOND)
    play(show)
    again = Show(show.places, SONGS, Mode.STAY, at=show.place_to_resume, series=show.series_to_resume)
    assert again.begin(100 * SECOND) == []
    assert [each.do for each in again.tick(105 * SECOND)] == [Do.ROLL]


PASSAGE = Rehearsal.of_words({"from": "bar 3", "tempo": "80"})


def test_a_rehearsal_is_one_take_beside_the_order_and_again_repeats_it() -> None:
    """Any song, in the order or not up; what was up is up again; a plain roll makes `again` plain."""
    show = stage_at_rest()
    outcome, directives = show.order(Order("roll", "Net Loft", "", PASSAGE), 0)
    assert (outcome.text, [each.do for each in directives]) == (
        "Net Loft rolls: from bar 3, at 80 %",
        [Do.ROLL],
    )
    assert (show.up.song, show.rehearsal) == ("Net Loft", PASSAGE)
    play(show)
    assert (show.phase, show.up.song, show.series) == (Phase.STANDING, "Ropewalk", None)
    assert order(show, "again")
    assert (show.up.song, show.rehearsal) == ("Net Loft", PASSAGE)
    play(show)
    assert order(show, "roll")
    assert show.rehearsal.is_plain
    play(show)
    assert order(show, "again")
    assert (show.up.song, show.rehearsal.is_plain) == ("Ropewalk", True)


def test_a_rehearsal_without_a_name_is_of_the_song_that_is_up() -> None:
    """And one that nobody knows is refused by name."""
    show = stage_at_rest()
    assert not show.order(Order("roll", "Net Lofft", "", PASSAGE), 0)[0].done
    assert show == stage_at_rest()
    assert show.order(Order("roll", "", "", PASSAGE), 0)[0].done
    assert show.up.song == "Ropewalk"


def test_a_rehearsal_asked_for_while_the_last_take_is_closed_comes_as_soon_as_it_is() -> None:
    """It is rolled instead of what the order would bring."""
    show = stage_at_rest()
    order(show, "roll")
    show.begun()
    assert not show.order(Order("roll", "", "", PASSAGE), 0)[0].done
    show.ended("complete")
    assert show.order(Order("roll", "Ropewalk", "", PASSAGE), 0)[0].done
    assert [each.do for each in show.closed("clean", 0)] == [Do.ROLL]
    assert (show.up.song, show.rehearsal) == ("Ropewalk", PASSAGE)
    play(show)
    assert show.up.song == "Fog Signal"


def test_a_desk_started_again_in_a_rehearsal_knows_it() -> None:
    """What is carried over is what was asked for, so that `again` repeats it."""
    show = stage_at_rest()
    show.order(Order("roll", "Net Loft", "", PASSAGE), 0)
    show.begun()
    kept = show.series_to_resume
    assert kept is not None
    again = replace(stage_at_rest(), series=Series.from_dict(json.loads(json.dumps(kept.to_dict()))))
    again.begun()
    assert (again.playing, again.last_rehearsal, again.series) == (show.playing, PASSAGE, None)
