"""Loops and holds: the song runs on into them, their seams lose no clock, and nothing is left sounding."""

from __future__ import annotations

import itertools
from collections import Counter

import pytest
from songs import BAR_NS, BEAT_NS, clock_times, compiled, part_of, sent

from runner.errors import UsageError
from runner.music import parse_moment
from runner.plan.loops import Loop

MS = 1_000_000
PART = "parts: [{file: parts/ropewalk.mid, machine: bass}]"
LOCATED = (
    "seq: {port: front, channel: 1, follows: [clock, transport, position]}\nbass: {port: cable, channel: 2}\n"
)


def loop(first: str, last: str, passes: int) -> Loop:
    """Return a loop between two moments."""
    return Loop(parse_moment(first), parse_moment(last), passes)


def test_a_loop_plays_its_bars_as_often_as_asked_without_a_gap() -> None:
    """Bars 3 and 4 three times in all: 8 + 2 x 2 bars of clock, evenly spaced, one Start, one Stop."""
    song = compiled(loops=[loop("bar 3", "bar 5", 3)])
    clocks = clock_times(song, "front")
    assert len(clocks) == 12 * 96
    assert {after - before for before, after in itertools.pairwise(clocks)} <= {
        20833333,
        20833334,
        20833332,
    }
    assert sent(song, "front") == [(-2 * MS, "FA"), (12 * BAR_NS, "FC")]


def test_the_first_pass_belongs_to_the_leg_before() -> None:
    """Legs: up to the loop's end, the loop twice more, the rest; each ends where the next begins."""
    song = compiled(loops=[loop("bar 3", "bar 5", 3)])
    legs = song.course.legs
    assert [leg.repeats for leg in legs] == [1, 2, 1]
    assert [(leg.timeline.entry_ns, leg.timeline.exit_ns) for leg in legs] == [
        (0, 4 * BAR_NS),
        (2 * BAR_NS, 4 * BAR_NS),
        (4 * BAR_NS, 8 * BAR_NS),
    ]
    assert [leg.timeline.exit_silence for leg in legs] == [False, False, True]


@pytest.mark.parametrize("position", ["", ", position"])
def test_a_loop_from_bar_1_starts_the_machines_that_start_there(position: str) -> None:
    """They play on each pass: Stop and Start between two clocks, the Start 1 ms ahead of its clock at least.

    MIDI 1.0 Detailed Specification 4.2.1, p. 30: Start plays from the beginning, with the next clock, which
    is sent at least 1 ms later.
    """
    machines = LOCATED.replace(", position", position)
    song = compiled(machines=machines, loops=[loop("bar 1", "bar 3", 3)])
    transport = [(t_ns, text) for t_ns, text in sent(song, "front") if text[0] == "F"]
    assert [text for _, text in transport] == ["FA", "FC", "FA", "FC", "FA", "FC"]
    clocks = clock_times(song, "front")
    for seam, (stop, start) in ((2, transport[1:3]), (4, transport[3:5])):
        seam_ns = seam * BAR_NS
        assert [t_ns for t_ns in clocks if stop[0] <= t_ns <= start[0]] == []
        assert seam_ns - 20 * MS < stop[0] < start[0] <= seam_ns - MS
    assert transport[-1][0] == 12 * BAR_NS


def test_a_machine_that_cannot_be_located_plays_on_and_that_is_said_once() -> None:
    """A note names it, however often the loop comes round; for one that follows position there is none."""
    song = compiled(loops=[loop("bar 3", "bar 5", 9)])
    (note,) = song.problems
    assert (note.severity, note.path) == ("note", "machines.drums")
    assert "plays on from where it is" in note.message
    assert compiled(machines=LOCATED, loops=[loop("bar 3", "bar 5", 9)]).problems == []


def test_a_hold_repeats_until_told() -> None:
    """0 passes: the repeated leg has no end of its own."""
    assert [leg.repeats for leg in compiled(loops=[loop("bar 3", "bar 5", 0)]).course.legs] == [1, 0, 1]


def test_a_loop_of_one_pass_is_the_song_as_written() -> None:
    """Played once, a loop sends what the song sends."""
    once = compiled(loops=[loop("bar 3", "bar 5", 1)])
    assert sent(once, clocks=True) == sent(compiled(), clocks=True)


def test_notes_across_the_seam_are_ended_and_struck_again_where_they_should_sound() -> None:
    """A note from bar 2 to bar 6 is cut at each seam and restarted at the loop's beginning and after it."""
    part = part_of([(1920, 5 * 1920, 40)])
    song = compiled(PART, {0: part}, loops=[loop("bar 3", "bar 5", 3)])
    assert sent(song, "cable") == [
        (BAR_NS, "91 28 64"),
        (4 * BAR_NS, "81 28 40"),
        (4 * BAR_NS, "91 28 64"),
        (6 * BAR_NS, "81 28 40"),
        (6 * BAR_NS, "91 28 64"),
        (8 * BAR_NS, "81 28 40"),
        (8 * BAR_NS, "91 28 64"),
        (9 * BAR_NS, "81 28 40"),
    ]


def test_a_note_that_begins_in_the_loop_and_ends_behind_it_is_cut_in_every_pass() -> None:
    """From bar 4 to bar 6: struck in each pass, cut at the seam, and struck again after the last."""
    part = part_of([(3 * 1920, 5 * 1920, 40)])
    messages = sent(compiled(PART, {0: part}, loops=[loop("bar 3", "bar 5", 2)]), "cable")
    assert Counter(text for _, text in messages) == {"91 28 64": 3, "81 28 40": 3}
    assert messages[1][0] == 4 * BAR_NS
    assert messages[2][0] == 5 * BAR_NS


def test_state_of_the_loops_beginning_is_brought_back() -> None:
    """A controller that changes within the loop is set back when it comes round, and not when it goes on."""
    cues = """
    cues:
      - {at: bar 2, machine: bass, control: 74, value: 1}
      - {at: bar 4, machine: bass, control: 74, value: 2}
    """
    messages = sent(compiled(cues, loops=[loop("bar 3", "bar 5", 2)]), "cable")
    assert [text for _, text in messages] == ["B1 4A 01", "B1 4A 02", "B1 4A 01", "B1 4A 02"]
    assert 4 * BAR_NS - 10 * MS < messages[2][0] < 4 * BAR_NS


def test_a_program_that_is_brought_back_is_early_enough() -> None:
    """The machine has settled when the loop comes round."""
    cues = "cues: [{at: bar 2, machine: bass, program: 1}, {at: bar 4, machine: bass, program: 2}]"
    machines = "bass: {port: cable, channel: 2, settle: 50 ms}\n"
    messages = sent(compiled(cues, machines=machines, loops=[loop("bar 3", "bar 5", 2)]), "cable")
    assert [text for _, text in messages] == ["C1 00", "C1 01", "C1 00", "C1 01"]
    assert messages[2][0] <= 4 * BAR_NS - 50 * MS - 640_000


def test_machines_with_position_are_located_between_two_clocks() -> None:
    """Stop, Song Position 32, Continue within one clock's interval: no clock is lost or counted twice."""
    song = compiled(machines=LOCATED, loops=[loop("bar 3", "bar 5", 2)])
    messages = sent(song, "front")
    assert [text for _, text in messages] == ["FA", "FC", "F2 20 00", "FB", "FC"]
    seam = 4 * BAR_NS
    clocks = clock_times(song, "front")
    last = max(clock for clock in clocks if clock < seam)
    times = [t_ns for t_ns, _ in messages[1:4]]
    assert last < times[0] < times[1] < times[2] <= seam - MS
    assert len(clocks) == 10 * 96


def test_machines_are_not_located_where_the_clocks_leave_no_room() -> None:
    """At 400 BPM a clock interval is 6.25 ms: the machine runs on, and that is told."""
    text = "tempo: 400\nmeter: 4/4\nlength: 8 bars"
    song = compiled(text, machines=LOCATED, loops=[loop("bar 3", "bar 5", 2)])
    assert [text for _, text in sent(song, "front")] == ["FA", "FC"]
    assert any("not located" in problem.message for problem in song.problems)


def test_machines_that_only_count_run_on() -> None:
    """A drum machine that follows transport but no position just goes on playing."""
    assert [text for _, text in sent(compiled(loops=[loop("bar 3", "bar 5", 2)]), "front")] == ["FA", "FC"]


def test_two_loops_come_one_after_the_other() -> None:
    """Bars 2 twice and bars 5-6 twice: 3 bars more."""
    song = compiled(loops=[loop("bar 2", "bar 3", 2), loop("bar 5", "bar 7", 2)])
    assert len(clock_times(song, "front")) == 11 * 96
    assert [leg.repeats for leg in song.course.legs] == [1, 1, 1, 1, 1]


@pytest.mark.parametrize(
    ("first", "last"), [("bar 5", "bar 5"), ("bar 5", "bar 3"), ("bar 5", "bar 20"), ("nowhere", "bar 5")]
)
def test_impossible_loops_are_refused(first: str, last: str) -> None:
    """A loop lies within the roll and has a length."""
    with pytest.raises(UsageError):
        compiled(loops=[loop(first, last, 2)])


def test_a_loop_begins_with_a_roll_from_within() -> None:
    """From bar 5, looping bars 5 and 6: entry, then the loop, then the rest."""
    song = compiled("lead: 1 s", from_="bar 5", loops=[loop("bar 5", "bar 7", 2)])
    assert len(clock_times(song, "front")) == 48 + (2 + 2 + 2) * 96
    assert song.course.legs[0].timeline.entry_ns == 8 * BEAT_NS * 2


def test_what_a_loop_left_in_force_goes_back_to_rest_at_its_beginning() -> None:
    """Bend, wheel and pedal of bar 4, never said before bar 3, are at rest there (RP-015); volume stays."""
    others = [(5760, "E1 00 60"), (5760, "B1 01 50"), (5760, "B1 07 33"), (5760, "B1 40 7F")]
    song = compiled(PART, {0: part_of([], others)}, loops=[loop("bar 3", "bar 5", 2)])
    seam = [(t_ns, text) for t_ns, text in sent(song, "cable") if 3.9 * BAR_NS < t_ns < 4.5 * BAR_NS]
    assert sorted(text for _, text in seam) == ["B1 01 00", "B1 40 00", "E1 00 40"]
    assert all(t_ns <= 4 * BAR_NS for t_ns, _ in seam)


def test_a_pedal_that_is_down_on_both_sides_of_a_seam_comes_up_between() -> None:
    """Up at the seam and down after its Note Offs, else the old notes would go on sounding."""
    part = part_of([(7200, 9600, 40)], [(0, "B1 40 7F")])
    song = compiled(PART, {0: part}, loops=[loop("bar 3", "bar 5", 2)])
    seam = [text for t_ns, text in sent(song, "cable") if abs(t_ns - 4 * BAR_NS) < 1_000]
    assert sorted(seam[:-1]) == ["81 28 40", "B1 40 00"]
    assert seam[-1] == "B1 40 7F"
