"""Moments and spans as they are written."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.music import (
    BarBeat,
    Edge,
    Moment,
    SectionName,
    Span,
    Unit,
    check_section_name,
    parse_moment,
    parse_span,
)


@pytest.mark.parametrize(
    ("text", "amount", "unit"),
    [
        ("2 bars", Fraction(2), Unit.BARS),
        ("1 bar", Fraction(1), Unit.BARS),
        ("3 beats", Fraction(3), Unit.BEATS),
        ("1/2 beat", Fraction(1, 2), Unit.BEATS),
        ("1 1/2 beats", Fraction(3, 2), Unit.BEATS),
        ("2.5 quarters", Fraction(5, 2), Unit.QUARTERS),
        ("2 min", Fraction(2), Unit.MINUTES),
        ("10 s", Fraction(10), Unit.SECONDS),
        ("10s", Fraction(10), Unit.SECONDS),
        ("120 ms", Fraction(120), Unit.MILLISECONDS),
        ("320 us", Fraction(320), Unit.MICROSECONDS),
        ("320 \u00b5s", Fraction(320), Unit.MICROSECONDS),
        ("320 \u03bcs", Fraction(320), Unit.MICROSECONDS),
        ("  4   Bars ", Fraction(4), Unit.BARS),
        ("+4 s", Fraction(4), Unit.SECONDS),
        ("0 s", Fraction(0), Unit.SECONDS),
        ("-0 s", Fraction(0), Unit.SECONDS),
    ],
)
def test_reads_spans(text: str, amount: Fraction, unit: Unit) -> None:
    """A span is an exact amount and a unit, in the forms that people write."""
    assert parse_span(text) == Span(amount, unit)


def test_a_sign_is_read_where_an_offset_may_have_one() -> None:
    """A machine's offset may be negative; other spans may not."""
    assert parse_span("-2.5 ms", signed=True) == Span(Fraction(-5, 2), Unit.MILLISECONDS)
    assert str(parse_span("-2.5 ms", signed=True)) == "-2.5 ms"
    with pytest.raises(ValueError, match=r"'-2\.5 ms' is negative: a span here is 0 or more"):
        parse_span("-2.5 ms")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (4, "4 has no unit: write '4 s', or ms, beats, bars"),
        (2.5, "2.5 has no unit"),
        ("4", "4 has no unit"),
        ("0", "0 has no unit"),
        ("4 barz", "'barz' is not a unit: did you mean 'bar"),
        ("4 furlongs", "'furlongs' is not a unit: use bars, beats"),
        ("4 s s", "'s s' is not a unit"),
        ("s", "is not a span such as"),
        ("", "is not a span such as"),
        (True, "is not a span such as"),
        ("two bars", "is not a span such as"),
        ("1,5 s", "decimal comma, write '1.5'"),
        ("1.2.3 s", "'1.2.3' is not a number"),
        ("1/0 bar", "divides by zero"),
        ("1e9 s", "'e9 s' is not a unit"),
        ("1234567890123 s", "more than 12 digits"),
        ("9" * 100_000, "is not a span such as"),
        ("1 " * 100_000 + "s", "is not a span such as"),
    ],
)
def test_refuses_what_is_no_span(text: str | int | float, words: str) -> None:
    """What is not a span is refused with the reason and the remedy, in a short message."""
    with pytest.raises(ValueError) as caught:
        parse_span(text)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("bar 17", Moment(BarBeat(17))),
        ("bar 17 beat 3", Moment(BarBeat(17, Fraction(3)))),
        ("Bar 40  Beat 2.5", Moment(BarBeat(40, Fraction(5, 2)))),
        ("bar 3 beat 1 1/3", Moment(BarBeat(3, Fraction(4, 3)))),
        ("bar 0", Moment(BarBeat(0))),
        ("bar -1 beat 2", Moment(BarBeat(-1, Fraction(2)))),
        ("start", Moment(Edge.START)),
        ("End", Moment(Edge.END)),
        ("refrain", Moment(SectionName("refrain"))),
        ("2 bars before refrain", Moment(SectionName("refrain"), Span(Fraction(2), Unit.BARS), -1)),
        ("120 ms after bar 3", Moment(BarBeat(3), Span(Fraction(120), Unit.MILLISECONDS), 1)),
        ("1/2 beat before end", Moment(Edge.END, Span(Fraction(1, 2), Unit.BEATS), -1)),
        ("1 beat after bar 3 beat 2.5", Moment(BarBeat(3, Fraction(5, 2)), Span(Fraction(1), Unit.BEATS), 1)),
        ("bridge, 2nd time", Moment(SectionName("bridge, 2nd time"))),
        ("after the storm", Moment(SectionName("after the storm"))),
        ("Ebbe und Flut: größer", Moment(SectionName("Ebbe und Flut: größer"))),
        ("bar room", Moment(SectionName("bar room"))),
        ("2nd refrain", Moment(SectionName("2nd refrain"))),
        (
            "1 beat after after the storm",
            Moment(SectionName("after the storm"), Span(Fraction(1), Unit.BEATS), 1),
        ),
    ],
)
def test_reads_moments_and_writes_them_back(text: str, moment: Moment) -> None:
    """A moment is a bar and beat, an end of the song or a section, perhaps shifted; its text reads back."""
    assert parse_moment(text) == moment
    assert parse_moment(str(moment)) == moment


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (17, "'17' is only a number: write a moment as"),
        ("17:3", "write a moment as 'bar 17 beat 3'"),
        ("17.3", "write a moment as 'bar 17 beat 3'"),
        ("-5", "is only a number"),
        ("", "is not a moment such as"),
        (False, "is not a moment such as"),
        ("bar 1.5", "write 'bar 17' or 'bar 17 beat 3'"),
        ("bar17x", "write 'bar 17' or 'bar 17 beat 3'"),
        ("bar 3 beat", "write 'bar 17' or 'bar 17 beat 3'"),
        ("bar 3 beat 0", "beats count from 1"),
        ("bar 3 beat 1/2", "beats count from 1"),
        ("bar 3 beat x", "'x' is not a number"),
        ("bar 3 beat 1,5", "decimal comma"),
        ("bar 1234567890123", "more than 12 digits"),
        ("2 bars", "is a span, not a moment: write '2 bars after start'"),
        ("2 barz before refrain", "did you mean 'bar"),
        ("2 before refrain", "2 has no unit"),
        ("-2 bars before refrain", "is negative"),
        ("1 bar before 1 bar after x", "more than one 'before' or 'after'"),
        ("x" * 201, "at most 200 characters, got 201"),
        ("1 " * 50_000 + "before x", "at most 200 characters"),
    ],
)
def test_refuses_what_is_no_moment(text: str | int, words: str) -> None:
    """What is nearly a moment is not silently taken for a section: the message says what to write."""
    with pytest.raises(ValueError) as caught:
        parse_moment(text)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize("name", ["refrain", "2nd verse", "bar room", "after the storm", "A"])
def test_accepts_names_that_mean_nothing_else(name: str) -> None:
    """Any text that cannot be read as another moment may name a section."""
    check_section_name(name)
    assert parse_moment(name) == Moment(SectionName(name))


@pytest.mark.parametrize(
    "name",
    ["start", "END", "bar 3", "bar3", "17", "2 bars", "1 bar before dawn", "", " verse", "a  b", "x" * 300],
)
def test_refuses_names_that_already_mean_a_moment(name: str) -> None:
    """A section cannot be called what is another moment, or what could never be written as one."""
    with pytest.raises(ValueError, match="cannot be a section name"):
        check_section_name(name)


_amounts = (
    st.integers(0, 10**12 - 1).map(Fraction)
    | st.builds(Fraction, st.integers(0, 10**6 - 1), st.integers(1, 10**6 - 1))
    | st.integers(0, 10**12 - 1).map(lambda number: Fraction(number, 10**6))
)
_spans = st.builds(Span, _amounts, st.sampled_from(list(Unit)))
_names = st.sampled_from(["refrain", "verse 2", "after the storm", "größer", "Slack Water", "bar room"])
_bases = (
    st.builds(BarBeat, st.integers(-9, 10**6), _amounts.map(lambda beat: 1 + beat % 97))
    | st.builds(SectionName, _names)
    | st.sampled_from(list(Edge))
)
_moments = st.builds(Moment, _bases) | st.builds(Moment, _bases, _spans, st.sampled_from([-1, 1]))


@given(_spans)
def test_every_span_reads_back(span: Span) -> None:
    """The text of a span means the same span."""
    assert parse_span(str(span)) == span


@given(_moments)
def test_every_moment_reads_back(moment: Moment) -> None:
    """The text of a moment means the same moment, and writing it again changes nothing."""
    again = parse_moment(str(moment))
    assert str(again) == str(moment)
    beat = moment.base.beat if isinstance(moment.base, BarBeat) else Fraction(1)
    if len(f"{beat.numerator}{beat.denominator}") <= 12:
        assert again == moment


@given(st.text(max_size=60) | st.text(alphabet="0123456789./-+ barbeatsmbeforeafter", max_size=40))
def test_any_text_is_a_moment_or_a_short_value_error(text: str) -> None:
    """Whatever is written gives a moment that reads back, or a ValueError in few words."""
    message = "none"
    try:
        moment = parse_moment(text)
    except ValueError as error:
        message = str(error)
    else:
        assert parse_moment(str(moment)) == moment
    assert 0 < len(message) < 250


@pytest.mark.parametrize("name", ["7", "17:3", "1/2"])
def test_a_number_as_a_section_name_is_told_what_to_write(name: str) -> None:
    """The hint is for a name, not for a moment."""
    with pytest.raises(ValueError, match="add a word, as in 'part 7'"):
        check_section_name(name)
