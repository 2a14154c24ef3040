"""Stability figures against allantools (NIST SP 1065, ITU-T G.810) and the well-known nine-point set."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from runner.sync import stability

TAU0 = 0.020
SPANS = (1, 2, 5, 24, 96)

#: Frequencies 892 ... 677 at rate 1, as time errors (running sum); from memory, recomputed with allantools.
NINE = np.concatenate([[0.0], np.cumsum([892, 809, 823, 798, 671, 644, 883, 903, 677])])


def _clocks(seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    count = 2000
    wander = np.cumsum(random.normal(0, 5e-6, count))
    return random.normal(0, 1e-3, count) + wander + 2e-6 * np.arange(count)


@pytest.mark.parametrize("n", SPANS)
def test_deviations_equal_allantools(n: int) -> None:
    """Allan (overlapping), modified Allan and time deviation equal allantools to rounding."""
    errors = _clocks(1)
    rows = {
        allantools.oadev: stability.allan_deviation,
        allantools.mdev: stability.modified_allan_deviation,
        allantools.tdev: stability.time_deviation,
    }
    for reference, ours in rows.items():
        _, expected, _, _ = reference(errors, rate=1 / TAU0, data_type="phase", taus=[n * TAU0])
        assert ours(list(errors), TAU0, n) == pytest.approx(expected[0], rel=1e-9)


@pytest.mark.parametrize("n", SPANS)
def test_interval_errors_equal_allantools(n: int) -> None:
    """MTIE and TIErms equal allantools to rounding."""
    errors = _clocks(2)
    _, greatest, _, _ = allantools.mtie(errors, rate=1 / TAU0, data_type="phase", taus=[n * TAU0])
    _, rms, _, _ = allantools.tierms(errors, rate=1 / TAU0, data_type="phase", taus=[n * TAU0])
    assert stability.greatest_interval_error(list(errors), n) == pytest.approx(greatest[0], rel=1e-9)
    assert stability.rms_interval_error(list(errors), n) == pytest.approx(rms[0], rel=1e-9)


def test_the_nine_point_set() -> None:
    """The nine-point set gives its well-known figures (from memory, recomputed with allantools)."""
    nine = list(NINE)
    assert stability.allan_deviation(nine, 1.0, 1) == pytest.approx(91.22945, abs=1e-5)
    assert stability.allan_deviation(nine, 1.0, 2) == pytest.approx(85.95287, abs=1e-5)
    assert stability.modified_allan_deviation(nine, 1.0, 2) == pytest.approx(74.78849, abs=1e-5)
    assert stability.time_deviation(nine, 1.0, 1) == pytest.approx(52.67135, abs=1e-5)
    assert stability.time_deviation(nine, 1.0, 2) == pytest.approx(86.35831, abs=1e-5)
    assert stability.greatest_interval_error(nine, 1) == 903
    assert stability.greatest_interval_error(nine, 2) == 1786


def test_white_jitter_has_the_textbook_figures() -> None:
    """White jitter sigma: TDEV(tau0) = sigma, ADEV(tau0) = sqrt(3) sigma / tau0 (NIST SP 1065)."""
    errors = list(np.random.default_rng(3).normal(0, 1e-3, 20_000))
    assert stability.time_deviation(errors, TAU0, 1) == pytest.approx(1e-3, rel=0.02)
    assert stability.allan_deviation(errors, TAU0, 1) == pytest.approx(3**0.5 * 1e-3 / TAU0, rel=0.02)


@pytest.mark.parametrize(
    "figure",
    [
        lambda errors, n: stability.allan_deviation(errors, TAU0, n),
        lambda errors, n: stability.modified_allan_deviation(errors, TAU0, n),
        lambda errors, n: stability.time_deviation(errors, TAU0, n),
        stability.rms_interval_error,
        stability.greatest_interval_error,
    ],
)
@pytest.mark.parametrize(("count", "n"), [(2, 2), (0, 1), (10, 0), (10, 10)])
def test_too_few_clocks_are_refused(figure: object, count: int, n: int) -> None:
    """A span that the data cannot fill raises and says how many are needed."""
    with pytest.raises(ValueError, match="too few"):
        figure([0.0] * count, n)  # type: ignore[operator]
