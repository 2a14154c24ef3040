"""Stability figures of a clock from its time errors: drift, jitter and wander as the standards define them.

`errors` is x_i, the time error of clock i against the ideal grid (any unit; results carry the same),
evenly spaced by `tau0` seconds, none missing; `n` the span in clocks. Definitions: ITU-T G.810 (08/96)
Appendix II; formulas of NIST SP 1065.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import accumulate
from math import sqrt


def _check(errors: Sequence[float], n: int, spans: int) -> int:
    count = len(errors)
    if n < 1 or count < spans * n + 1:
        raise ValueError(f"{count} time errors are too few for a span of {n}: {spans * n + 1} are needed")
    return count


def allan_deviation(errors: Sequence[float], tau0: float, n: int = 1) -> float:
    """Return the overlapping Allan deviation at a span of `n` (errors in seconds: a pure number)."""
    count = _check(errors, n, 2)
    total = sum(
        (late - 2 * middle + early) ** 2
        for early, middle, late in zip(errors, errors[n:], errors[2 * n :], strict=False)
    )
    return sqrt(total / (2 * (n * tau0) ** 2 * (count - 2 * n)))


def modified_allan_deviation(errors: Sequence[float], tau0: float, n: int = 1) -> float:
    """Return the modified Allan deviation at a span of `n`: Allan's, on averages of `n` clocks."""
    count = len(errors)
    if n < 1 or count < 3 * n:
        raise ValueError(f"{count} time errors are too few for a span of {n}: {3 * n} are needed")
    sums = [0.0, *accumulate(errors)]
    means = [late - early for early, late in zip(sums, sums[n:], strict=False)]
    second = zip(means, means[n:], means[2 * n :], strict=False)
    total = sum((late - 2 * middle + early) ** 2 for early, middle, late in second)
    return sqrt(total / (2 * (n * tau0) ** 2 * n * n * (count - 3 * n + 1)))


def time_deviation(errors: Sequence[float], tau0: float, n: int = 1) -> float:
    """Return the time deviation at a span of `n`, in the unit of `errors`: jitter and wander by span."""
    return n * tau0 * modified_allan_deviation(errors, tau0, n) / sqrt(3)


def rms_interval_error(errors: Sequence[float], n: int = 1) -> float:
    """Return TIErms: the root mean square of the error of spans of `n` clocks."""
    count = _check(errors, n, 1)
    total = sum((late - early) ** 2 for early, late in zip(errors, errors[n:], strict=False))
    return sqrt(total / (count - n))


def greatest_interval_error(errors: Sequence[float], n: int = 1) -> float:
    """Return MTIE: the greatest peak-to-peak time error within any span of `n` clocks."""
    count = _check(errors, n, 1)
    highest: deque[int] = deque()
    lowest: deque[int] = deque()
    worst = 0.0
    for index in range(count):
        while highest and errors[highest[-1]] <= errors[index]:
            highest.pop()
        highest.append(index)
        while lowest and errors[lowest[-1]] >= errors[index]:
            lowest.pop()
        lowest.append(index)
        if highest[0] < index - n:
            highest.popleft()
        if lowest[0] < index - n:
            lowest.popleft()
        if index >= n:
            worst = max(worst, errors[highest[0]] - errors[lowest[0]])
    return worst
