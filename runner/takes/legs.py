"""Where a take was at a time if its roll was no plain run through one song: loops, holds, songs straight on.

Pure. The engine writes a state record as each leg is entered (its number, which pass, when); the header says
what the legs are. The two together lead from a time to a song and a position in it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from runner.music.moment import SongTime

if TYPE_CHECKING:
    from runner.takes.declared import Declared
    from runner.takes.model import Event


@dataclass(frozen=True, slots=True)
class LegFacts:
    """A leg of the roll: a stretch of `song` in quarters, played `repeats` times (0: until told to go on)."""

    song: str
    entry_quarters: float
    exit_quarters: float
    repeats: int = 1


def in_song(text: str, song: str, main: str) -> str:
    """Return a position's text, with its song's name in front if that is not the take's own."""
    return text if song == main else f"{song}, {text}"


@dataclass(frozen=True, slots=True)
class PlayedLegs:
    """The legs of a take as they were entered; times in ns from the take's anchor, in order."""

    entered_ns: Sequence[int]
    legs: Sequence[LegFacts]
    times: Mapping[str, SongTime]  #: of each song
    main: str  #: the song that the take is named after

    @classmethod
    def of_take(cls, events: Sequence[Event], declared: Declared, song: str) -> PlayedLegs | None:
        """Return the legs of a take, or None of a plain run through one song (or without their records)."""
        if len(declared.legs) < 2 and all(leg.repeats == 1 for leg in declared.legs):
            return None
        rows: list[tuple[int, LegFacts]] = []
        for event in events:
            number = event.detail.get("leg") if event.kind == "state" else None
            if isinstance(number, int) and 0 <= number < len(declared.legs):
                rows.append((event.t_ns, declared.legs[number]))
        rows.sort(key=lambda row: row[0])
        times = {name: time for name, time in declared.song_times(song).items() if time is not None}
        if not rows or not times:
            return None
        return cls([row[0] for row in rows], [row[1] for row in rows], times, song)

    def at(self, t_ns: int) -> str | None:
        """Return song position at a time as text, with the song's name if it is not the take's own."""
        index = max(0, bisect_right(self.entered_ns, t_ns) - 1)
        leg = self.legs[index]
        time = self.times.get(leg.song)
        if time is None:
            return None
        entry = Fraction(leg.entry_quarters).limit_denominator(100_000)
        since = t_ns - self.entered_ns[index]
        try:
            quarters = time.tempo.quarters_at(time.tempo.ns_at(entry) + since)
        except (ValueError, OverflowError):
            return None
        return in_song(time.at_text(Fraction(round(quarters * 24), 24)), leg.song, self.main)


class LegText:
    """Text of positions while a take is written: each leg's song counts its own bars."""

    def __init__(self, main: str, legs: Sequence[LegFacts], times: Mapping[str, SongTime]) -> None:
        self._main = main
        self._legs = legs
        self._times = times
        self._next: list[tuple[int, int]] = []  #: when which leg is entered
        self.leg = 0  #: the number of the leg that plays

    def __call__(self, quarters: Fraction) -> str:
        """Return the text of a position in the song that plays."""
        time = self._times.get(self.song)
        return in_song("" if time is None else time.at_text(quarters), self.song, self._main)

    def entered(self, leg: int, t_ns: int) -> None:
        """Take note that a leg begins at `t_ns`; it may be told ahead of its time."""
        if 0 <= leg < len(self._legs):
            self._next.append((t_ns, leg))

    def due(self, t_ns: int) -> bool:
        """Return whether another leg begins by `t_ns`."""
        return bool(self._next) and self._next[0][0] <= t_ns

    def go_to(self, t_ns: int) -> None:
        """Say that what follows is of `t_ns` or later."""
        while self.due(t_ns):
            _, self.leg = self._next.pop(0)

    @property
    def song(self) -> str:
        """The song that plays."""
        return self._legs[self.leg].song if self.leg < len(self._legs) else self._main

    @property
    def held(self) -> bool:
        """Whether the leg that plays goes round until it is told to go on, its first pass included."""
        legs = self._legs[self.leg : self.leg + 1]
        return bool(legs) and legs[0].repeats == 0
