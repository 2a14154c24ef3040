"""What a player asks of a clock that it follows, be it a beat clock or time code. Pure."""

from __future__ import annotations

from typing import Protocol

from runner.sync.states import LockState, Transport


class Followed(Protocol):
    """Another machine's clock, in MIDI clocks of the song (24 a quarter). Times are monotonic ns."""

    @property
    def state(self) -> LockState:
        """How far it can be trusted."""

    @property
    def transport(self) -> Transport:
        """Stopped, starting or playing."""

    @property
    def carrying_on(self) -> bool:
        """Whether the song goes on without it."""

    @property
    def next_count(self) -> int:
        """The clock that comes next."""

    def time_of(self, count: float) -> int | None:
        """Return the predicted time of a song position, None while there is no prediction."""

    def count_at(self, now_ns: int) -> float | None:
        """Return the song position at a time."""

    def clock_ahead(self, clocks: int = 1) -> int | None:
        """Return the predicted time of the clock after the newest, playing or stopped."""
