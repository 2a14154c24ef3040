"""The recursive line: it is the least-squares line, its spread is honest, the prior can be let go."""

from __future__ import annotations

import numpy as np
import pytest

from runner.sync.fit import LineFit


def _fitted(memory: float, pull: float, x: np.ndarray, y: np.ndarray, rate: float = 1.0) -> LineFit:
    line = LineFit(memory, rate, pull)
    line.start(float(x[0]), float(y[0]))
    for each_x, each_y in zip(x[1:], y[1:], strict=True):
        line.add(float(each_x), float(each_y))
    return line


def test_with_full_memory_it_is_the_least_squares_line() -> None:
    """Phase and rate equal numpy's polyfit over unevenly spaced samples (reference: numpy.polyfit)."""
    random = np.random.default_rng(1)
    x = np.cumsum(random.uniform(5e6, 4e7, 150))
    y = 3e9 + 1.01 * x + random.normal(0, 1e6, 150)
    line = _fitted(1000, 1e-3, x, y)
    slope, level = np.polyfit(x - x[-1], y, 1)
    assert line.rate == pytest.approx(slope, rel=1e-9)
    assert line.phase == pytest.approx(level, abs=1.0)


def test_hours_of_samples_lose_no_digits() -> None:
    """After a million clocks the fading line still equals the weighted line solved directly by numpy."""
    random = np.random.default_rng(2)
    n, memory = 200_000, 48.0
    x = np.arange(n) * 2e7 + 7e13
    y = x + random.normal(0, 1e6, n)
    line = _fitted(memory, 1e-3, x, y)
    tail = 3000
    weight = (1 - 1 / memory) ** np.arange(tail - 1, -1, -1)
    slope, level = np.polyfit(x[-tail:] - x[-1], y[-tail:] - x[-1], 1, w=np.sqrt(weight))
    assert line.phase - x[-1] == pytest.approx(level, abs=500)
    assert line.rate == pytest.approx(slope, rel=1e-6)


def test_spread_is_the_textbook_variance() -> None:
    """The variance ahead of N even samples is 1/N + 12 ((N-1)/2 + d)^2 / (N (N^2-1)) (line fit, standard)."""
    n, d = 24, 24
    x = np.arange(n) * 1.0
    line = _fitted(1000, 1e-12, x, x)
    expected = 1 / n + 12 * ((n - 1) / 2 + d) ** 2 / (n * (n * n - 1))
    assert line.spread(float(n - 1 + d)) == pytest.approx(expected, rel=1e-6)


def test_the_expected_rate_pulls_by_its_information() -> None:
    """With a prior the rate is the information-weighted mean of prior and samples (Gaussian posterior)."""
    random = np.random.default_rng(3)
    x = np.arange(20) * 1.0
    y = 1.2 * x + random.normal(0, 0.5, 20)
    pull = 100.0
    line = _fitted(1000, pull, x, y)
    free = float(np.sum((x - x.mean()) ** 2))
    slope = np.polyfit(x, y, 1)[0]
    assert line.rate == pytest.approx((free * slope + pull * 1.0) / (free + pull), rel=1e-9)


def test_release_leaves_the_line_of_the_samples_alone() -> None:
    """Once the expected rate is dropped, the line is the plain least-squares line."""
    x = np.arange(30) * 1.0
    y = 5 + 1.3 * x + np.random.default_rng(4).normal(0, 0.1, 30)
    line = _fitted(1000, 5000.0, x, y)
    line.release()
    slope, level = np.polyfit(x - x[-1], y, 1)
    assert line.rate == pytest.approx(slope, rel=1e-6)
    assert line.phase == pytest.approx(level, rel=1e-6)


def test_a_sample_of_no_weight_changes_nothing() -> None:
    """Weight 0 leaves the line where it was."""
    x = np.arange(30) * 1.0
    line = _fitted(1000, 1e-3, x, 2 * x)
    before = line.predict(40.0)
    line.add(30.0, 500.0, weight=0.0)
    assert line.predict(40.0) == pytest.approx(before)
