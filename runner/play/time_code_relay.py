"""The beat clock of one port, made from another machine's time code. Pure."""

from __future__ import annotations

from runner.play.relay import PortRelay
from runner.play.streams import NEVER, Send
from runner.sync.followed import Followed


class TimeCodeRelay(PortRelay):
    """The beat clock of one port, made from time code; clocks are numbered as those of the leg's grid.

    `first` is the count of the grid's first clock, `end` that after the roll's last, None if not known.
    """

    def __init__(self, port: int, shift_ns: int, follower: Followed, first: int, end: int | None) -> None:
        self._first = first
        self._end = end
        super().__init__(port, shift_ns, follower, straight=False)

    def retime(self) -> None:
        """Work out anew when the next clock is due; none is, after the roll's last."""
        super().retime()
        if self._end is not None and self.next_count >= self._end:
            self.due_ns = NEVER

    def take(self, position: float) -> list[Send]:
        """Return the clock that is due."""
        return [send._replace(tick=send.tick - self._first) for send in super().take(position)]
