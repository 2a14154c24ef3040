"""Explanations of clocks that do not fit: each pattern gets its own name, and only that."""

from __future__ import annotations

import random

import pytest

from runner.sync.slips import Explanation, Judgement, judge, recount

T = 20e6
SIGMA = 1e6


def _noise(count: int, seed: int = 1) -> list[float]:
    source = random.Random(seed)
    return [source.gauss(0, SIGMA) for _ in range(count)]


def _settle(pattern: list[float], gap: int = 0) -> Judgement:
    noise = _noise(len(pattern) + 12)
    before = noise[:12]
    seen: list[float] = []
    for value, error in zip(pattern, noise[12:], strict=True):
        seen.append(value + error)
        verdict = judge(seen, before, T, SIGMA, gap)
        if verdict is not None:
            return verdict
    raise AssertionError("no verdict")


def test_one_late_clock_is_nothing() -> None:
    """A single clock 0.8 of an interval late, then all well: all clocks are in their slots."""
    assert _settle([0.8 * T, 0, 0, 0]).explanation is Explanation.NOTHING


@pytest.mark.parametrize("lost", [1, 2, 5])
def test_missing_clocks_shift_all_that_follow(lost: int) -> None:
    """Clocks late by whole intervals from one on: so many are missing."""
    verdict = _settle([lost * T] * 4)
    assert (verdict.explanation, verdict.at, verdict.shift) == (Explanation.SLIP, (0,), lost)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9])
def test_one_clock_too_many_at_any_place(share: float) -> None:
    """A clock anywhere between two others, all after it early by one interval: that one is too many."""
    verdict = _settle([-(1 - share) * T] + [-T] * 4)
    assert verdict.explanation is Explanation.EXTRA
    assert verdict.at == (0,)


def test_every_other_clock_too_many() -> None:
    """Two sources in turn: the clocks between the expected ones are the ones too many."""
    verdict = _settle([-(k + 1) // 2 * T - (0.5 * T if k % 2 == 0 else 0) for k in range(8)])
    assert verdict.explanation is Explanation.EXTRA
    assert all(index % 2 == 0 for index in verdict.at)


@pytest.mark.parametrize("change", [0.05, -0.05, 0.2, -0.2])
def test_a_change_of_tempo_is_a_growing_residual(change: float) -> None:
    """Residuals that grow clock by clock are a step of tempo, not missing clocks."""
    ramp = [change * T * k + error for k, error in enumerate(_noise(16), 1)]
    opened = next(k for k, value in enumerate(ramp) if abs(value) > 3.5 * SIGMA)
    before = [*_noise(12, 5), *ramp[:opened]]
    verdicts = (judge(ramp[opened:end], before, T, SIGMA) for end in range(opened + 1, 17))
    verdict = next(each for each in verdicts if each is not None)
    assert verdict.explanation is Explanation.STEP
    assert verdict.size == pytest.approx(change * T, rel=0.5)


def test_a_constant_offset_is_a_jump_of_phase() -> None:
    """Residuals that stay at 0.35 of an interval are a jump."""
    assert _settle([0.35 * T] * 10).explanation is Explanation.JUMP


def test_clocks_held_back_and_delivered_together_are_extra_to_the_gap() -> None:
    """After a gap counted as two clocks, two that come at once and late are those two."""
    verdict = _settle([-0.2 * T, -1.2 * T, -2 * T, -2 * T, -2 * T, -2 * T], gap=2)
    assert (verdict.explanation, verdict.at) == (Explanation.EXTRA, (0, 1))


def test_a_gap_counted_one_too_long_is_put_right() -> None:
    """After a gap counted as two clocks, all clocks early by one interval: only one was missing."""
    verdict = _settle([-T] * 5, gap=2)
    assert (verdict.explanation, verdict.shift) == (Explanation.LATE, -1)


def test_no_verdict_on_one_clock() -> None:
    """One clock alone never decides, unless it must."""
    assert judge([T], [], T, SIGMA) is None
    forced = judge([0.1 * T], [], T, SIGMA, forced=True)
    assert forced is not None
    assert forced.explanation is Explanation.NOTHING


@pytest.mark.parametrize("at", [1, 4, 7, 10])
def test_recount_finds_a_missing_clock_among_the_first(at: int) -> None:
    """With no tempo told, an interval twice as long among the first twelve is one missing clock."""
    noise = _noise(12, at)
    arrivals = [(k + (k >= at)) * T + noise[k] for k in range(12)]
    verdict = recount(arrivals)
    assert verdict is not None
    assert (verdict.explanation, verdict.at, verdict.shift) == (Explanation.SLIP, (at,), 1)


def test_recount_finds_a_doubled_clock_among_the_first() -> None:
    """With no tempo told, a clock right behind another is one too many."""
    noise = _noise(12)
    times = [k * T for k in range(6)] + [5 * T + 2e6] + [k * T for k in range(6, 11)]
    verdict = recount([t + n for t, n in zip(times, noise, strict=True)])
    assert verdict is not None
    assert verdict.explanation is Explanation.EXTRA


def test_recount_leaves_a_plain_clock_alone() -> None:
    """Jitter alone, up to a sixth of the interval, is no reason to recount (300 seeds)."""
    for seed in range(300):
        noise = _noise(12, seed)
        assert recount([k * 6 * SIGMA + noise[k] for k in range(12)]) is None
