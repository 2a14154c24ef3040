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
_ALTERNATION = 6.0  #: standard errors between odd and even intervals
_ALTERNATION_SHARE = 0.1  #: and at least this share of their sum
_SENDS = 256
_LAGS = 8
_STEADY_LAG_NS = 1_000_000.0
_LONGEST_LAG_NS = 15_000_000


class SourceMeter:
    """Keeps the latest arrivals, extra clocks and own sends."""

    __slots__ = ("_arrivals", "_extras", "_sends")

    def __init__(self) -> None:
        self._arrivals: deque[int] = deque(maxlen=_IN_VIEW + 1)
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
        times = list(self._arrivals)
        if len(times) <= _IN_VIEW:
            return False
        gaps = [after - before for before, after in pairwise(times)]
        odd, even = gaps[1::2], gaps[0::2]
        mean_odd, mean_even = sum(odd) / len(odd), sum(even) / len(even)
        apart = abs(mean_odd - mean_even)
        spread = sum((g - mean_odd) ** 2 for g in odd) + sum((g - mean_even) ** 2 for g in even)
        error = sqrt(spread / (len(gaps) - 2) * (1 / len(odd) + 1 / len(even)))
        return apart > _ALTERNATION_SHARE * (mean_odd + mean_even) and apart > _ALTERNATION * error

    def echo_lag_ns(self, every_arrival: bool = False) -> float | None:
        """Return the lag at which arrivals follow our sends, or None if they do not.

        Only extra clocks are looked at (our own sends follow the master's clocks anyway), or all with
        `every_arrival`, when we are the master and nobody else should send clock.
        """
        times = list(self._arrivals if every_arrival else self._extras)[-_IN_VIEW:]
        if len(times) < _LAGS or len(self._sends) < _LAGS:
            return None
        sends = list(self._sends)
        lags: list[int] = []
        used: set[int] = set()
        for t_ns in times:
            index = bisect_right(sends, t_ns) - 1
            if index >= 0 and index not in used:
                used.add(index)
                lags.append(t_ns - sends[index])
        if len(lags) < _LAGS:
            return None
        mean = sum(lags) / len(lags)
        sd = sqrt(sum((lag - mean) ** 2 for lag in lags) / (len(lags) - 1))
        return mean if sd < _STEADY_LAG_NS and mean < _LONGEST_LAG_NS else None
