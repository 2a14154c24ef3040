"""The song's tempo as the follower's prior: times of counts, both ways, inside and outside the grid."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.sync import GridPrior, SteadyPrior


def test_a_steady_prior_has_24_clocks_a_quarter() -> None:
    """At 120 BPM a clock is 500 ms / 24 (MIDI 1.0 p. 30: 24 clocks a quarter note)."""
    assert SteadyPrior(120.0).ns_of(24) == pytest.approx(500_000_000)
    assert SteadyPrior(120.0).count_of(500_000_000) == pytest.approx(24)


@pytest.mark.parametrize("bpm", [0.0, -1.0, float("nan"), 1e6])
def test_a_senseless_tempo_is_refused(bpm: float) -> None:
    """A tempo that is no tempo raises and names the value."""
    with pytest.raises(ValueError, match="tempo must be"):
        SteadyPrior(bpm)


@pytest.mark.parametrize("grid", [[0], [5, 5], [0, 10, 10], [10, 0]])
def test_a_grid_that_does_not_rise_is_refused(grid: list[int]) -> None:
    """A clock grid needs two clocks or more, and rising ends."""
    with pytest.raises(ValueError, match=r"grid"):
        GridPrior(grid)


@given(
    st.lists(st.integers(1, 10**8), min_size=1, max_size=50),
    st.integers(-200, 200),
    st.floats(-300, 300, allow_nan=False),
)
def test_count_and_time_are_inverse(steps: list[int], first: int, count: float) -> None:
    """`count_of` undoes `ns_of` anywhere, on the grid and beyond its ends."""
    times = [0]
    for step in steps:
        times.append(times[-1] + step)
    prior = GridPrior(times, first)
    assert prior.count_of(prior.ns_of(count)) == pytest.approx(count, abs=1e-6)


def test_a_grid_gives_its_own_clocks_exactly() -> None:
    """On the grid nothing is rounded, between its clocks the way is straight, outside it goes on."""
    prior = GridPrior([0, 10, 30], first_count=-1)
    assert [prior.ns_of(count) for count in (-1, 0, 1)] == [0, 10, 30]
    assert prior.ns_of(0.5) == 20
    assert (prior.ns_of(-3), prior.ns_of(3)) == (-20, 70)
