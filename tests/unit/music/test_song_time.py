"""What moments and spans mean in a song."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.music import (
    Meter,
    MeterMap,
    Point,
    Position,
    SongTime,
    Span,
    TempoChange,
    TempoMap,
    Unit,
    parse_moment,
    parse_span,
)

#: 4/4 to bar 24, 3/4 from bar 25 (refrain), 7/8 from bar 33; 120 BPM, 60 from bar 25 on
SONG = SongTime(
    MeterMap(Meter(4, 4), [(25, Meter(3, 4)), (33, Meter(7, 8))]),
    TempoMap(Fraction(120), [TempoChange(Fraction(96), Fraction(60))]),
    {"verse": 1, "refrain": 25, "coda": 33, "last call": 33},
    pre_roll_quarters=Fraction(8),
    end_quarters=Fraction(96 + 24 + 28),
)


@pytest.mark.parametrize(
    ("text", "quarters"),
    [
        ("bar 1", 0),
        ("bar 17 beat 3", 66),
        ("refrain", 96),
        ("start", -8),
        ("end", 148),
        ("bar 0 beat 4", -1),
        ("1 bar before refrain", 92),
        ("1 bar after refrain", 99),
        ("2 bars before bar 26", 92),
        ("2 bars after bar 24", 99),
        ("1/2 bar before refrain", 94),
        ("1/2 bar after refrain", Fraction(195, 2)),
        ("1 beat before coda", 119),
        ("1 beat after coda", Fraction(241, 2)),
        ("2 beats after bar 32 beat 3", Fraction(241, 2)),
        ("1 bar before bar 25 beat 2.5", 94),
        ("1 bar after bar 24 beat 3", Fraction(195, 2)),
        ("1 quarter after coda", 121),
        ("2 bars before start", -16),
        ("0 bars after refrain", 96),
    ],
)
def test_musical_spans_count_the_bars_and_beats_that_they_cross(text: str, quarters: Fraction) -> None:
    """Before a meter change bars and beats are the old ones, after it the new ones, and parts of them too."""
    assert SONG.resolve(parse_moment(text)) == Point(Fraction(quarters), 0)


def test_a_span_of_time_shifts_the_time_and_not_the_place() -> None:
    """120 ms before the refrain is the refrain's place with -120 ms, whatever the tempo about it."""
    point = SONG.resolve(parse_moment("120 ms before refrain"))
    assert point == Point(Fraction(96), -120_000_000)
    assert SONG.ns_of(point) == 48_000_000_000 - 120_000_000
    assert SONG.ns_of(SONG.resolve(parse_moment("1 min after bar 2"))) == 62_000_000_000


def test_times_follow_the_tempo() -> None:
    """The start of the pre-roll is before zero; after the tempo change quarters last a second."""
    assert SONG.ns_of(SONG.resolve(parse_moment("start"))) == -4_000_000_000
    assert SONG.ns_of(SONG.resolve(parse_moment("end"))) == 48_000_000_000 + 52_000_000_000
    assert SONG.start_quarters == -8


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("refran", "'refran' is not a moment or a section: did you mean 'refrain'?"),
        ("bridge over it", "the song has verse, refrain, coda, last call"),
        ("bar 25 beat 4", "bar 25 is in 3/4 and has beats 1 to 3, got beat 4"),
    ],
)
def test_refuses_moments_that_the_song_does_not_have(text: str, words: str) -> None:
    """An unknown section and a beat beyond its bar are errors that say what there is."""
    with pytest.raises(ValueError) as caught:
        SONG.resolve(parse_moment(text))
    assert words in str(caught.value)


def test_a_song_without_sections_says_so() -> None:
    """Where there is no section at all, the message shows the other forms."""
    song = SongTime(MeterMap(Meter(4, 4)), TempoMap(Fraction(100)))
    with pytest.raises(ValueError, match="the song has no sections; write 'bar 17 beat 3'"):
        song.resolve(parse_moment("refrain"))


def test_lengths_of_spans() -> None:
    """Spans of time have ns, musical spans have quarters where they lie, and neither has the other."""
    assert SONG.span_ns(parse_span("2.5 ms")) == 2_500_000
    assert SONG.span_ns(parse_span("-1/3 us", signed=True)) == -333
    assert SONG.span_quarters(parse_span("1 bar"), Fraction(96)) == 3
    assert SONG.span_quarters(parse_span("1 bar"), Fraction(96), backward=True) == 4
    assert SONG.span_quarters(parse_span("3 quarters"), Fraction(96), backward=True) == 3
    with pytest.raises(ValueError, match="2 bars is a length of music"):
        SONG.span_ns(parse_span("2 bars"))
    with pytest.raises(ValueError, match="10 s is a length of time"):
        SONG.span_quarters(parse_span("10 s"), Fraction(0))


@pytest.mark.parametrize(
    ("quarters", "text"),
    [
        (Fraction(66), "bar 17 beat 3"),
        (Fraction(-8), "bar -1 beat 1"),
        (Fraction(1, 24), "bar 1 beat 1 1/24"),
        (Fraction(241, 2), "bar 33 beat 2"),
        (0.5, "bar 1 beat 1.5"),
        (Fraction(10**15 - 1, 10**15), "bar 1 beat 2"),
        (4 - Fraction(1, 10**15), "bar 2 beat 1"),
        (Fraction(123_456_789, 10**8), "bar 1 beat 2.235"),
    ],
)
def test_places_in_words(quarters: Fraction, text: str) -> None:
    """A place is told as bar and beat: exact on usual grids, else to 1/1000, carried over bar lines."""
    assert SONG.at_text(quarters) == text
    assert parse_moment(SONG.at_text(quarters)).shift is None


@pytest.mark.parametrize(
    ("quarters", "section"),
    [(-1, None), (0, "verse"), (95.9, "verse"), (96, "refrain"), (120, "last call"), (999, "last call")],
)
def test_sections_hold_until_the_next(quarters: float, section: str | None) -> None:
    """A section lasts until the next one's bar; before the first there is none; a later name wins its bar."""
    assert SONG.section_at(quarters) == section


_places = st.fractions(min_value=-50, max_value=300, max_denominator=96)
_amounts = st.fractions(min_value=0, max_value=40, max_denominator=48)
_units = st.sampled_from([Unit.BARS, Unit.BEATS, Unit.QUARTERS])


@given(_places, _amounts, _units)
def test_going_forward_and_back_by_a_musical_span_ends_where_it_began(
    place: Fraction, amount: Fraction, unit: Unit
) -> None:
    """A span after a place, and the same span before where that led, lead back, over any meter change."""
    span = Span(amount, unit)
    ahead = SONG.span_quarters(span, place)
    assert ahead >= 0
    assert SONG.span_quarters(span, place + ahead, backward=True) == ahead


@given(_places, _amounts, _amounts, _units)
def test_two_spans_in_a_row_are_their_sum(place: Fraction, one: Fraction, two: Fraction, unit: Unit) -> None:
    """Walking a span in two parts reaches the same place as walking it at once."""
    first = SONG.span_quarters(Span(one, unit), place)
    second = SONG.span_quarters(Span(two, unit), place + first)
    assert first + second == SONG.span_quarters(Span(one + two, unit), place)


@given(st.integers(-10, 60), st.integers(0, 40))
def test_whole_bars_from_a_bar_line_end_at_a_bar_line(bar: int, count: int) -> None:
    """From bar N, M bars lead to bar N+M, and back, whatever the meters between."""
    point = SONG.resolve(parse_moment(f"{count} bars after bar {bar}"))
    assert SONG.meters.position(point.quarters) == Position(bar + count)
    point = SONG.resolve(parse_moment(f"{count} bars before bar {bar}"))
    assert SONG.meters.position(point.quarters) == Position(bar - count)


@given(_places)
def test_the_text_of_a_place_leads_back_to_it(place: Fraction) -> None:
    """What at_text says of a place on a usual grid, parse_moment and resolve take back to it exactly."""
    assert SONG.resolve(parse_moment(SONG.at_text(place))) == Point(place)
