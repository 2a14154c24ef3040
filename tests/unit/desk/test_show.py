"""The show: what rolls when, what each order means in each phase, and how one song leads to the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.desk.actions import PLAIN, WITH_NAME, Order
from runner.desk.phases import ALLOWED, Do, Mode, Phase
from runner.desk.places import Place, places_of
from runner.desk.show import Show
from runner.session.model import OrderItem

SECOND = 1_000_000_000
SONGS = ("Ropewalk", "Fog Signal", "Net Loft")


def show(mode: Mode = Mode.STAY, places: Sequence[Place] | None = None) -> Show:
    """Return a show of three songs at its first place."""
    given_places = tuple(places or (Place(song, None, at) for at, song in enumerate(SONGS, 1)))
    return Show(given_places, SONGS, mode, machines=("drums", "bass"))


def said(a_show: Show, text: str, now_ns: int = 0) -> bool:
    """Give an order; return whether it was done."""
    word, _, name = text.partition(" ")
    outcome, _ = a_show.order(Order(word, name), now_ns)
    assert outcome.text or word in ("check", "reload")
    return outcome.done


def play(a_show: Show, outcome: str = "complete", now_ns: int = 0) -> list[Do]:
    """Let the roll that was called begin, end and be closed; return what is to be done then."""
    assert a_show.phase is Phase.CALLED
    a_show.begun()
    a_show.ended(outcome)
    return [directive.do for directive in a_show.closed("clean", now_ns)]


def test_the_daemon_waits_for_an_order_before_each_song() -> None:
    """Nothing rolls by itself; the place that is up moves on with each whole take."""
    stage = show()
    assert [directive.do for directive in stage.begin(0)] == [Do.PREPARE]
    assert stage.tick(10**15) == []
    assert said(stage, "roll")
    assert play(stage) == [Do.PREPARE]
    assert (stage.up.song, stage.phase, stage.waiting_for) == ("Fog Signal", Phase.STANDING, "roll")


def test_a_run_of_the_order_goes_from_song_to_song_and_leaves() -> None:
    """With a second between where the file says nothing, as it says otherwise, and then it is over."""
    places = [Place("Ropewalk", 8 * SECOND, 1), Place("Fog Signal", None, 2), Place("Net Loft", None, 3)]
    stage = show(Mode.ORDER, places)
    assert [directive.do for directive in stage.begin(0)] == [Do.ROLL]
    assert play(stage, now_ns=100 * SECOND) == [Do.PREPARE]
    assert stage.tick(108 * SECOND - 1) == []
    assert [directive.do for directive in stage.tick(108 * SECOND)] == [Do.ROLL]
    play(stage, now_ns=200 * SECOND)
    assert [directive.do for directive in stage.tick(201 * SECOND)] == [Do.ROLL]
    assert play(stage) == [Do.LEAVE]
    assert (stage.done, stage.clean) == (3, 3)


def test_wait_means_wait_in_an_unattended_run_too() -> None:
    """A place that says `wait` waits for an order; go is one."""
    stage = show(Mode.ORDER, [Place("Ropewalk", "wait", 1), Place("Fog Signal", None, 2)])
    stage.begin(0)
    play(stage)
    assert stage.tick(10**15) == []
    assert said(stage, "go")
    assert stage.phase is Phase.CALLED
    assert stage.up.song == "Fog Signal"


def test_songs_straight_on_are_one_roll() -> None:
    """The chain ends with the first place that does not go straight on."""
    places = [
        Place("Ropewalk", "straight-on", 1),
        Place("Fog Signal", "straight-on", 2),
        Place("Net Loft", "wait", 3),
        Place("Ropewalk", None, 4),
    ]
    stage = show(Mode.STAY, places)
    stage.begin(0)
    assert [place.song for place in stage.chain] == list(SONGS)
    assert said(stage, "roll")
    play(stage)
    assert (stage.up.number, len(stage.chain)) == (4, 1)


def test_a_song_that_was_stopped_is_up_again() -> None:
    """Stop ends the take; the same song waits, in an unattended run too."""
    for mode in (Mode.STAY, Mode.ORDER):
        stage = show(mode)
        stage.begin(0)
        if mode is Mode.STAY:
            said(stage, "roll")
        stage.begun()
        assert said(stage, "stop")
        stage.ended("stopped")
        stage.closed("interrupted", 0)
        assert (stage.up.song, stage.phase) == ("Ropewalk", Phase.STANDING)


def test_the_next_song_may_be_chosen_while_another_rolls() -> None:
    """next, song and place say what comes after; the song that rolls is left alone."""
    stage = show()
    stage.begin(0)
    said(stage, "roll")
    stage.begun()
    assert said(stage, "song Net Loft")
    assert stage.phase is Phase.ROLLING
    assert stage.next_song == "Net Loft"
    stage.ended("stopped")
    stage.closed("interrupted", 0)
    assert stage.up.song == "Net Loft"


def test_the_order_may_be_changed_while_a_song_rolls() -> None:
    """What was not in it is refused by name; the rest is played from its first song on."""
    stage = show()
    stage.begin(0)
    said(stage, "roll")
    stage.begun()
    outcome, _ = stage.order(Order("order", "Net Loft, Fogg Signal"), 0)
    assert not outcome.done
    assert "Fog Signal" in outcome.text
    assert said(stage, "order Net Loft, Fog Signal")
    stage.ended("complete")
    stage.closed("clean", 0)
    assert [place.song for place in stage.places] == ["Net Loft", "Fog Signal"]
    assert stage.up.song == "Net Loft"
    assert [place.song for place in stage.changed_order] == ["Net Loft", "Fog Signal"]


def test_again_rolls_the_song_that_was_played_last() -> None:
    """And before anything was played it is refused."""
    stage = show()
    stage.begin(0)
    assert not said(stage, "again")
    said(stage, "roll")
    play(stage)
    assert stage.up.song == "Fog Signal"
    assert said(stage, "again")
    assert [place.song for place in stage.chain] == ["Ropewalk"]


def test_again_leaves_nothing_out_where_the_song_comes_twice() -> None:
    """It goes back to the place that was played, and on from there."""
    places = [Place(song, None, at) for at, song in enumerate(("Ropewalk", "Fog Signal", "Ropewalk"), 1)]
    stage = show(places=places)
    stage.begin(0)
    said(stage, "roll")
    play(stage)
    assert said(stage, "again")
    assert stage.at == 0
    play(stage)
    assert stage.up.song == "Fog Signal"


def test_a_roll_ordered_while_the_last_take_is_closed_comes_as_soon_as_it_is() -> None:
    """It makes sense at that moment, so it is neither refused nor lost."""
    stage = show()
    stage.begin(0)
    said(stage, "roll")
    stage.begun()
    stage.ended("complete")
    assert said(stage, "roll")
    assert [directive.do for directive in stage.closed("clean", 0)] == [Do.ROLL]


def test_repeats_are_places_of_their_own_with_one_number() -> None:
    """Three times the first song, then the second."""
    order = [OrderItem.model_validate({"song": "Ropewalk", "repeat": 3}), OrderItem(song="Net Loft")]
    places = places_of(order)
    assert [(place.song, place.number, place.round_) for place in places] == [
        ("Ropewalk", 1, 1), ("Ropewalk", 1, 2), ("Ropewalk", 1, 3), ("Net Loft", 2, 1),
    ]  # fmt: skip
    assert str(places[1]) == "Ropewalk (2 of 3)"
    stage = show(Mode.STAY, places)
    assert said(stage, "place 2")
    assert stage.up.song == "Net Loft"


def test_a_failed_roll_lets_the_daemon_stand_and_a_run_end() -> None:
    """Nobody is there to help an unattended run."""
    stage = show()
    stage.begin(0)
    said(stage, "roll")
    assert stage.refused("no take could be made") == []
    assert stage.phase is Phase.STANDING
    run = show(Mode.ORDER)
    run.begin(0)
    assert [directive.do for directive in run.refused("no take could be made")] == [Do.LEAVE]


def test_what_a_desk_started_again_is_told_leads_to_the_same_place() -> None:
    """In mid-roll the place is the one that rolls, so that `begun` moves on from it as it did before."""
    stage = show()
    stage.begin(0)
    said(stage, "roll")
    play(stage)
    said(stage, "roll")
    stage.begun()
    again = replace(show(), at=stage.place_to_resume)
    again.begun()
    assert (again.at, again.playing) == (stage.at, stage.playing)


@pytest.mark.parametrize("word", [*PLAIN, *WITH_NAME])
def test_every_order_has_a_row_in_the_table(word: str) -> None:
    """No word that can be given is forgotten, and each has a method that obeys it."""
    assert ALLOWED[word]
    assert hasattr(Show, f"_{word}")


EVENTS = st.lists(
    st.sampled_from(
        ["roll", "stop", "again", "next", "previous", "arm", "go", "panic", "song Net Loft", "song Nobody",
         "place 2", "order Fog Signal, Ropewalk", "+begun", "+ended", "+stopped", "+closed", "+tick",
         "+series"]
    ),
    max_size=60,
)  # fmt: skip


@given(EVENTS, st.sampled_from(list(Mode)))
def test_no_order_at_any_moment_leads_out_of_the_show(events: list[str], mode: Mode) -> None:
    """Whatever is ordered when: the place stays within the order, a refusal changes nothing."""
    stage = show(mode)
    stage.begin(0)
    for event in events:
        if event == "+begun" and stage.phase is Phase.CALLED:
            stage.begun()
        elif event in ("+ended", "+stopped") and stage.phase is Phase.ROLLING:
            stage.ended("complete" if event == "+ended" else "stopped")
        elif event == "+closed" and stage.phase is Phase.CLOSING:
            if any(directive.do is Do.LEAVE for directive in stage.closed("clean", 0)):
                return
        elif event == "+tick":
            stage.tick(10**15)
        elif event == "+series":
            if mode is Mode.STAY:
                stage.begin_series("Fog Signal", takes=2)
        elif not event.startswith("+"):
            before = replace(stage)
            if not said(stage, event):
                assert stage == before
        assert 0 <= stage.at <= len(stage.places)
        assert stage.chain or stage.at == len(stage.places)
        assert stage.up in stage.places or stage.series is not None
