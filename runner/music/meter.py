"""Meters (time signatures), and where the bars of a song with meter changes lie.

A song position is counted in quarter notes from bar 1 beat 1, as MIDI counts (24 clocks a quarter
whatever the signature: MIDI 1.0 Detailed Specification 4.2.1, p. 30). A bar of n/d lasts 4n/d quarters.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from runner.music.amount import amount_text, shorten
from runner.music.position import Position

CLOCKS_PER_QUARTER = 24
MAX_NUMERATOR = 255  #: one byte in a Standard MIDI File's time signature
DENOMINATORS = (1, 2, 4, 8, 16, 32, 64, 128)


@dataclass(frozen=True, slots=True)
class Meter:
    """A time signature; `grouping` says how its beats fall into groups, such as (2, 2, 3) for 7/8.

    Raises ValueError for a numerator outside 1 to 255, a denominator that is no note value from 1 to
    128, or a grouping that does not add up to the numerator.
    """

    numerator: int
    denominator: int
    grouping: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not 1 <= self.numerator <= MAX_NUMERATOR:
            raise ValueError(f"a meter has 1 to {MAX_NUMERATOR} beats a bar, got {self.numerator}")
        if self.denominator not in DENOMINATORS:
            raise ValueError(
                f"a meter's lower number is 1, 2, 4, 8, 16, 32, 64 or 128, got {self.denominator}"
            )
        if self.grouping and (min(self.grouping) < 1 or sum(self.grouping) != self.numerator):
            parts = "+".join(str(part) for part in self.grouping)
            raise ValueError(f"the groups {parts} do not add up to {self.numerator} beats")

    @classmethod
    def parse(cls, text: str) -> Meter:
        """Return the meter written as ``7/8``, or with its groups as ``2+2+3/8``.

        Raises ValueError, in words for the user.
        """
        match = re.fullmatch(r"\s*([0-9]{1,4}(?:\s*\+\s*[0-9]{1,4}){0,254})\s*/\s*([0-9]{1,4})\s*", str(text))
        if not match:
            raise ValueError(f"{shorten(str(text))!r} is not a meter such as 4/4, 7/8 or 2+2+3/8")
        groups = tuple(int(part) for part in match[1].split("+"))
        return cls(sum(groups), int(match[2]), groups if len(groups) > 1 else ())

    def __str__(self) -> str:
        upper = "+".join(str(part) for part in self.grouping) if self.grouping else str(self.numerator)
        return f"{upper}/{self.denominator}"

    @property
    def quarters_per_beat(self) -> Fraction:
        """Length of one beat, in quarter notes."""
        return Fraction(4, self.denominator)

    @property
    def quarters_per_bar(self) -> Fraction:
        """Length of one bar, in quarter notes."""
        return Fraction(4 * self.numerator, self.denominator)

    @property
    def clocks_per_bar(self) -> Fraction:
        """Length of one bar, in MIDI clocks; not always whole (1/64 has 1 1/2)."""
        return CLOCKS_PER_QUARTER * self.quarters_per_bar


@dataclass(frozen=True, slots=True)
class MeterStretch:
    """Bars of one meter: from bar `bar`, which starts at `quarters` and has `beats` beats before it."""

    bar: int
    quarters: Fraction
    beats: int
    meter: Meter


@dataclass(frozen=True, slots=True)
class MeterMap:
    """Where each bar of a song lies: the first meter, and the bars at which another one begins.

    `changes` are (bar, meter), bar from 1; they are kept sorted. The first meter also holds in all bars
    before bar 1. Raises ValueError for a change before bar 1 and for two changes at one bar.
    """

    first: Meter
    changes: Sequence[tuple[int, Meter]] = ()
    stretches: tuple[MeterStretch, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        changes = tuple(sorted(self.changes, key=lambda change: change[0]))
        stretches = [MeterStretch(1, Fraction(0), 0, self.first)]
        previous_bar = 0
        for bar, meter in changes:
            if bar < 1:
                raise ValueError(f"a meter can change at bar 1 or later, got bar {bar}")
            if bar == previous_bar:
                raise ValueError(f"two meter changes at bar {bar}")
            previous_bar = bar
            last = stretches[-1]
            bars = bar - last.bar
            stretches.append(
                MeterStretch(
                    bar,
                    last.quarters + bars * last.meter.quarters_per_bar,
                    last.beats + bars * last.meter.numerator,
                    meter,
                )
            )
        object.__setattr__(self, "changes", changes)
        object.__setattr__(self, "stretches", tuple(stretches))

    def bar_start(self, bar: int) -> Fraction:
        """Position of the first beat of bar `bar`, in quarters."""
        stretch = self._of_bar(bar)
        return stretch.quarters + (bar - stretch.bar) * stretch.meter.quarters_per_bar

    def quarters(self, bar: int, beat: Fraction | int = Fraction(1)) -> Fraction:
        """Position of a bar and beat, in quarters. Raises ValueError if the bar has no such beat."""
        meter = self.meter_of_bar(bar)
        if not 1 <= beat < meter.numerator + 1:
            seen = amount_text(Fraction(beat)) if beat >= 0 else str(beat)
            beats = "only beat 1" if meter.numerator == 1 else f"beats 1 to {meter.numerator}"
            raise ValueError(f"bar {bar} is in {meter} and has {beats}, got beat {seen}")
        return self.bar_start(bar) + (beat - 1) * meter.quarters_per_beat

    def position(self, quarters: Fraction | int) -> Position:
        """The bar and beat at a position in quarters."""
        stretch = self._at(quarters)
        bars, rest = divmod(Fraction(quarters) - stretch.quarters, stretch.meter.quarters_per_bar)
        return Position(stretch.bar + bars, 1 + rest / stretch.meter.quarters_per_beat)

    def meter_at(self, quarters: Fraction | int) -> Meter:
        """The meter in force at a position in quarters; at a change, the new one."""
        return self._at(quarters).meter

    def meter_of_bar(self, bar: int) -> Meter:
        """The meter of bar `bar`."""
        return self._of_bar(bar).meter

    def bars_at(self, quarters: Fraction | int) -> Fraction:
        """The position as a bar number with a fraction: 3 1/2 is the middle of bar 3."""
        stretch = self._at(quarters)
        return stretch.bar + (Fraction(quarters) - stretch.quarters) / stretch.meter.quarters_per_bar

    def quarters_of_bars(self, bars: Fraction) -> Fraction:
        """The inverse of `bars_at`."""
        stretch = self._of_bar(bars)
        return stretch.quarters + (bars - stretch.bar) * stretch.meter.quarters_per_bar

    def beats_at(self, quarters: Fraction | int) -> Fraction:
        """How many beats lie between bar 1 beat 1 and a position, each of its own meter's length."""
        stretch = self._at(quarters)
        return stretch.beats + (Fraction(quarters) - stretch.quarters) / stretch.meter.quarters_per_beat

    def quarters_of_beats(self, beats: Fraction) -> Fraction:
        """The inverse of `beats_at`."""
        index = max(0, bisect_right(self.stretches, beats, key=lambda stretch: Fraction(stretch.beats)) - 1)
        stretch = self.stretches[index]
        return stretch.quarters + (beats - stretch.beats) * stretch.meter.quarters_per_beat

    def _at(self, quarters: Fraction | int) -> MeterStretch:
        index = bisect_right(self.stretches, quarters, key=lambda stretch: stretch.quarters) - 1
        return self.stretches[max(0, index)]

    def _of_bar(self, bar: Fraction | int) -> MeterStretch:
        index = bisect_right(self.stretches, bar, key=lambda stretch: stretch.bar) - 1
        return self.stretches[max(0, index)]
