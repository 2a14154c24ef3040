"""The few statistics that an audit needs, exact and without a library that is slow to load.

Pure. Quantiles interpolate linearly between order statistics (definition 7 of Hyndman and Fan, Sample
Quantiles in Statistical Packages, The American Statistician 50, 1996: the usual default elsewhere too).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul


def quantile(ordered: Sequence[float], share: float) -> float:
    """Return the quantile of values in ascending order; `share` from 0 to 1. ValueError if there are none."""
    if not ordered:
        raise ValueError("no values, so no quantile")
    place = (len(ordered) - 1) * share
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (ordered[above] - ordered[below]) * (place - below)


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through points by least squares: y = intercept + slope * (x - x0)."""

    x0: float
    intercept: float
    slope: float
    residual_sd: float  #: root of the sum of squared residuals over (count - 2); 0 for two points
    count: int

    def at(self, x: float) -> float:
        """The line's value at x."""
        return self.intercept + self.slope * (x - self.x0)


def least_squares(xs: Sequence[int], ys: Sequence[int]) -> Line | None:
    """Return the line through the points (xs, ys), or None if they do not determine one.

    Sums are taken in whole numbers about the first point, so large times cost no precision.
    """
    count = len(xs)
    if count < 2:
        return None
    x0, y0 = xs[0], ys[0]
    dx = [x - x0 for x in xs]
    dy = [y - y0 for y in ys]
    sum_x, sum_y = sum(dx), sum(dy)
    sum_xx, sum_xy, sum_yy = sum(map(mul, dx, dx)), sum(map(mul, dx, dy)), sum(map(mul, dy, dy))
    spread = count * sum_xx - sum_x * sum_x
    if spread == 0:
        return None
    slope_num = count * sum_xy - sum_x * sum_y
    slope = slope_num / spread
    # the residuals are far smaller than the sums, so this difference is taken in whole numbers too
    spread_y = count * sum_yy - sum_y * sum_y
    rest = (spread_y * spread - slope_num * slope_num) // spread
    sd = math.sqrt(max(0, rest) / count / (count - 2)) if count > 2 else 0.0
    mean_x = sum_x / count
    return Line(x0 + mean_x, y0 + sum_y / count, slope, sd, count)


@dataclass(frozen=True, slots=True)
class Spread:
    """How a set of times lies, in µs: quantiles, extremes and count."""

    p50: float
    p99: float
    p999: float
    max: float
    min: float
    count: int

    @classmethod
    def of_ns(cls, values_ns: Sequence[int]) -> Spread | None:
        """Return the spread of values in ns, or None of no values."""
        return cls.of_sorted_ns(sorted(values_ns))

    @classmethod
    def of_sorted_ns(cls, ordered: Sequence[int]) -> Spread | None:
        """Return the spread of values in ns that are in ascending order, or None of no values."""
        if not ordered:
            return None
        p50, p99, p999 = (quantile(ordered, share) / 1000 for share in (0.5, 0.99, 0.999))
        return cls(p50, p99, p999, ordered[-1] / 1000, ordered[0] / 1000, len(ordered))

    def to_dict(self) -> dict[str, float | int]:
        """Return plain data, times rounded to 1 ns."""
        return {
            "p50": round(self.p50, 3),
            "p99": round(self.p99, 3),
            "p999": round(self.p999, 3),
            "max": round(self.max, 3),
            "min": round(self.min, 3),
            "count": self.count,
        }
