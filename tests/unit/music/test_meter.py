"""Meters, and bars through meter changes."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.music import Meter, MeterMap, Position

FOUR = Meter(4, 4)
THREE = Meter(3, 4)

meters = st.builds(Meter, st.integers(1, 17), st.sampled_from([1, 2, 4, 8, 16, 32, 64]))
meter_maps = st.builds(
    MeterMap,
    meters,
    st.lists(st.tuples(st.integers(1, 200), meters), max_size=6, unique_by=lambda change: change[0]),
)
places = st.fractions(min_value=-500, max_value=2000, max_denominator=960)


@pytest.mark.parametrize(
    ("text", "meter"),
    [
        ("4/4", FOUR),
        (" 7 / 8 ", Meter(7, 8)),
        ("1/64", Meter(1, 64)),
        ("2+2+3/8", Meter(7, 8, (2, 2, 3))),
        ("255/128", Meter(255, 128)),
    ],
)
def test_reads_a_meter_and_writes_it_back(text: str, meter: Meter) -> None:
    """A meter is read with or without its groups, and its text reads back."""
    assert Meter.parse(text) == meter
    assert Meter.parse(str(meter)) == meter


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("4", "is not a meter such as"),
        ("", "is not a meter such as"),
        ("4/4/4", "is not a meter such as"),
        ("-3/4", "is not a meter such as"),
        ("4.5/4", "is not a meter such as"),
        ("waltz", "is not a meter such as"),
        ("1+" * 100_000 + "1/4", "is not a meter such as"),
        ("0/4", "1 to 255 beats a bar, got 0"),
        ("256/4", "1 to 255 beats a bar, got 256"),
        ("4/3", "got 3"),
        ("4/0", "got 0"),
        ("4/256", "got 256"),
        ("0+4/4", "do not add up"),
    ],
)
def test_refuses_what_is_no_meter(text: str, words: str) -> None:
    """What is not a meter is refused with the reason, in a short message."""
    with pytest.raises(ValueError, match=words) as caught:
        Meter.parse(text)
    assert len(str(caught.value)) < 200


def test_refuses_groups_that_do_not_fill_the_bar() -> None:
    """The groups of a meter add up to its beats."""
    with pytest.raises(ValueError, match=r"2\+2 do not add up to 7 beats"):
        Meter(7, 8, (2, 2))


def test_lengths_of_a_bar_and_a_beat() -> None:
    """Lengths are exact, also below a clock."""
    assert (Meter(7, 8).quarters_per_bar, Meter(7, 8).quarters_per_beat) == (Fraction(7, 2), Fraction(1, 2))
    assert Meter(1, 64).clocks_per_bar == Fraction(3, 2)


def test_bars_before_bar_1_count_down_through_0() -> None:
    """The bar before bar 1 is bar 0, the one before that bar -1, in the first meter."""
    bars = MeterMap(THREE, [(1, FOUR)])
    assert bars.position(Fraction(-1, 2)) == Position(0, Fraction(7, 2))
    assert bars.position(-6) == Position(-1, Fraction(1))
    assert bars.bar_start(-1) == -6
    assert bars.bar_start(2) == 4
    assert bars.meter_of_bar(0) == THREE


def test_meter_changes_move_the_bars_that_follow() -> None:
    """From the bar of a change on, bars have the new length; the change itself is in the new meter."""
    bars = MeterMap(FOUR, [(5, Meter(7, 8)), (3, THREE)])
    assert [bars.bar_start(bar) for bar in (1, 3, 4, 5, 6)] == [0, 8, 11, 14, Fraction(35, 2)]
    assert bars.meter_at(8) == THREE
    assert bars.meter_at(Fraction(799, 100)) == FOUR
    assert bars.quarters(5, Fraction(7)) == 17
    assert bars.changes == ((3, THREE), (5, Meter(7, 8)))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([(0, THREE)], "bar 1 or later, got bar 0"),
        ([(7, THREE), (7, FOUR)], "two meter changes at bar 7"),
    ],
)
def test_refuses_changes_that_cannot_be(changes: list[tuple[int, Meter]], words: str) -> None:
    """A meter cannot change before bar 1, nor twice at one bar."""
    with pytest.raises(ValueError, match=words):
        MeterMap(FOUR, changes)


@pytest.mark.parametrize("beat", [Fraction(5), Fraction(1, 2), 0, Fraction(-3)])
def test_refuses_a_beat_that_the_bar_does_not_have(beat: Fraction) -> None:
    """A beat beyond the bar, or before its first, is an error that names the meter."""
    with pytest.raises(ValueError, match=r"bar 9 is in 4/4 and has beats 1 to 4, got beat"):
        MeterMap(FOUR).quarters(9, beat)


def test_a_beat_may_be_any_fraction_within_the_bar() -> None:
    """The last beat of a bar lasts until the bar line, which belongs to the next bar."""
    assert MeterMap(FOUR).quarters(2, Fraction(499, 100)) == Fraction(799, 100)
    with pytest.raises(ValueError, match="has only beat 1"):
        MeterMap(Meter(1, 64)).quarters(2, Fraction(2))


def test_far_bars_cost_no_more_than_near_ones() -> None:
    """A bar number of twelve digits is placed at once: nothing counts bar by bar."""
    bars = MeterMap(FOUR, [(10**11, THREE)])
    assert bars.bar_start(10**12) == 4 * (10**11 - 1) + 3 * (10**12 - 10**11)
    assert bars.position(bars.bar_start(10**12)) == Position(10**12)


@given(meter_maps, places)
def test_positions_and_quarters_are_inverse(bars: MeterMap, quarters: Fraction) -> None:
    """Quarters to bar and beat and back gives the same place, and the beat exists in its bar."""
    position = bars.position(quarters)
    assert bars.quarters(position.bar, position.beat) == quarters
    assert bars.bar_start(position.bar) <= quarters < bars.bar_start(position.bar + 1)


@given(meter_maps, places, places)
def test_positions_keep_their_order(bars: MeterMap, one: Fraction, other: Fraction) -> None:
    """What is later in quarters is later in bars and beats, in counted bars and in counted beats."""
    assert (one < other) == (bars.position(one) < bars.position(other))
    assert (one < other) == (bars.bars_at(one) < bars.bars_at(other))
    assert (one < other) == (bars.beats_at(one) < bars.beats_at(other))


@given(meter_maps, places)
def test_counted_bars_and_beats_are_inverse(bars: MeterMap, quarters: Fraction) -> None:
    """A place as a number of bars, or of beats, leads back to the same place."""
    assert bars.quarters_of_bars(bars.bars_at(quarters)) == quarters
    assert bars.quarters_of_beats(bars.beats_at(quarters)) == quarters


@given(meter_maps, st.integers(-20, 300))
def test_a_bar_is_as_long_as_its_meter_says(bars: MeterMap, bar: int) -> None:
    """From one bar line to the next are exactly the quarters and beats of the bar's own meter."""
    start, end = bars.bar_start(bar), bars.bar_start(bar + 1)
    assert end - start == bars.meter_of_bar(bar).quarters_per_bar
    assert bars.beats_at(end) - bars.beats_at(start) == bars.meter_of_bar(bar).numerator
    assert bars.bars_at(start) == bar


def test_positions_are_written_as_moments() -> None:
    """A position reads as people say it, and beats below 1 do not exist."""
    assert str(Position(17, Fraction(3))) == "bar 17 beat 3"
    assert str(Position(-1, Fraction(4, 3))) == "bar -1 beat 1 1/3"
    with pytest.raises(ValueError, match="beats count from 1"):
        Position(1, Fraction(1, 2))
