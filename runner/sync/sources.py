"""Tells two clocks on one port, and our own clock coming back, from a few extra clocks.

Looks at raw arrival times only, and at the times of our own sends, which it is told.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from itertools import pairwise
from math import sqrt
from typing import NamedTuple

_IN_VIEW = 24  #: intervals looked back upon
_EXTRAS_IN_BEAT = 8  #: extra clocks within a beat that make two sources of it
_ALTERNATION = 8.0  #: standard errors between odd and even intervals: a day has 700,000 looks
_ALTERNATION_SHARE = 0.1  #: and at least this share of their sum
_SENDS = 256
_LAGS = 6
_STEADY_LAG_NS = 120_000.0
_LONGEST_LAG_NS = 15_000_000
_FEWEST_SLOTS = 18  #: of the old grid, before it can be told whether its clock goes on
_CHANCE = 3.1  #: standard deviations below what chance would give: by chance once in 1000 looks


class OldGrid(NamedTuple):
    """Where a clock was before its tempo seemed to change: one due time, and its interval in ns."""

    at_ns: int
    interval_ns: float


class SourceMeter:
    """Keeps the latest arrivals, extra clocks and own sends."""

    __slots__ = ("_arrivals", "_extras", "_sends")

    def __init__(self) -> None:
        self._arrivals: deque[int] = deque(maxlen=4 * _IN_VIEW + 1)
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

    def carries_on(self, grid: OldGrid) -> bool:
        """Whether a clock of before a step is still there among those of now: then a second one has joined.

        After a true change of tempo the arrivals lie anywhere about the old grid: the square of its distance
        to the nearest of them is g^2 / 12 on the average, g being their mean interval.
        """
        since = [t for t in self._arrivals if t >= grid.at_ns]
        if len(since) < _FEWEST_SLOTS:
            return False
        span = since[-1] - grid.at_ns
        slots = int(span / grid.interval_ns)
        if slots < _FEWEST_SLOTS:
            return False
        squares = 0.0
        for slot in range(1, slots):
            due = grid.at_ns + slot * grid.interval_ns
            index = bisect_right(since, due)
            squares += min((due - t) ** 2 for t in since[max(0, index - 1) : index + 1])
        anywhere = (span / len(since)) ** 2 / 12
        # the square of a number drawn evenly about 0 has a variance of 0.8 times the square of its mean
        near = 1.0 - _CHANCE * sqrt(0.8 / (slots - 1))
        return squares / (slots - 1) < near * anywhere

    def echo_lag_ns(self) -> float | None:
        """Return the lag at which arrivals follow our sends, or None if they do not.

        An echo follows each of our sends at the same distance, far closer than our sends are regular
        themselves; a second machine knows nothing of their jitter. The clock that we follow may come in
        between, so every arrival after the oldest send is tried for its echo.
        """
        arrivals, sends = list(self._arrivals), list(self._sends)[-_IN_VIEW:]
        if not arrivals:
            return None
        sends = [send for send in sends if send + _LONGEST_LAG_NS < arrivals[-1]][-_LAGS:]
        if len(sends) < _LAGS:
            return None
        gaps = [after - before for before, after in pairwise(self._sends)][-_IN_VIEW:]
        regular = sorted(gaps)[len(gaps) // 2]
        unrest = sorted(abs(gap - regular) for gap in gaps)[len(gaps) // 2] / sqrt(2)
        allowed = max(_STEADY_LAG_NS, 0.4 * unrest)
        first = sends[0]
        for arrival in arrivals[bisect_right(arrivals, first) :]:
            if arrival - first >= _LONGEST_LAG_NS:
                break
            lags = [_nearest(arrivals, send + arrival - first) - send for send in sends]
            usual = sorted(lags)[len(lags) // 2]
            if max(abs(lag - usual) for lag in lags) / 2 < allowed and 0 < usual < _LONGEST_LAG_NS:
                return float(usual)
        return None


def _nearest(times: list[int], t_ns: int) -> int:
    """Return the time in a rising list that is nearest to another."""
    index = bisect_right(times, t_ns)
    return min(times[max(0, index - 1) : index + 1], key=lambda each: abs(each - t_ns))


def _odd_over_even(gaps: list[int]) -> tuple[float, float]:
    """Return how much longer odd intervals are than even ones, and the standard error of that.

    One late clock lengthens the interval before it and shortens the one after, which doubles the
    variance of the difference against that of independent intervals.
    """
    odd, even = gaps[1::2], gaps[0::2]
    mean_odd, mean_even = sum(odd) / len(odd), sum(even) / len(even)
    spread = sum((g - mean_odd) ** 2 for g in odd) + sum((g - mean_even) ** 2 for g in even)
    return mean_odd - mean_even, sqrt(2 * spread / (len(gaps) - 2) * (1 / len(odd) + 1 / len(even)))
