"""Takes of one song beside the running order: as a schedule asks, or one as a rehearsal does. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Self

from runner.music.rehearsal import AS_IT_STANDS, Rehearsal


@dataclass(frozen=True, slots=True)
class Series:
    """What is left of a series: `left` takes of `song` are still to begin, `gap_ns` after the one before.

    No new take begins after `until_ns` (monotonic), if there is such a limit; one that rolls by then is
    played to its end. `takes` is how many there were to be. `rehearsal` is how the song is to be played.
    """

    song: str
    takes: int
    left: int
    gap_ns: int
    until_ns: int | None = None
    rehearsal: Rehearsal = AS_IT_STANDS

    @property
    def number(self) -> int:
        """Which take of the series comes next, from 1."""
        return self.takes - self.left + 1

    def begun(self) -> Self | None:
        """One more take has begun: return what is left of the series, None if that was the last."""
        return replace(self, left=self.left - 1) if self.left > 1 else None

    def next_at_ns(self, now_ns: int) -> int | None:
        """Return when the next take begins if the last has ended `now_ns`; None if there is none."""
        at_ns = now_ns + self.gap_ns
        if self.until_ns is not None and at_ns > self.until_ns:
            return None
        return at_ns

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "song": self.song,
            "takes": self.takes,
            "left": self.left,
            "gap_ns": self.gap_ns,
            "until_ns": self.until_ns,
            "rehearsal": self.rehearsal.to_dict(),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self | None:
        """Return what `to_dict` gave; None of an empty mapping."""
        if not data:
            return None
        return cls(**{**data, "rehearsal": Rehearsal.from_dict(data.get("rehearsal", {}))})
