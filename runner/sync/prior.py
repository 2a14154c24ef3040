"""What is known of the tempo before the first clock arrives: the song's own tempo map.

The follower estimates in the warped time of this map: a phase and a rate ratio against it. A step or
ramp that the map announces is therefore no change at all to the estimator, and is followed without lag.
Counts are MIDI clocks (24 a quarter note), 0 being the clock that Start plays.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Protocol

CLOCKS_PER_QUARTER = 24
NS_PER_MINUTE = 60_000_000_000


class TempoPrior(Protocol):
    """The time that the song gives to each clock, in ns from any origin; must rise with the count.

    `rate_sd` is how far the master's tempo is expected to be off the map's, as a fraction (standard
    deviation); `None` when the map's tempo says nothing (blind).
    """

    @property
    def rate_sd(self) -> float | None: ...

    def ns_of(self, count: float) -> float:
        """Return the map's time of a clock count (fractions and negative counts too), in ns."""
        ...

    def count_of(self, ns: float) -> float:
        """Return the clock count at a map time: the inverse of `ns_of`."""
        ...


class SteadyPrior:
    """One tempo throughout. With `rate_sd=None` it only sets a unit of time and knows nothing."""

    __slots__ = ("_interval_ns", "_rate_sd")

    def __init__(self, bpm: float, rate_sd: float | None = 0.001) -> None:
        if not 0 < bpm < 10_000:
            raise ValueError(f"tempo must be above 0 and below 10000 quarter notes a minute, got {bpm}")
        self._interval_ns = NS_PER_MINUTE / CLOCKS_PER_QUARTER / bpm
        self._rate_sd = rate_sd

    @property
    def rate_sd(self) -> float | None:
        return self._rate_sd

    def ns_of(self, count: float) -> float:
        """Return the time of `count` in ns; clock 0 is at 0."""
        return count * self._interval_ns

    def count_of(self, ns: float) -> float:
        """Return the count at `ns`."""
        return ns / self._interval_ns


class GridPrior:
    """A song's clock grid, as a compiled timeline holds it; straight lines between and beyond its clocks.

    `clock_ns[i]` is the song time of clock count `first_count + i`; at least two, rising. Between two
    clocks a ramp is bent by less than a microsecond, far below any jitter.
    """

    __slots__ = ("_clock_ns", "_first", "_head_ns", "_last", "_rate_sd", "_tail_ns")

    def __init__(self, clock_ns: Sequence[int], first_count: int = 0, rate_sd: float | None = 0.001) -> None:
        if len(clock_ns) < 2:
            raise ValueError(f"a clock grid needs at least 2 clocks, got {len(clock_ns)}")
        self._clock_ns = clock_ns
        self._first = first_count
        self._last = len(clock_ns) - 1
        self._head_ns = clock_ns[1] - clock_ns[0]
        self._tail_ns = clock_ns[-1] - clock_ns[-2]
        if self._head_ns <= 0 or self._tail_ns <= 0:
            raise ValueError("the times of a clock grid must rise")
        self._rate_sd = rate_sd

    @property
    def rate_sd(self) -> float | None:
        return self._rate_sd

    def ns_of(self, count: float) -> float:
        """Return the song time of `count` in ns; outside the grid its outermost intervals go on."""
        at = count - self._first
        if at < 0:
            return self._clock_ns[0] + at * self._head_ns
        if at >= self._last:
            return self._clock_ns[-1] + (at - self._last) * self._tail_ns
        low = int(at)
        part = at - low
        below = self._clock_ns[low]
        return below + part * (self._clock_ns[low + 1] - below) if part else below

    def count_of(self, ns: float) -> float:
        """Return the clock count at song time `ns`."""
        if ns < self._clock_ns[0]:
            return self._first + (ns - self._clock_ns[0]) / self._head_ns
        if ns >= self._clock_ns[-1]:
            return self._first + self._last + (ns - self._clock_ns[-1]) / self._tail_ns
        low = bisect_right(self._clock_ns, ns) - 1
        below = self._clock_ns[low]
        return self._first + low + (ns - below) / (self._clock_ns[low + 1] - below)
