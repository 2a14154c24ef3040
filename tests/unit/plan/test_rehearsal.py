"""What a user asks for on the way: loops in words, percent of the tempo, muted and soloed machines."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import pytest
from songs import BAR_NS, clock_times, load, part_of

from runner.errors import UsageError
from runner.music import parse_moment
from runner.plan.compile import CompiledSong
from runner.plan.loops import Loop, parse_loop
from runner.plan.rehearsal import Rehearsal, compile_rehearsal, parse_percent, percent_text

MACHINES = """
drums: {port: front, channel: 10, follows: [clock, transport]}
bass: {port: cable, channel: 2}
organ: {port: cable, channel: 3}
"""
PARTS = "parts: [{file: a.mid, machine: bass}, {file: b.mid, machine: organ}]"


def rehearsed(rehearsal: Rehearsal) -> CompiledSong:
    loaded = load(PARTS, machines=MACHINES)
    parts = {0: part_of([(0, 480, 40)], channel=2), 1: part_of([(0, 480, 64)], channel=3)}
    return compile_rehearsal(loaded.session, loaded.session.songs[0], parts, rehearsal, marks=loaded.marks)


@pytest.mark.parametrize(
    ("text", "first", "last", "passes"),
    [
        ("bar 9 to bar 17, 4 times", "bar 9", "bar 17", 4),
        ("refrain to bridge", "refrain", "bridge", 0),
        ("refrain to end, until told", "refrain", "end", 0),
        (" bar 2  beat 3 TO 1 beat before refrain ,1 time", "bar 2 beat 3", "1 beat before refrain", 1),
    ],
)
def test_loops_are_read_in_words(text: str, first: str, last: str, passes: int) -> None:
    """Two moments and perhaps a count; without one it goes round until told, and its text reads back."""
    loop = parse_loop(text)
    assert loop == Loop(parse_moment(first), parse_moment(last), passes)
    assert parse_loop(str(loop)) == loop


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "not a loop"),
        ("bar 9", "not a loop"),
        ("bar 9 to", "not a loop"),
        ("bar 9 to 17", "bar 17 beat 3"),
        ("bar 9 to bar 17, twice", "4 times"),
        ("bar 9 to bar 17, 0 times", "1 to 10,000"),
        ("bar 9 to bar 17, 99999999999 times", "1 to 10,000"),
        ("bar 9 to " + "x" * 500, "at most"),
    ],
)
def test_what_is_no_loop_is_refused_with_an_example(text: str, told: str) -> None:
    """A loop without its end, with a bare number, or with a count that is none."""
    with pytest.raises(ValueError, match=told):
        parse_loop(text)


def test_the_songs_sections_tell_which_to_is_meant() -> None:
    """With a section called `Back to quay`, the `to` inside of its name does not part the loop."""
    loop = parse_loop("Back to quay to end, 2 times", ["Back to quay"])
    assert loop == Loop(parse_moment("Back to quay"), parse_moment("end"), 2)


@pytest.mark.parametrize(("text", "factor"), [("90", "9/10"), ("87.5 %", "7/8"), ("120%", "6/5")])
def test_a_tempo_in_percent_is_exact(text: str, factor: str) -> None:
    """Percent with or without its sign, as an exact factor that reads back."""
    assert parse_percent(text) == Fraction(factor)
    assert parse_percent(percent_text(Fraction(factor))) == Fraction(factor)


@pytest.mark.parametrize("text", ["", "9", "401", "fast", "-90", "0.9", "nan", "90 bpm"])
def test_other_tempos_are_refused(text: str) -> None:
    """Not a number, or outside 10 to 400 percent."""
    with pytest.raises(ValueError, match=r"number|percent"):
        parse_percent(text)


def test_it_goes_through_json_unchanged() -> None:
    """What the command line read reaches the desk as it was, fractions included."""
    rehearsal = Rehearsal(
        parse_moment("bar 2 beat 1 1/3"),
        parse_moment("end"),
        (parse_loop("bar 3 to bar 5, 3 times"), parse_loop("bar 5 to 2 beats after bar 6")),
        Fraction(7, 8),
        ("bass",),
        ("organ",),
    )
    assert Rehearsal.from_dict(json.loads(json.dumps(rehearsal.to_dict()))) == rehearsal
    assert Rehearsal.from_dict({}) == Rehearsal()
    assert Rehearsal().is_plain


def test_a_slower_tempo_stretches_all_and_loses_no_clock() -> None:
    """At 80 percent 8 bars of 4/4 still have 768 clocks, and bar 8 begins a quarter later in time."""
    song = rehearsed(Rehearsal(tempo_scale=Fraction(4, 5)))
    clocks = clock_times(song, "front")
    assert len(clocks) == 768
    assert clocks[7 * 96] == 7 * BAR_NS * 5 // 4


@pytest.mark.parametrize(
    ("muted", "soloed", "heard"),
    [
        ((), (), {"bass", "organ"}),
        (("bass",), (), {"organ"}),
        ((), ("bass",), {"bass"}),
        (("bass",), ("bass",), set()),
    ],
)
def test_parts_are_muted_and_soloed_by_machine(
    muted: tuple[str, ...], soloed: tuple[str, ...], heard: set[str]
) -> None:
    """Muted parts are not sent, with a solo only that machine's are; muting wins; the clock stays."""
    song = rehearsed(Rehearsal(muted=muted, soloed=soloed))
    assert {row["machine"] for row in song.rows() if row["bytes"].startswith("9")} == heard
    assert len(clock_times(song, "front")) == 768


def test_what_the_song_does_not_have_is_the_users_affair_not_the_files() -> None:
    """An unknown machine, section, or a moment before the song is a UsageError that names no file."""
    asked = {
        "did you mean organ?": Rehearsal(muted=("orgna",)),
        "names": Rehearsal(from_=parse_moment("refrain")),
        "bar 1 beat 1": Rehearsal(from_=parse_moment("bar -3")),
        "cannot loop": Rehearsal(loops=(parse_loop("bar 7 to bar 30, 2 times"),)),
    }
    for told, rehearsal in asked.items():
        with pytest.raises(UsageError) as caught:
            rehearsed(rehearsal)
        assert told in str(caught.value) or "is not a moment or a section" in str(caught.value)
        assert "quay.yaml" not in str(caught.value)


def test_all_that_is_wrong_is_said_at_once() -> None:
    """A wrong beginning and a wrong loop are told together, each end of the loop by itself."""
    with pytest.raises(UsageError) as caught:
        rehearsed(Rehearsal(from_=parse_moment("bar 99"), loops=(parse_loop("x to y"),)))
    assert len(str(caught.value).splitlines()) == 3


def test_notes_that_sound_at_an_entry_are_struck_again_if_it_is_asked_for() -> None:
    """A note from bar 1 to bar 3, entered in bar 2: silent, or struck at the entry and ended at its end."""
    loaded = load(PARTS, machines=MACHINES)
    parts = {0: part_of([(0, 3840, 40)], channel=2), 1: part_of([], channel=3)}
    entry = Rehearsal(from_=parse_moment("bar 2"))
    sent = [
        [
            (row["t_ns"], row["bytes"])
            for row in compile_rehearsal(loaded.session, loaded.session.songs[0], parts, each).rows()
            if row["bytes"][0] in "89"
        ]
        for each in (entry, replace(entry, sustained=True))
    ]
    assert sent == [[], [(BAR_NS, "91 28 64"), (2 * BAR_NS, "81 28 40")]]


def test_what_is_asked_for_reads_back_in_words_and_as_data() -> None:
    """Both ways are exact, so that what a daemon does is what was written."""
    words = {
        "from": "bar 3 beat 2", "to": "1 bar before end", "loops": ["bar 4 to bar 5, 3 times"],
        "tempo": "87.5 %", "mute": ["bass"], "solo": ["organ"], "sustained": True,
    }  # fmt: skip
    asked = Rehearsal.of_words(words)
    assert asked.words() == words
    assert Rehearsal.from_dict(json.loads(json.dumps(asked.to_dict()))) == asked
    assert (Rehearsal().words(), Rehearsal().text, Rehearsal.of_words({})) == ({}, "", Rehearsal())


def test_what_is_asked_for_one_roll_comes_beside_what_holds_for_all() -> None:
    """Its own tempo and solo if it has some, else those of the run; muted is what either mutes."""
    run = Rehearsal.of_words({"tempo": "90", "mute": ["drums"], "solo": ["organ"]})
    one = Rehearsal.of_words({"from": "bar 2", "mute": ["bass", "drums"]})
    assert run.asking(one).words() == {
        "from": "bar 2", "tempo": "90 %", "mute": ["drums", "bass"], "solo": ["organ"],
    }  # fmt: skip
    assert run.asking(Rehearsal.of_words({"tempo": "80", "solo": ["bass"]})).words() == {
        "tempo": "80 %", "mute": ["drums"], "solo": ["bass"],
    }  # fmt: skip
