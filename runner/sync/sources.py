"""Tells two clocks on one port, and our own clock coming back, from a few extra clocks.

Looks at raw arrival times only, and at the times of our own sends, which it is told.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from itertools import pairwise
from math import sqrt

_IN_VIEW = 24  #: intervals looked back upon
_EXTRAS_IN_BEAT = 8  #: extra clocks within a beat that make two sources of it
_ALTERNATION = 8.0  #: standard errors between odd and even intervals: a day has 700,000 looks
_ALTERNATION_SHARE = 0.1  #: and at least this share of their sum
_SENDS = 256
_LAGS = 6
_STEADY_LAG_NS = 120_000.0
_LONGEST_LAG_NS = 15_000_000


class SourceMeter:
    """Keeps the latest arrivals, extra clocks and own sends."""

    __slots__ = ("_arrivals", "_extras", "_sends")

    def __init__(self) -> None:
        self._arrivals: deque[int] = deque(maxlen=2 * _IN_VIEW + 1)
        self._extras: deque[int] = deque(maxlen=_IN_VIEW)
        self._sends: deque[int] = deque(maxlen=_SENDS)

    def clear(self) -> None:
        """Forget arrivals and extra clocks, keep our own sends."""
        self._arrivals.clear()
        self._extras.clear()

    def arrived(self, t_ns: int) -> None:
        """Take any clock that came in."""
        self._arrivals.append(t_ns)

    def extra(self, t_ns: int) -> None:
        """Take a clock that was found to be one too many."""
        self._extras.append(t_ns)

    def sent(self, t_ns: int) -> None:
        """Take a clock that we sent ourselves to the machine that is followed."""
        self._sends.append(t_ns)

    def extras_within(self, t_ns: int, span_ns: float) -> int:
        """Return how many clocks too many came in the `span_ns` before `t_ns`."""
        return sum(1 for each in self._extras if t_ns - each <= span_ns)

    def crowded(self, t_ns: int, beat_ns: float) -> bool:
        """Whether so many extra clocks came within a beat that a second source sends them."""
        return self.extras_within(t_ns, beat_ns) >= _EXTRAS_IN_BEAT

    def alternating(self) -> bool:
        """Whether odd and even intervals are of two lengths, as when two clocks of one tempo are mixed."""
        times = list(self._arrivals)[-_IN_VIEW - 1 :]
        if len(times) <= _IN_VIEW:
            return False
        gaps = [after - before for before, after in pairwise(times)]
        older, newer = gaps[: _IN_VIEW // 2], gaps[_IN_VIEW // 2 :]
        first, first_error = _odd_over_even(older)
        second, second_error = _odd_over_even(newer)
        usual = sum(gaps) / len(gaps)
        least = min(abs(first), abs(second)) if first * second > 0 else 0.0
        error = sqrt(first_error**2 + second_error**2) / 2
        return least > 2 * _ALTERNATION_SHARE * usual and abs(first + second) / 2 > _ALTERNATION * error

    def echo_lag_ns(self) -> float | None:
        """Return the lag at which arrivals follow our sends, or None if they do not.

        An echo follows each of our sends at the same distance, far closer than our sends are regular
        themselves; a second machine knows nothing of their jitter.
        """
        arrivals, sends = list(self._arrivals), list(self._sends)[-_IN_VIEW:]
        lags: list[int] = []
        for send, after in pairwise(sends):
            index = bisect_right(arrivals, send)
            if index < len(arrivals) and arrivals[index] < after:
                lags.append(arrivals[index] - send)
        lags = lags[-_LAGS:]
        if len(lags) < _LAGS:
            return None
        usual = sorted(lags)[len(lags) // 2]
        off = max(abs(lag - usual) for lag in lags) / 2
        gaps = [after - before for before, after in pairwise(sends)]
        regular = sorted(gaps)[len(gaps) // 2]
        unrest = sorted(abs(gap - regular) for gap in gaps)[len(gaps) // 2] / sqrt(2)
        return float(usual) if off < max(_STEADY_LAG_NS, 0.4 * unrest) and usual < _LONGEST_LAG_NS else None


def _odd_over_even(gaps: list[int]) -> tuple[float, float]:
    """Return how much longer odd intervals are than even ones, and the standard error of that.

    One late clock lengthens the interval before it and shortens the one after, which doubles the
    variance of the difference against that of independent intervals.
    """
    odd, even = gaps[1::2], gaps[0::2]
    mean_odd, mean_even = sum(odd) / len(odd), sum(even) / len(even)
    spread = sum((g - mean_odd) ** 2 for g in odd) + sum((g - mean_even) ** 2 for g in even)
    return mean_odd - mean_even, sqrt(2 * spread / (len(gaps) - 2) * (1 / len(odd) + 1 / len(even)))
