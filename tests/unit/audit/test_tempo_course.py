"""How a tempo was off: constant, step, ramp; and what is none of them."""

from __future__ import annotations

from random import Random

import pytest

from runner.audit.tempo_course import TempoCourse, tempo_course

PERIOD_NS = 20_000_000


def course(factors: list[float], sigma_ns: float = 1_000_000, seed: int = 1) -> TempoCourse | None:
    """The course of a clock whose n-th interval is the song's times a factor, with white jitter."""
    rng = Random(seed)
    true, measured = 0.0, []
    for factor in factors:
        measured.append(round(true + rng.gauss(0, sigma_ns)))
        true += PERIOD_NS * factor
    return tempo_course(measured, [n * PERIOD_NS for n in range(len(factors))])


@pytest.mark.parametrize("seed", range(8))
def test_a_constant_is_no_change(seed: int) -> None:
    """A clock 1 % slow all through is constant, by 0.99 % of the tempo, within what jitter leaves."""
    found = course([1.01] * 700, seed=seed)
    assert found is not None
    assert found.kind == "constant"
    assert found.percent == pytest.approx(100 * (1 / 1.01 - 1), abs=0.01)


@pytest.mark.parametrize("seed", range(8))
def test_a_step_is_found_at_its_place(seed: int) -> None:
    """3 % slower from clock 300 on: a step within a beat of it, with both levels."""
    found = course([1.0] * 300 + [1.03] * 400, seed=seed)
    assert found is not None
    assert found.kind == "step"
    assert (found.first_percent, found.last_percent) == pytest.approx((0, 100 * (1 / 1.03 - 1)), abs=0.15)
    assert abs(found.from_index - 300) <= 36


@pytest.mark.parametrize("seed", range(8))
def test_a_ramp_is_found_with_its_ends(seed: int) -> None:
    """From the song's tempo to 5 % slower between clocks 200 and 500: a ramp about there."""
    factors = [1 + 0.05 * min(1.0, max(0.0, (n - 200) / 300)) for n in range(700)]
    found = course(factors, seed=seed)
    assert found is not None
    assert found.kind == "ramp"
    assert found.first_percent == pytest.approx(0, abs=0.3)
    assert found.last_percent == pytest.approx(100 * (1 / 1.05 - 1), abs=0.4)
    assert found.from_index == pytest.approx(200, abs=72)
    assert found.to_index == pytest.approx(500, abs=72)


def test_a_sway_is_neither_step_nor_ramp() -> None:
    """A tempo that swings to and fro several times is on the whole the song's."""
    factors = [1 + 0.01 * (1 if n // 60 % 2 else -1) for n in range(720)]
    found = course(factors)
    assert found is not None
    assert found.kind == "constant"
    assert abs(found.percent) < 0.1


@pytest.mark.parametrize("clocks", [0, 1, 23, 119])
def test_too_few_clocks_say_nothing(clocks: int) -> None:
    """Under five beats there is no course."""
    assert course([1.0] * clocks) is None
