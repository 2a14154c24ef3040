"""When the things of a leg happen: by an anchor of our own, or by the clock of another machine. Pure."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Protocol

from runner.plan.timeline import Timeline
from runner.play.streams import NEVER
from runner.sync.followed import Followed

CLOCKS_PER_QUARTER = 24


class LegTime(Protocol):
    """The time of one leg in play."""

    def when(self, t_ns: int, quarters: float, shift_ns: int) -> int:
        """Return the monotonic time of an item of the leg, or `NEVER` while that is not known."""

    def position(self, now_ns: int) -> float:
        """Return the song position at `now_ns` in quarters, to the last tick."""

    def entered(self, now_ns: int) -> bool:
        """Return whether the leg's own stretch has begun at `now_ns`."""

    def after(self, following: Timeline) -> LegTime:
        """Return the time of a leg that begins exactly where this one ends."""


@dataclass(frozen=True, slots=True)
class AnchoredTime:
    """Our own clock rules: `origin_ns` is the monotonic time of the leg's song time 0."""

    timeline: Timeline
    origin_ns: int

    def when(self, t_ns: int, quarters: float, shift_ns: int) -> int:
        """Return `origin_ns` plus the item's song time, in which its shift is contained."""
        return self.origin_ns + t_ns

    def position(self, now_ns: int) -> float:
        """Return the position of the last tick of the leg's grid."""
        at = bisect_right(self.timeline.clock_ns, now_ns - self.origin_ns) - 1
        return self.timeline.clock_quarters0 + max(at, 0) / CLOCKS_PER_QUARTER

    def entered(self, now_ns: int) -> bool:
        """Return whether the seam before the leg is past."""
        return now_ns >= self.origin_ns + self.timeline.entry_ns

    def after(self, following: Timeline) -> AnchoredTime:
        """Return the anchor at which the next leg's entry falls on this one's exit."""
        return AnchoredTime(following, self.origin_ns + self.timeline.exit_ns - following.entry_ns)


@dataclass(frozen=True, slots=True)
class FollowedTime:
    """Another machine's clock rules: `count0` is its clock count at the leg's song position 0 quarters."""

    timeline: Timeline
    follower: Followed
    count0: float

    def count(self, quarters: float) -> float:
        """Return the master's clock count at a song position of this leg."""
        return self.count0 + quarters * CLOCKS_PER_QUARTER

    def when(self, t_ns: int, quarters: float, shift_ns: int) -> int:
        """Return the predicted time of the item's moment, shifted; `NEVER` while there is no prediction."""
        moment = self.follower.time_of(self.count(quarters))
        return NEVER if moment is None else moment + shift_ns

    def position(self, now_ns: int) -> float:
        """Return the position by the master's count."""
        count = self.follower.count_at(now_ns)
        return float("nan") if count is None else (count - self.count0) / CLOCKS_PER_QUARTER

    def entered(self, now_ns: int) -> bool:
        """Return whether the master has reached the leg's entry."""
        count = self.follower.count_at(now_ns)
        return count is not None and count >= self.count(self.timeline.entry_quarters)

    def after(self, following: Timeline) -> FollowedTime:
        """Return the count at which the next leg's entry falls on this one's exit."""
        exit_count = self.count(self.timeline.exit_quarters)
        return FollowedTime(
            following, self.follower, exit_count - following.entry_quarters * CLOCKS_PER_QUARTER
        )
