"""A place in a song as musicians name it: bar and beat."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from runner.music.amount import amount_text


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """Bar `bar`, beat `beat`; both count from 1, and beats are of the meter's denominator.

    The bar directly before bar 1 is bar 0, the one before that bar -1. `beat` may be any fraction from
    1 on; whether the bar has that beat is for a `MeterMap` to say. Raises ValueError for a beat below 1.
    """

    bar: int
    beat: Fraction = Fraction(1)

    def __post_init__(self) -> None:
        object.__setattr__(self, "beat", Fraction(self.beat))
        if self.beat < 1:
            raise ValueError(f"beats count from 1, got beat {self.beat}")

    def __str__(self) -> str:
        return f"bar {self.bar} beat {amount_text(self.beat)}"
