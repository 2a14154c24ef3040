"""The audit's statistics against numpy and scipy, and its tempo against pulse trains made there."""

from __future__ import annotations

import allantools
import numpy as np
import pytest
from scipy import stats

from runner.audit.grid import place_on_grid
from runner.audit.statistics import Spread, least_squares, quantile
from runner.audit.steadiness import SPANS_BEATS, beat_errors, steadiness


@pytest.mark.parametrize("size", [1, 2, 3, 10, 999, 20_000])
def test_quantiles_are_those_of_numpy(size: int) -> None:
    """numpy.quantile (method "linear", Hyndman and Fan definition 7) gives the same quantiles."""
    values = np.random.default_rng(size).normal(0, 50_000, size).round().astype(np.int64)
    ordered = sorted(int(value) for value in values)
    for share in (0.0, 0.01, 0.5, 0.9, 0.99, 0.999, 1.0):
        assert quantile(ordered, share) == pytest.approx(float(np.quantile(values, share)), abs=1e-6)
    spread = Spread.of_ns([int(value) for value in values])
    assert spread is not None
    assert spread.p999 == pytest.approx(float(np.quantile(values, 0.999)) / 1000, abs=1e-9)
    assert (spread.max, spread.min) == (values.max() / 1000, values.min() / 1000)


@pytest.mark.parametrize("seed", range(5))
def test_the_line_is_that_of_scipy(seed: int) -> None:
    """scipy.stats.linregress gives the same slope and intercept, numpy's residuals the same spread."""
    rng = np.random.default_rng(seed)
    xs = np.sort(rng.choice(np.arange(5000), 1500, replace=False))
    ys = (7_000_000_000 + 20_833_333.3 * xs + rng.normal(0, 1e6, xs.size)).round().astype(np.int64)
    line = least_squares([int(x) for x in xs], [int(y) for y in ys])
    reference = stats.linregress(xs.astype(float), (ys - ys[0]).astype(float))
    assert line is not None
    assert line.slope == pytest.approx(reference.slope, rel=1e-12)
    assert line.at(0) == pytest.approx(reference.intercept + float(ys[0]), abs=5)
    residuals = (ys - ys[0]) - (reference.intercept + reference.slope * xs)
    assert line.residual_sd == pytest.approx(float(np.sqrt((residuals**2).sum() / (xs.size - 2))), rel=1e-6)


def test_large_times_cost_no_precision() -> None:
    """Days of monotonic time in ns do not blur a slope: the line of exact points is exact."""
    xs = list(range(200_000))
    ys = [9_000_000_000_000_000_123 + 20_000_001 * x for x in xs]
    line = least_squares(xs, ys)
    assert line is not None
    assert line.slope == 20_000_001
    assert line.residual_sd == 0
    assert least_squares([3, 3, 3], [1, 2, 3]) is None
    assert least_squares([1], [1]) is None


@pytest.mark.parametrize(("sigma_us", "bpm"), [(300, 60), (1000, 125), (1000, 174), (3000, 125)])
def test_the_tempo_reaches_the_cramer_rao_bound(sigma_us: int, bpm: int) -> None:
    """The period's error is that of the bound 12 s^2 / (N (N^2 - 1)), neither worse nor better.

    The bound is that of a line in white noise (Kay, Fundamentals of Statistical Signal Processing:
    Estimation Theory, 1993, the line-fitting example; from memory).
    """
    rng = np.random.default_rng(bpm + sigma_us)
    count, trials = 96, 400
    period = 2.5e9 / bpm
    errors = []
    for _ in range(trials):
        times = (np.arange(count) * period + rng.normal(0, sigma_us * 1000, count)).round().astype(np.int64)
        grid = place_on_grid([int(t) for t in times], period)
        assert (grid.missing, grid.extra) == (0, 0)
        line = least_squares(grid.number, [int(t) for t in times])
        assert line is not None
        errors.append(line.slope - period)
    bound = sigma_us * 1000 * np.sqrt(12 / (count * (count**2 - 1)))
    # the root mean square of 400 trials is known to within 3.5 % (one sigma)
    assert 0.88 < np.sqrt(np.mean(np.square(errors))) / bound < 1.12


@pytest.mark.parametrize("sigma_us", [0, 300, 1000, 2000])
def test_missing_and_doubled_ticks_are_counted_exactly(sigma_us: int) -> None:
    """In pulse trains with known losses and doubles, both are counted exactly (125 BPM, 20 ms a clock)."""
    rng = np.random.default_rng(sigma_us)
    for _ in range(60):
        number = np.arange(600)
        times = number * 20_000_000 + rng.normal(0, sigma_us * 1000, 600)
        lost = rng.choice(np.arange(30, 570), 6, replace=False)
        lost = np.sort(lost)[np.insert(np.diff(np.sort(lost)) > 8, 0, True)]
        keep = np.setdiff1d(number, lost)
        doubled = rng.choice(keep[(keep > 30) & (keep < 570)], 4, replace=False)
        away = np.min(np.abs(doubled[:, None] - lost[None, :]), axis=1)
        doubled = doubled[away > 8]
        arrivals = np.sort(np.concatenate([times[keep], times[doubled] + 1_500_000])).round().astype(np.int64)
        grid = place_on_grid([int(t) for t in arrivals], None)
        assert grid.missing == len(lost)
        assert grid.extra == len(doubled)
        assert grid.number[-1] == 599


def test_steadiness_is_that_of_allantools() -> None:
    """Time deviation and MTIE of a take's beats equal allantools', on numpy's fit, with clocks lost between.

    allantools: `tdev` and `mtie` on phase data (NIST SP 1065, ITU-T G.810), one value a beat.
    """
    rng = np.random.default_rng(7)
    count = 24 * 200 + 1
    sway = 2e6 * np.sin(2 * np.pi * np.arange(count) / 700)
    times = (np.arange(count) * 20_012_345.6 + sway + rng.normal(0, 5e5, count)).round().astype(np.int64)
    kept = np.delete(np.arange(count), [100, 101, 1033, 3000])  # 24 divides 3000: the clock of a beat is lost
    numbers, ticks = [int(n) for n in kept], [int(t) for t in times[kept]]
    line = least_squares(numbers, ticks)
    assert line is not None
    fit = np.polynomial.Polynomial.fit(kept, times[kept], 1)
    beats = np.arange(0, count, 24)
    errors = (times[beats] - fit(beats)).astype(float)
    errors[3000 // 24] = times[3001] - fit(3001)
    ours = beat_errors(numbers, numbers, ticks, line)
    assert list(ours) == pytest.approx(errors, abs=20)
    rows = {row["beats"]: row for row in steadiness(ours)}
    assert tuple(rows) == SPANS_BEATS
    for span, row in rows.items():
        _, deviation, _, _ = allantools.tdev(errors, rate=1.0, data_type="phase", taus=[span])
        _, greatest, _, _ = allantools.mtie(errors, rate=1.0, data_type="phase", taus=[span])
        assert row["tdev_us"] == pytest.approx(deviation[0] / 1000, rel=1e-3)
        assert row["mtie_us"] == pytest.approx(greatest[0] / 1000, rel=1e-3)


def test_a_short_or_torn_clock_has_no_steadiness() -> None:
    """Too few beats for a span leave it out; numbers that no clock has (a damaged take) give nothing."""
    line = least_squares([0, 1], [0, 10])
    assert line is not None
    assert steadiness([1.0, 2.0, 1.0]) == []
    assert [row["beats"] for row in steadiness([0.0] * 13)] == [1, 4]
    assert len(beat_errors([], [], [], line)) == 0
    assert len(beat_errors([0, 1, 1 << 40], [0, 1, 2], [0, 1, 2], line)) == 0
