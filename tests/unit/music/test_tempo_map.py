"""The tempo map: exact both ways, fast in bulk, and honest about what it refuses."""

from __future__ import annotations

import math
import random
import time
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from runner.music import TempoChange, TempoMap

CLOCK = Fraction(1, 24)
RAMP = TempoMap(Fraction(116), [TempoChange(Fraction(160), Fraction(104), Fraction(16))])

tempos = st.fractions(min_value=4, max_value=999, max_denominator=1000)
places = st.fractions(min_value=-200, max_value=2000, max_denominator=960)
_gaps = st.fractions(min_value=Fraction(1, 8), max_value=100, max_denominator=96)
_ramps = st.just(Fraction(0)) | st.fractions(min_value=Fraction(1, 8), max_value=64, max_denominator=96)


@st.composite
def tempo_maps(draw: st.DrawFn) -> TempoMap:
    """Maps of up to eight steps and ramps, some of which touch."""
    changes, at = [], Fraction(0)
    for gap, bpm, over in draw(st.lists(st.tuples(st.just(Fraction(0)) | _gaps, tempos, _ramps), max_size=8)):
        if changes and gap == 0 and changes[-1].over == 0:
            gap = Fraction(1)
        at += gap
        changes.append(TempoChange(at, bpm, over))
        at += over
    return TempoMap(draw(tempos), changes)


def test_a_clock_at_125_bpm_is_20_ms_and_stays_so() -> None:
    """At 125 BPM the millionth clock comes at exactly 20,000 s."""
    tempo = TempoMap(Fraction(125))
    assert tempo.ns_at(1_000_000 * CLOCK) == 1_000_000 * 20_000_000
    grid = tempo.ns_of_grid(Fraction(0), CLOCK, 1_000_001)
    assert grid == list(range(0, 1_000_001 * 20_000_000, 20_000_000))


def test_rounding_does_not_accumulate_at_140_bpm() -> None:
    """At 140 BPM, whose clock is 125/7 ms, every clock is its own exact time rounded once."""
    grid = TempoMap(Fraction(140)).ns_of_grid(Fraction(0), CLOCK, 100_001)
    assert all(ns == round(Fraction(125_000_000 * clock, 7)) for clock, ns in enumerate(grid))
    assert grid[70_000] == 1_250_000_000_000


def test_halves_round_to_even_once_and_everywhere_alike() -> None:
    """Exact halves of a ns go to the even neighbour, singly and in the grid, before bar 1 and after."""
    tempo = TempoMap(Fraction(120))
    half_ns = Fraction(1, 10**9)
    grid = tempo.ns_of_grid(-4 * half_ns, half_ns, 9)
    assert grid == [-2, -2, -1, 0, 0, 0, 1, 2, 2]
    assert grid == [tempo.ns_at((index - 4) * half_ns) for index in range(9)]


def test_before_bar_1_the_first_tempo_holds() -> None:
    """The lead and the pre-roll run at the first tempo, even when the tempo changes at bar 1."""
    tempo = TempoMap(Fraction(60), [TempoChange(Fraction(0), Fraction(120))])
    assert [tempo.ns_at(quarters) for quarters in (-2, 0, 2)] == [-2_000_000_000, 0, 1_000_000_000]
    assert (tempo.bpm_at(-1), tempo.bpm_at(0)) == (60, 120)
    assert tempo.quarters_at(-500_000_000) == Fraction(-1, 2)


def test_a_step_and_a_ramp_may_begin_at_one_place() -> None:
    """A sudden tempo followed at once by a ramp is a step and a ramp at one place; the step is first."""
    tempo = TempoMap(
        Fraction(100),
        [TempoChange(Fraction(8), Fraction(90), Fraction(4)), TempoChange(Fraction(8), Fraction(60))],
    )
    assert [tempo.bpm_at(quarters) for quarters in (7, 8, 10, 12, 50)] == [100, 60, 75, 90, 90]


def test_a_ramp_is_linear_in_quarters_and_the_next_may_begin_where_it_ends() -> None:
    """Half way through a ramp the tempo is half way; touching ramps are fine."""
    tempo = TempoMap(
        Fraction(100),
        [
            TempoChange(Fraction(0), Fraction(140), Fraction(8)),
            TempoChange(Fraction(8), Fraction(80), Fraction(4)),
        ],
    )
    assert [tempo.bpm_at(quarters) for quarters in (0, 4, 8, 10, 12, 20)] == [100, 120, 140, 110, 80, 80]
    assert tempo.interval_ns_at(4) == pytest.approx(2.5e9 / 120, rel=1e-15)
    assert [segment.is_ramp for segment in tempo.segments] == [False, True, True, False]


def test_a_ramp_to_the_same_tempo_is_steady() -> None:
    """A ramp between equal tempos divides by nothing."""
    tempo = TempoMap(Fraction(90), [TempoChange(Fraction(4), Fraction(90), Fraction(4))])
    assert tempo.ns_at(12) == 8_000_000_000
    assert tempo.quarters_at(8_000_000_000) == 12


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([(4, 90, 8), (8, 100, 0)], "ends 12 quarters after bar 1 beat 1, after the next tempo change at 8"),
        ([(4, 90, 8), (11, 100, 4)], "after the next tempo change at 11"),
        ([(4, 90, 0), (4, 100, 0)], "two tempo changes at one place"),
        ([(4, 90, 2), (4, 100, 3)], "two tempo changes at one place"),
        ([(-1, 90, 0)], "bar 1 or later"),
        ([(4, 0, 0)], "above 0"),
        ([(4, -5, 0)], "above 0"),
        ([(4, 90, -1)], "negative length"),
    ],
)
def test_refuses_changes_that_cannot_be(changes: list[tuple[int, int, int]], words: str) -> None:
    """Ramps that run into the next change, two changes at one place, and impossible values are errors."""
    with pytest.raises(ValueError, match=words):
        TempoMap(Fraction(100), [TempoChange(Fraction(a), Fraction(b), Fraction(c)) for a, b, c in changes])


def test_refuses_floats_and_other_misuse() -> None:
    """Inexact numbers, a tempo of 0, an empty quarter and a grid that stands still are errors."""
    with pytest.raises(TypeError, match="musical time is exact"):
        TempoMap(112.1)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="above 0"):
        TempoMap(Fraction(0))
    tempo = TempoMap(Fraction(100))
    with pytest.raises(ValueError, match="1 tick or more"):
        tempo.ns_of_ticks([0], 0)
    with pytest.raises(ValueError, match="step above 0"):
        tempo.ns_of_grid(Fraction(0), Fraction(0), 3)
    with pytest.raises(ValueError, match="factor above 0"):
        tempo.scaled(Fraction(0))


def test_scaling_the_tempo_scales_the_time() -> None:
    """At twice the tempo everything comes in half the time, also across a ramp."""
    double = RAMP.scaled(Fraction(2))
    assert double.bpm_at(168) == 220
    for quarters in (-8, 0, 159, 165, 176, 400):
        assert abs(2 * double.ns_at(quarters) - RAMP.ns_at(quarters)) <= 1


def test_maps_are_values() -> None:
    """Two maps written in another order are equal and hash alike."""
    one, two = TempoChange(Fraction(4), Fraction(90)), TempoChange(Fraction(8), Fraction(95))
    assert TempoMap(Fraction(100), [one, two]) == TempoMap(Fraction(100), (two, one))
    assert len({TempoMap(Fraction(100), [one, two]), TempoMap(Fraction(100), (two, one))}) == 1


@given(tempo_maps(), st.integers(-(10**11), 10**13))
@example(RAMP, 85_000_000_000)
def test_time_to_position_and_back_is_the_same_ns(tempo: TempoMap, ns: int) -> None:
    """Every ns has a position, and that position is at this ns."""
    assert tempo.ns_at(tempo.quarters_at(ns)) == ns


@given(tempo_maps(), places)
def test_position_to_time_and_back_is_within_a_ns(tempo: TempoMap, quarters: Fraction) -> None:
    """A position comes back within the distance that the music covers in one ns."""
    back = tempo.quarters_at(tempo.ns_at(quarters))
    fastest = max(max(segment.first_bpm, segment.last_bpm) for segment in tempo.segments)
    assert abs(back - quarters) <= fastest / 60_000_000_000


@given(tempo_maps(), places, places)
def test_time_never_runs_backwards(tempo: TempoMap, one: Fraction, other: Fraction) -> None:
    """What is later in the music is later in time; a thousandth of a quarter is never less than a µs."""
    early, late = min(one, other), max(one, other)
    assert tempo.ns_at(early) <= tempo.ns_at(late)
    assert tempo.ns_at(late + Fraction(1, 1000)) - tempo.ns_at(late) >= 60_000


@given(tempo_maps(), places)
def test_tempo_is_the_slope_of_time(tempo: TempoMap, quarters: Fraction) -> None:
    """A short way ahead of any place, time has moved on as the tempo there says."""
    near = Fraction(1, 100_000)
    seen_ns = tempo.ns_at(quarters + near) - tempo.ns_at(quarters)
    tempos_here = [tempo.bpm_at(quarters), tempo.bpm_at(quarters + near)]
    assert float(near) * 60e9 / max(tempos_here) * 0.999 - 2 <= seen_ns
    assert seen_ns <= float(near) * 60e9 / min(tempos_here) * 1.001 + 2


@given(tempo_maps(), places, st.sampled_from([CLOCK, Fraction(1, 480), Fraction(7, 3)]), st.integers(0, 300))
def test_the_grid_is_every_place_on_its_own(
    tempo: TempoMap, first: Fraction, step: Fraction, count: int
) -> None:
    """The fast grid gives exactly what each of its places gives by itself."""
    grid = tempo.ns_of_grid(first, step, count)
    assert grid == [tempo.ns_at(first + index * step) for index in range(count)]


@given(tempo_maps(), st.lists(st.integers(-5000, 500_000), max_size=40), st.sampled_from([24, 96, 480, 960]))
def test_ticks_are_every_place_on_its_own(tempo: TempoMap, ticks: list[int], ppq: int) -> None:
    """The fast conversion of ticks, sorted or not, gives what each tick gives by itself, in order."""
    origin = Fraction(-3, 7)
    expected = [tempo.ns_at(origin + Fraction(tick, ppq)) for tick in ticks]
    assert tempo.ns_of_ticks(ticks, ppq, origin) == expected
    assert tempo.ns_of_ticks(sorted(ticks), ppq, origin) == sorted(expected)


def test_a_long_ramp_in_the_grid_is_exact_to_the_ns() -> None:
    """On a ramp of two hours the grid's float arithmetic gives the very ns of the exact one."""
    tempo = TempoMap(Fraction(40), [TempoChange(Fraction(0), Fraction(208), Fraction(12_000))])
    grid = tempo.ns_of_grid(Fraction(0), CLOCK, 12_000 * 24)
    for clock in random.Random(3).sample(range(len(grid)), 1500):
        assert grid[clock] == tempo.ns_at(clock * CLOCK)
    assert all(before < after for before, after in pairwise(grid))


def test_a_ramp_that_is_too_long_for_floats_is_still_exact_to_the_ns() -> None:
    """Where floats could round the wrong way (places far apart on one ramp), the grid stays exact."""
    tempo = TempoMap(Fraction(40), [TempoChange(Fraction(0), Fraction(208), Fraction(100_000))])
    grid = tempo.ns_of_grid(Fraction(1, 7), Fraction(49), 2000)
    assert grid == [tempo.ns_at(Fraction(1, 7) + 49 * index) for index in range(2000)]


def test_nearly_level_and_very_steep_ramps_hold() -> None:
    """A ramp of a billionth of a BPM, and one from 4 to 999 BPM within a clock, keep their ends."""
    level = TempoMap(Fraction(120), [TempoChange(Fraction(0), 120 + Fraction(1, 10**9), Fraction(16))])
    assert abs(level.ns_at(16) - 8_000_000_000) <= 1
    assert level.ns_of_grid(Fraction(0), CLOCK, 400) == [level.ns_at(n * CLOCK) for n in range(400)]
    steep = TempoMap(Fraction(4), [TempoChange(Fraction(0), Fraction(999), CLOCK)])
    step = CLOCK / 1000
    assert steep.ns_of_grid(Fraction(0), step, 1500) == [steep.ns_at(n * step) for n in range(1500)]


def test_a_thousand_odd_tempos_do_not_blow_up_the_arithmetic() -> None:
    """Many changes between unrelated tempos keep small numbers, stay monotonic and exact to the ns."""
    dice = random.Random(8)
    changes = [
        TempoChange(Fraction(at), Fraction(dice.randint(40_000, 200_003), 997), Fraction(at % 2, 3))
        for at in range(1, 1001)
    ]
    tempo = TempoMap(Fraction(100), changes)
    assert max(segment.start_ns.denominator.bit_length() for segment in tempo.segments) <= 256
    grid = tempo.ns_of_grid(Fraction(0), CLOCK, 24 * 1001)
    assert all(before < after for before, after in pairwise(grid))
    seconds, bpm = 60 / 100, 100.0
    for change in changes:
        over, following = float(change.over), float(change.bpm)
        if over and following != bpm:
            seconds += 60 * over / (following - bpm) * math.log(following / bpm)
        seconds += 60 * (1 - over) / following
        bpm = following
    assert abs(tempo.ns_at(1001) - seconds * 1e9) < 100
    for ns in dice.sample(grid, 50):
        assert tempo.ns_at(tempo.quarters_at(ns)) == ns


@pytest.mark.bench
def test_the_bulk_conversions_cost_little_more_than_a_division() -> None:
    """An hour's clock grid, and 200,000 ticks, take at most 15 times as long as as many integer divisions."""

    def best_of_five(work: object) -> float:
        times = []
        for _ in range(5):
            begun = time.perf_counter()
            work()  # type: ignore[operator]
            times.append(time.perf_counter() - begun)
        return min(times)

    yardstick = best_of_five(lambda: [index * 1_000_003 // 7 for index in range(180_000)])
    ticks = list(range(0, 800_000, 4))
    long_ramp = TempoMap(Fraction(100), [TempoChange(Fraction(0), Fraction(140), Fraction(8000))])
    for tempo in (TempoMap(Fraction(140)), RAMP, long_ramp):
        assert (
            best_of_five(lambda tempo=tempo: tempo.ns_of_grid(Fraction(0), CLOCK, 180_000)) < 15 * yardstick
        )
        assert best_of_five(lambda tempo=tempo: tempo.ns_of_ticks(ticks, 480)) < 15 * yardstick
