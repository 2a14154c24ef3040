"""The clock grid of a leg: one tick for each 24th of a quarter, lead and count-in included.

Before the entry of a leg that begins from rest, the clock runs at the tempo of the entry, so that the
machines settle on the very tempo with which the song begins: tick `entry - k` comes exactly k intervals
before the tick of the entry. A lead is rounded up to whole clocks and ends where the entry's tick is, so
that the ticks of the lead and those of the song are one unbroken row.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction

from runner.music import SongTime, Span, TempoMap

CLOCKS_PER_QUARTER = 24
NS_PER_MINUTE = 60_000_000_000


@dataclass(frozen=True, slots=True)
class ClockGrid:
    """`clock_ns[i]` is tick i in song time, at `quarters0` + i/24; tick `entry` is where the leg is entered.

    `exit_ns` is where the next tick would be: no clock of this leg is there any more.
    """

    clock_ns: array[int]
    quarters0: Fraction
    entry: int
    exit_ns: int

    @property
    def exit_quarters(self) -> Fraction:
        """Song position at which the leg ends."""
        return self.quarters0 + Fraction(len(self.clock_ns), CLOCKS_PER_QUARTER)

    def tick_at(self, quarters: Fraction) -> int:
        """Return the first tick at or after `quarters`; it may lie outside the grid."""
        return math.ceil((quarters - self.quarters0) * CLOCKS_PER_QUARTER)

    def ns_of_tick(self, tick: int) -> int:
        """Return the time of a tick of the grid, or of the exit for the one behind the last."""
        return self.clock_ns[tick] if tick < len(self.clock_ns) else self.exit_ns

    def interval_before(self, tick: int) -> int:
        """Return the ns between a tick and the one before it (after it, for the first)."""
        if tick > 0:
            return self.ns_of_tick(tick) - self.clock_ns[tick - 1]
        return self.ns_of_tick(1) - self.ns_of_tick(0) if len(self.clock_ns) else self.exit_ns


def on_grid(quarters: Fraction) -> Fraction:
    """Return the last whole clock at or before `quarters`."""
    return Fraction(math.floor(quarters * CLOCKS_PER_QUARTER), CLOCKS_PER_QUARTER)


def build_grid(tempo: TempoMap, entry: Fraction, exit_: Fraction, before: int = 0) -> ClockGrid:
    """Return the grid from `before` ticks before `entry` up to `exit_`; both must be whole clocks."""
    step = Fraction(1, CLOCKS_PER_QUARTER)
    count = int((exit_ - entry) * CLOCKS_PER_QUARTER)
    song = tempo.ns_of_grid(entry, step, count) if count else []
    lead = lead_ns(tempo, entry, before)
    return ClockGrid(array("q", lead + song), entry - step * before, before, tempo.ns_at(exit_))


def lead_ns(tempo: TempoMap, entry: Fraction, count: int) -> list[int]:
    """Return the times of `count` ticks before `entry`, at the tempo of the entry."""
    at_ns = tempo.ns_at(entry)
    interval = steady_interval_ns(tempo, entry)
    return [at_ns - round(k * interval) for k in range(count, 0, -1)]


def steady_interval_ns(tempo: TempoMap, entry: Fraction) -> Fraction:
    """Return the exact clock interval at the tempo of `entry`, in ns."""
    index = bisect_right(tempo.segments, entry, key=lambda segment: segment.start_quarters) - 1
    segment = tempo.segments[max(index, 0)]
    return Fraction(NS_PER_MINUTE, CLOCKS_PER_QUARTER) / segment.bpm_at(entry)


def lead_ticks(time: SongTime, lead: Span, entry: Fraction) -> int:
    """Return how many clocks a lead has: enough to last at least as long as the session says."""
    if lead.is_musical:
        length = time.span_quarters(lead, entry, backward=True)
        return math.ceil(length * CLOCKS_PER_QUARTER)
    return math.ceil(time.span_ns(lead) / steady_interval_ns(time.tempo, entry))
