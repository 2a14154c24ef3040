"""Clocks on their grid: what is missing or too many, whatever tempo, jitter or link does."""

from __future__ import annotations

import random
from collections.abc import Collection

import pytest

from runner.audit.grid import first_period, place_on_grid

CLOCK_NS = 20_000_000
LOST = (100, 101, 700, 1200)


def arrivals(
    count: int = 1536, *, lost: Collection[int] = (), changes: dict[int, float] | None = None,
    sigma_ns: float = 300_000, seed: int = 1,
) -> list[int]:  # fmt: skip
    """Return when clocks arrive; `changes` gives from which clock on an interval is so many times as long."""
    rng = random.Random(seed)
    times, t, factor = [], 1e9, 1.0
    for number in range(count):
        if number not in lost:
            times.append(round(t + rng.gauss(0, sigma_ns)))
        factor = (changes or {}).get(number, factor)
        t += CLOCK_NS * factor
    return sorted(times)


def held_back(times: list[int], stalls: list[tuple[int, int]]) -> list[int]:
    """Let a link stall from a time on for so long, and deliver what it held at 0.3 ms each."""
    for begin, span in stalls:
        row = 0
        for index, t in enumerate(times):
            if begin <= t < begin + span:
                times[index] = begin + span + 300_000 * row
                row += 1
    return sorted(times)


CHANGES = [
    {},
    {500: 1.2},
    {500: 1 / 1.2},
    {300: 1.05, 900: 0.95},
    {300 + 12 * step: 1 + 0.01 * step for step in range(1, 31)},
]


@pytest.mark.parametrize("changes", CHANGES)
@pytest.mark.parametrize("lost", [(), LOST])
def test_missing_clocks_are_counted_through_changes_of_tempo(
    changes: dict[int, float], lost: tuple[int, ...]
) -> None:
    """Steps by a fifth and a ramp by a third neither hide a missing clock nor look like one."""
    grid = place_on_grid(arrivals(lost=lost, changes=changes), CLOCK_NS)
    assert (grid.missing, grid.extra) == (len(lost), 0)


@pytest.mark.parametrize("seed", range(4))
def test_a_link_that_stalls_in_the_first_beat_does_not_spoil_the_interval(seed: int) -> None:
    """Most of the first intervals are the link's, not the clock's; the interval is right all the same."""
    times = held_back(arrivals(400, seed=seed), [(1_050_000_000, 150_000_000), (1_290_000_000, 180_000_000)])
    assert first_period(times) == pytest.approx(CLOCK_NS, rel=0.04)
    grid = place_on_grid(times, None)
    assert (grid.missing, grid.extra) == (0, 0)


def test_two_arrivals_and_fewer() -> None:
    """One gap is an interval; no gap is none."""
    assert first_period([5, 25]) == 20
    assert first_period([5]) is first_period([]) is first_period([7, 7]) is None


def test_a_record_that_ends_while_a_link_delivers_lacks_nothing() -> None:
    """What the link still held then is not missing; a hole with a clock in time after it is."""
    times = held_back(arrivals(400), [(8_000_000_000, 120_000_000)])
    cut = [t for t in times if t < 8_121_000_000]
    assert len(cut) < 358
    assert place_on_grid(cut, CLOCK_NS).missing == 0
    assert place_on_grid([t for t in cut if t < 8_000_000_000] + [8_120_000_000], CLOCK_NS).missing == 5


@pytest.mark.parametrize("seed", range(8))
def test_scatter_beyond_telling_is_no_loss(seed: int) -> None:
    """Jitter of four tenths of an interval about the song's own tempo: nothing says that a clock is gone."""
    grid = place_on_grid(arrivals(480, sigma_ns=0.4 * CLOCK_NS, seed=seed), CLOCK_NS)
    assert (grid.missing, grid.extra) == (0, 0)
