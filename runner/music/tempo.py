"""The tempo map: from song position to time and back, exactly.

Tempo counts quarter notes a minute whatever the meter (Standard MIDI File RP-001, p. 9: FF 51 is µs a
quarter). At a steady tempo b, q quarters last 60 q / b seconds. A ramp is linear in quarters:

    b(q) = b0 + (b1 - b0) (q - q0) / L
    t(q) = t0 + integral of 60 / b = t0 + 60 L / (b1 - b0) * ln(b(q) / b0)

All positions, tempos and segment starts are exact rationals (a ramp's logarithm is taken to 60 digits
and kept to 40 places of a nanosecond), and each result is rounded once, half to even, to a whole ns. So
no error ever accumulates, however long the song.
"""

from __future__ import annotations

import math
import sys
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Context, Decimal
from fractions import Fraction
from itertools import pairwise

from runner.music.meter import CLOCKS_PER_QUARTER

NS_PER_MINUTE = 60_000_000_000

_CONTEXT = Context(prec=60)
_PLACES = 10**40
_ANCHOR_BITS = 256  # a longer denominator (hundreds of odd tempos) is rounded to 40 places: 1e-40 ns
_BLOCK = 1024
_QUARTER_PLACES = 10**18  # of a quarter, where a ramp's inverse is irrational; 1e-9 ns at 60 BPM


@dataclass(frozen=True, slots=True)
class TempoChange:
    """From `at` (quarters, 0 or more) the tempo goes to `bpm` (quarters a minute, above 0).

    `over` is the length of the ramp in quarters; 0 is a step. Raises ValueError outside these ranges.
    """

    at: Fraction
    bpm: Fraction
    over: Fraction = Fraction(0)

    def __post_init__(self) -> None:
        object.__setattr__(self, "at", _exact(self.at))
        object.__setattr__(self, "bpm", _tempo(self.bpm))
        object.__setattr__(self, "over", _exact(self.over))
        if self.at < 0:
            raise ValueError("the tempo can change at bar 1 or later; before bar 1 the first tempo holds")
        if self.over < 0:
            raise ValueError(f"a ramp cannot have a negative length, got {self.over} quarters")


@dataclass(frozen=True, slots=True)
class TempoSegment:
    """A stretch of steady tempo or one ramp; `start_ns` is exact; the last one has no `end_quarters`."""

    start_quarters: Fraction
    end_quarters: Fraction | None
    start_ns: Fraction
    first_bpm: Fraction
    last_bpm: Fraction

    @property
    def is_ramp(self) -> bool:
        """Whether the tempo changes within the segment."""
        return self.first_bpm != self.last_bpm

    @property
    def ramp_quarters(self) -> Fraction:
        """Length of a ramp in quarters; 0 for a steady segment."""
        if not self.is_ramp or self.end_quarters is None:
            return Fraction(0)
        return self.end_quarters - self.start_quarters

    def bpm_at(self, quarters: Fraction) -> Fraction:
        """Tempo at a position of the segment, in quarters a minute."""
        if not self.is_ramp:
            return self.first_bpm
        rise = (self.last_bpm - self.first_bpm) / self.ramp_quarters
        return self.first_bpm + rise * (quarters - self.start_quarters)

    def ns_at(self, quarters: Fraction) -> Fraction:
        """Time of a position of the segment, in ns, not yet rounded."""
        if not self.is_ramp:
            return self.start_ns + (quarters - self.start_quarters) * NS_PER_MINUTE / self.first_bpm
        ratio = self.bpm_at(quarters) / self.first_bpm
        quotient = _CONTEXT.divide(Decimal(ratio.numerator), Decimal(ratio.denominator))
        return self.start_ns + self._ramp_ns() * Fraction(_CONTEXT.ln(quotient))

    def quarters_at(self, ns: int | Fraction) -> Fraction:
        """Position at a time of the segment: exact at a steady tempo, to 1e-18 of a quarter on a ramp."""
        if not self.is_ramp:
            return self.start_quarters + (ns - self.start_ns) * self.first_bpm / NS_PER_MINUTE
        power = (ns - self.start_ns) / self._ramp_ns()
        quotient = _CONTEXT.divide(Decimal(power.numerator), Decimal(power.denominator))
        growth = Fraction(_CONTEXT.exp(quotient)) - 1
        rise = (self.last_bpm - self.first_bpm) / self.ramp_quarters
        quarters = self.start_quarters + self.first_bpm * growth / rise
        return Fraction(round(quarters * _QUARTER_PLACES), _QUARTER_PLACES)

    def ns_of(self, first: Fraction, step: Fraction, indices: Sequence[int]) -> list[int]:
        """Rounded times of the positions ``first + step * index``, all within the segment, sorted."""
        if not indices:
            return []
        if self.is_ramp:
            return self._ramp_ns_of(first, step, indices)
        at = self.ns_at(first)
        slope = step * NS_PER_MINUTE / self.first_bpm
        unit = math.lcm(at.denominator, slope.denominator)
        offset = at.numerator * (unit // at.denominator)
        stride = slope.numerator * (unit // slope.denominator)
        # Twice everything, so that half a unit is whole: floor((2n + unit) / 2 unit) rounds half up.
        double = 2 * unit
        whole = [(2 * stride * index + 2 * offset + unit) // double for index in indices]
        if unit % 2 == 0 and (unit // 2 - offset) % math.gcd(stride, unit) == 0:
            # Exact halves do occur on this grid: take those that went up to an odd number back to even.
            half = unit // 2
            return [
                ns - 1 if ns & 1 and (stride * index + offset) % unit == half else ns
                for ns, index in zip(whole, indices, strict=True)
            ]
        return whole

    def _ramp_ns(self) -> Fraction:
        """The factor 60 L / (b1 - b0) of the closed form, in ns."""
        return NS_PER_MINUTE * self.ramp_quarters / (self.last_bpm - self.first_bpm)

    def _ramp_ns_of(self, first: Fraction, step: Fraction, indices: Sequence[int]) -> list[int]:
        """As `ns_of`, on a ramp: in floats, and exactly again where a float could round the wrong way.

        Each block of positions is counted from its own exact start, so that the floats stay small.
        """
        factor = float(self._ramp_ns())
        slowest = min(self.first_bpm, self.last_bpm)
        rise = (self.last_bpm - self.first_bpm) / self.ramp_quarters
        log1p, floor = math.log1p, math.floor
        result: list[int] = []
        for start in range(0, len(indices), _BLOCK):
            block = indices[start : start + _BLOCK]
            base = block[0]
            at = first + step * base
            exact_ns = self.ns_at(at)
            whole_ns = floor(exact_ns)
            rest_ns = float(exact_ns - whole_ns)
            stride = float(step * rise / self.bpm_at(at))
            longest_ns = NS_PER_MINUTE * step * (block[-1] - base) / slowest
            doubt = 16 * sys.float_info.epsilon * float(longest_ns) + 1e-9
            for index in block:
                value = rest_ns + factor * log1p(stride * (index - base))
                nearest = floor(value + 0.5)
                if 0.5 - abs(value - nearest) < doubt:
                    result.append(round(self.ns_at(first + step * index)))
                else:
                    result.append(whole_ns + nearest)
        return result


@dataclass(frozen=True, slots=True)
class TempoMap:
    """The tempo of a song from its first to its last quarter.

    `first_bpm` also holds before bar 1. `changes` are kept sorted; at one place there may be a step and
    a ramp, and the step goes first. Raises ValueError for two steps or two ramps at one place, and for a
    ramp that is not over when the next change comes.
    """

    first_bpm: Fraction
    changes: Sequence[TempoChange] = ()
    segments: tuple[TempoSegment, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "first_bpm", _tempo(self.first_bpm))
        changes = tuple(sorted(self.changes, key=lambda change: (change.at, change.over > 0)))
        _check_changes(changes)
        object.__setattr__(self, "changes", changes)
        object.__setattr__(self, "segments", _segments(self.first_bpm, changes))

    def ns_at(self, quarters: Fraction | int) -> int:
        """Time of a position, in ns from bar 1 beat 1 (negative before it), rounded once, half to even."""
        return round(self._at(quarters).ns_at(Fraction(quarters)))

    def quarters_at(self, ns: int) -> Fraction:
        """Position at a time in ns from bar 1 beat 1; `ns_at` of it gives `ns` again."""
        index = bisect_right(self.segments, Fraction(ns), key=lambda segment: segment.start_ns) - 1
        return self.segments[max(0, index)].quarters_at(ns)

    def bpm_at(self, quarters: Fraction | int) -> float:
        """Tempo at a position, in quarters a minute; at a step, the new tempo."""
        return float(self._at(quarters).bpm_at(Fraction(quarters)))

    def interval_ns_at(self, quarters: Fraction | int) -> float:
        """Spacing of MIDI clocks at a position, in ns: 1/24 of a quarter at the tempo there."""
        return NS_PER_MINUTE / CLOCKS_PER_QUARTER / self.bpm_at(quarters)

    def ns_of_grid(self, first: Fraction, step: Fraction, count: int) -> list[int]:
        """`ns_at` of `count` positions from `first` on, each `step` (above 0) quarters after the last."""
        if step <= 0:
            raise ValueError(f"a grid needs a step above 0, got {step}")
        return self._ns_of(Fraction(first), Fraction(step), range(count))

    def ns_of_ticks(self, ticks: Sequence[int], ppq: int, origin: Fraction = Fraction(0)) -> list[int]:
        """`ns_at` of each tick, with `ppq` ticks a quarter and tick 0 at `origin` quarters.

        Fast when the ticks are sorted, right when they are not.
        """
        if ppq < 1:
            raise ValueError(f"a quarter has 1 tick or more, got {ppq}")
        step = Fraction(1, ppq)
        if all(before <= after for before, after in pairwise(ticks)):
            return self._ns_of(Fraction(origin), step, ticks)
        order = sorted(range(len(ticks)), key=ticks.__getitem__)
        times = self._ns_of(Fraction(origin), step, [ticks[index] for index in order])
        result = [0] * len(ticks)
        for index, ns in zip(order, times, strict=True):
            result[index] = ns
        return result

    def scaled(self, factor: Fraction) -> TempoMap:
        """The same map at `factor` (above 0) times the tempo throughout."""
        if factor <= 0:
            raise ValueError(f"a tempo can only be scaled by a factor above 0, got {factor}")
        return TempoMap(
            self.first_bpm * factor,
            tuple(TempoChange(change.at, change.bpm * factor, change.over) for change in self.changes),
        )

    def _at(self, quarters: Fraction | int) -> TempoSegment:
        index = bisect_right(self.segments, quarters, key=lambda segment: segment.start_quarters) - 1
        return self.segments[max(0, index)]

    def _ns_of(self, first: Fraction, step: Fraction, indices: Sequence[int]) -> list[int]:
        result: list[int] = []
        done = 0
        for _, following in pairwise(self.segments):
            if done == len(indices):
                break
            boundary = math.ceil((following.start_quarters - first) / step)
            end = bisect_left(indices, boundary, done)
            if end > done:
                segment = self._at(first + step * indices[done])
                result += segment.ns_of(first, step, indices[done:end])
                done = end
        result += self.segments[-1].ns_of(first, step, indices[done:])
        return result


def _exact(number: Fraction | int) -> Fraction:
    if isinstance(number, bool) or not isinstance(number, int | Fraction):
        raise TypeError(f"musical time is exact: give an int or a Fraction, got {number!r}")
    return Fraction(number)


def _tempo(bpm: Fraction | int) -> Fraction:
    exact = _exact(bpm)
    if exact <= 0:
        raise ValueError(f"a tempo is above 0 quarters a minute, got {exact}")
    return exact


def _check_changes(changes: Sequence[TempoChange]) -> None:
    for before, after in pairwise(changes):
        if before.at == after.at and (before.over > 0) == (after.over > 0):
            raise ValueError(f"two tempo changes at one place, {before.at} quarters after bar 1 beat 1")
        if before.at + before.over > after.at:
            raise ValueError(
                f"the ramp to {float(before.bpm):g} BPM ends {before.at + before.over} quarters after bar 1 "
                f"beat 1, after the next tempo change at {after.at}"
            )


def _segments(first_bpm: Fraction, changes: Sequence[TempoChange]) -> tuple[TempoSegment, ...]:
    segments: list[TempoSegment] = []
    quarters, ns, bpm = Fraction(0), Fraction(0), first_bpm
    for change in changes:
        # The first segment is kept even when it is empty: it is the tempo before bar 1.
        if change.at > quarters or not segments:
            segments.append(TempoSegment(quarters, change.at, ns, bpm, bpm))
            ns = _anchor(segments[-1].ns_at(change.at))
        quarters = change.at
        if change.over and change.bpm != bpm:
            end = change.at + change.over
            segments.append(TempoSegment(quarters, end, ns, bpm, change.bpm))
            ns = _anchor(segments[-1].ns_at(end))
            quarters = end
        bpm = change.bpm
    segments.append(TempoSegment(quarters, None, ns, bpm, bpm))
    return tuple(segments)


def _anchor(ns: Fraction) -> Fraction:
    """Keep a segment's start exact, unless its denominator has grown beyond all use."""
    if ns.denominator.bit_length() <= _ANCHOR_BITS:
        return ns
    return Fraction(round(ns * _PLACES), _PLACES)
