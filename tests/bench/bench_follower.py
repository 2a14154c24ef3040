"""What the follower costs for a clock, beside a bare Python loop in the same run; `python bench_follower.py`.

Run by pytest with `-m bench` as a check of the bar: at most 50 us a clock on the average.
"""

from __future__ import annotations

import random
import time

import pytest

from runner.sync import Follower, SteadyPrior
from runner.sync.listener import ClockListener

CLOCKS = 50_000
LIMIT_US = 50.0


def _arrivals(every_missing: int = 0) -> list[int]:
    source = random.Random(1)
    return [
        round(10**9 + k * 20_000_000 + source.gauss(0, 1e6))
        for k in range(CLOCKS)
        if not every_missing or k % every_missing
    ]


def _bare(arrivals: list[int]) -> float:
    last = total = 0
    begun = time.perf_counter()
    for arrival in arrivals:
        total += arrival - last
        last = arrival
    spent = time.perf_counter() - begun
    assert total == arrivals[-1]
    return spent / len(arrivals) * 1e6


def _feed(target: Follower | ClockListener, arrivals: list[int]) -> tuple[float, float]:
    """Return the mean and the 99.9th percentile of the cost of a clock in us."""
    target.start(0)
    costs = []
    clock = time.perf_counter_ns
    for arrival in arrivals:
        begun = clock()
        target.clock(arrival)
        costs.append(clock() - begun)
    costs.sort()
    return sum(costs) / len(costs) / 1e3, costs[int(len(costs) * 0.999)] / 1e3


def measure() -> dict[str, tuple[float, float]]:
    """Return (mean, 99.9th percentile) in us for each case, and the bare loop's mean twice."""
    plain, holed = _arrivals(), _arrivals(20)
    bare = _bare(plain)
    return {
        "bare loop": (bare, bare),
        "follower": _feed(Follower(prior=SteadyPrior(125.0)), plain),
        "follower, blind": _feed(Follower(), plain),
        "follower, one clock of 20 missing": _feed(Follower(prior=SteadyPrior(125.0)), holed),
        "follower and watch": _feed(ClockListener(prior=SteadyPrior(125.0)), plain),
    }


@pytest.mark.bench
def test_a_clock_costs_at_most_50_us() -> None:
    """The mean cost of a clock is at most 50 us, with the watch too."""
    for name, (mean, _) in measure().items():
        assert mean <= LIMIT_US, f"{name}: {mean:.1f} us"


if __name__ == "__main__":
    rows = measure()
    base = rows["bare loop"][0]
    for name, (mean, high) in rows.items():
        print(f"{name:36} mean {mean:7.2f} us  p99.9 {high:7.1f} us  {mean / base:6.0f} x bare")
