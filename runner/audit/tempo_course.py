"""How a tempo was off: by a constant, at a step, or by a ramp. Pure.

The clocks are taken in stretches of a beat or more. Each stretch gives the ratio of the tempo measured to
that declared (least squares). The ratios are then explained by one level, or by two levels with a straight
line between them: where that line has no length, the change is a step. A change is believed only where it
explains far more than the noise of the stretches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from runner.audit.statistics import least_squares

_MOST_STRETCHES = 48
_FEWEST_STRETCHES = 5
_CLOCKS_PER_STRETCH = 24
_EXPLAINED = 0.7  #: share of the ratios' spread that a change must explain; a sway is explained by none
_OVER_NOISE = 25.0  #: squared error that a change must save, in variances of a stretch
_RAMP_GAIN = 12.0  #: squared error that a ramp must save against the best step, in variances of a stretch
_RAMP_STRETCHES = 3  #: a step in the middle of a stretch, or followed in two, is still one

Kind = Literal["constant", "step", "ramp"]


@dataclass(frozen=True, slots=True)
class TempoCourse:
    """Percent off the declared tempo: on the whole, at the beginning and at the end; where it changed.

    `from_index` and `to_index` are clocks, counted in the sequence that was given; of a constant, both 0.
    """

    kind: Kind
    percent: float
    first_percent: float
    last_percent: float
    from_index: int = 0
    to_index: int = 0

    @property
    def worst_percent(self) -> float:
        """The larger of the two ends, or the whole."""
        return max((self.percent, self.first_percent, self.last_percent), key=abs)


def tempo_course(measured_ns: Sequence[int], declared_ns: Sequence[int]) -> TempoCourse | None:
    """Return how the tempo lay against the declared one; None of too few clocks.

    The two sequences give for each clock when it came and when the song has it, both rising.
    """
    count = len(measured_ns)
    whole = least_squares(declared_ns, measured_ns)
    if whole is None or whole.slope <= 0 or count < _FEWEST_STRETCHES * _CLOCKS_PER_STRETCH:
        return None
    percent = 100 * (1 / whole.slope - 1)
    size = max(_CLOCKS_PER_STRETCH, -(-count // _MOST_STRETCHES))
    ratios = []
    for first in range(0, count - size + 1, size):
        line = least_squares(declared_ns[first : first + size], measured_ns[first : first + size])
        if line is None or line.slope <= 0:
            return None
        ratios.append(100 * (1 / line.slope - 1))
    best = _best_change(ratios)
    if best is None:
        return TempoCourse("constant", percent, percent, percent)
    first, last, before, after = best
    kind: Kind = "ramp" if last - first >= _RAMP_STRETCHES else "step"
    return TempoCourse(kind, percent, before, after, first * size, min(count - 1, last * size))


def _best_change(ratios: Sequence[float]) -> tuple[int, int, float, float] | None:
    """Return (first stretch, last stretch, level before, level after) of a change, None of a constant."""
    mean = sum(ratios) / len(ratios)
    flat = sum((r - mean) ** 2 for r in ratios)
    noise = _noise(ratios)
    best_step = best_ramp = (flat, 0, 0, mean, mean)
    for first in range(1, len(ratios)):
        for last in range(first, len(ratios) + 1):
            left, before, after = _fit(ratios, first, last)
            if last - first < _RAMP_STRETCHES:
                best_step = min(best_step, (left, first, last, before, after))
            else:
                best_ramp = min(best_ramp, (left, first, last, before, after))
    ramps = best_step[0] - best_ramp[0] > max(_RAMP_GAIN * noise, 0.1 * best_step[0])
    left, first, last, before, after = best_ramp if ramps else best_step
    if flat - left < _OVER_NOISE * noise or flat - left < _EXPLAINED * flat:
        return None
    return first, last, before, after


def _noise(ratios: Sequence[float]) -> float:
    """Return the variance of a stretch, from the median step between neighbours: a change leaves it alone."""
    steps = sorted((b - a) ** 2 for a, b in pairwise(ratios))
    return max(steps[len(steps) // 2] / 0.91, 1e-8)  # 0.455 is the median of chi squared with one degree


def _fit(ratios: Sequence[float], first: int, last: int) -> tuple[float, float, float]:
    """Return (squared error, level before, level after) of two levels with a line from `first` to `last`."""
    span = last - first + 1
    saa = sab = sbb = sa = sb = syy = 0.0
    for index, y in enumerate(ratios):
        b = 0.0 if index < first else 1.0 if index >= last else (index - first + 1) / span
        a = 1.0 - b
        saa += a * a
        sab += a * b
        sbb += b * b
        sa += a * y
        sb += b * y
        syy += y * y
    scale = saa * sbb - sab * sab
    if scale <= 1e-12:
        return float("inf"), 0.0, 0.0
    before = (sa * sbb - sb * sab) / scale
    after = (sb * saa - sa * sab) / scale
    return max(0.0, syy - before * sa - after * sb), before, after
