"""Where a frame lies in a song: time codes, quarter frames counted through, and song time. Pure."""

from __future__ import annotations

from runner.music import FrameRate, TimeCode
from runner.music.mtc import PER_FRAME


class TapeScale:
    """Translates between the three at one rate. Song time is in ns from bar 1, which lies at `origin`.

    Quarter frames are counted so that the one at bar 1 has the number of a whole day of them: no count within
    half a day of it is negative. `skew` is by how many quarter frames the tape's numbers have turned out to
    be wrong since it began, where it leaves out numbers that it should have.
    """

    __slots__ = ("_base", "_origin", "_per_ns", "rate", "skew")

    def __init__(self, origin: TimeCode) -> None:
        self.rate: FrameRate = origin.rate
        self.skew = 0
        self._origin = origin
        self._base = PER_FRAME * origin.rate.frames_per_day
        self._per_ns = PER_FRAME * float(origin.rate.frames_per_second) / 1e9

    def count_of_code(self, code: TimeCode, piece: int = 0) -> int:
        """Return the count of a piece of the set that carries `code`; ValueError at another rate."""
        return self._base + PER_FRAME * code.frames_since(self._origin) + piece - self.skew

    def count_of_ns(self, ns: float) -> float:
        """Return the count at a song time, between quarter frames too."""
        return self._base + ns * self._per_ns

    def ns_of_count(self, count: float) -> float:
        """Return the song time of a count."""
        return (count - self._base) / self._per_ns
