"""Passing the followed clock on to the rest of the rig: straight or steady. Pure.

A port has sent the clock up to some count; the follower says where the master is. Straight: as soon as
a count has arrived, everything up to it goes out, so that a clock that the master lost is made up by
its successor and the count stays exact. Steady: each count goes out at its predicted time, moved by
the port's offset. While the clock has dropped out, both go by prediction.

Before Start there are no counts; then each arrival is one tick, and a steady port sends the next one
at its predicted time. In the record, a clock of the song has the master's count for its number; those
passed on while the master's transport stands are numbered from `IDLE_FROM` on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from runner.plan.timeline import NO_MACHINE
from runner.play.streams import CLOCK, NEVER, Send
from runner.sync.followed import Followed
from runner.sync.states import LockState

IDLE_FROM = 1 << 31
START_GAP_NS = 1_050_000  #: MIDI 1.0 p. 30: at least 1 ms from Start to its clock; and a little for rounding
MOST_AT_ONCE = 96  #: never more clocks at once than one bar of 4/4, whatever the master does


class PortRelay:
    """The clock of one port. `next_count` is the master's count that the port gets next."""

    def __init__(self, port: int, shift_ns: int, follower: Followed, *, straight: bool) -> None:
        self.port = port
        self.straight = straight
        self.due_ns = NEVER
        self._shift_ns = 0 if straight else shift_ns
        self._follower = follower
        self._playing = False
        self._next_count = 0
        self._not_before = 0
        self._start_count: int | None = None
        self._idle_sent = 0
        self._idle_owed = 0  #: ticks that arrived while stopped and were not passed on yet
        self._idle_ahead = False  #: the tick after the newest arrival has been sent already

    def begin(self, count: int) -> None:
        """The master starts: its next clock is `count`."""
        self._playing = True
        self._next_count = count
        self._idle_owed = 0
        self.retime()

    def start_before(self, count: int) -> None:
        """A Start is still to come on this port, before its clock `count`: hold that clock until it has."""
        self._start_count = count

    def start_sent(self, t_ns: int) -> None:
        """Start or Continue goes out at `t_ns`: its clock keeps the distance, whatever the master did."""
        self._start_count = None
        self._not_before = t_ns + START_GAP_NS
        if self._playing and self.straight and self._next_count < self._follower.next_count:
            self._plan(t_ns)
        else:
            self.retime()

    def _plan(self, due_ns: int) -> None:
        held = self._start_count is not None and self._next_count >= self._start_count
        self.due_ns = NEVER if held else max(due_ns, self._not_before)

    def halt(self) -> None:
        """The master has stopped."""
        self._playing = False
        self._start_count = None
        self._idle_owed = 0
        self._idle_ahead = False
        self.due_ns = NEVER

    def arrived(self, arrival_ns: int) -> None:
        """A clock was taken for a clock."""
        if self._playing:
            self.retime()
            if self.straight and self._next_count < self._follower.next_count:
                self._plan(arrival_ns)
            return
        if self._idle_ahead and not self.straight:
            self._idle_ahead = False
            self._plan_idle()
            return
        self._idle_owed = 1
        self.due_ns = arrival_ns

    def overdue(self, t_ns: int) -> None:
        """The clock has dropped out, which is known since `t_ns`: what a straight port is owed is due now.

        It passes on what comes; that a clock does not come is the master's lateness, and none of ours.
        """
        if self.straight:
            self._not_before = max(self._not_before, t_ns)
        self.retime()

    def retime(self) -> None:
        """Work out anew when the next clock is due."""
        follower = self._follower
        if not self._playing:
            return
        if self.straight and follower.state is not LockState.FREEWHEELING and not follower.carrying_on:
            if self._next_count >= follower.next_count:
                self.due_ns = NEVER
            return
        moment = follower.time_of(self._next_count)
        self._plan(NEVER if moment is None else moment + self._shift_ns)

    def take(self, position: float) -> list[Send]:
        """Return the clocks that are due; `position` is the song position of the first, for the record."""
        due = self.due_ns
        if not self._playing:
            return self._take_idle(due)
        count = 1
        if self.straight and not self._follower.carrying_on:
            ready = self._follower.next_count
            if self._start_count is not None:
                ready = min(ready, self._start_count)
            count = max(1, min(MOST_AT_ONCE, ready - self._next_count))
        sends = [
            Send(due, self.port, CLOCK, NO_MACHINE, 0, position + n / 24, self._next_count + n, False)
            for n in range(count)
        ]
        self._next_count += count
        if due != NEVER:  # a prediction that jumps back must not put the next clock before this one
            self._not_before = max(self._not_before, due)
        self.due_ns = NEVER
        self.retime()
        return sends

    @property
    def next_count(self) -> int:
        """The master's count that the port gets next."""
        return self._next_count

    def _take_idle(self, due: int) -> list[Send]:
        self.due_ns = NEVER
        number = IDLE_FROM | (self._idle_sent & (IDLE_FROM - 1))
        self._idle_sent += 1
        if self._idle_owed:
            self._idle_owed = 0
            if not self.straight:
                self._plan_idle()
        else:
            self._idle_ahead = True
        return [Send(due, self.port, CLOCK, NO_MACHINE, 0, math.nan, number, False)]

    def _plan_idle(self) -> None:
        """Send the tick after the newest arrival when it is predicted, not when it comes.

        Never earlier than that: it may be the one that plays the downbeat, and Start must go before it.
        """
        moment = self._follower.clock_ahead(1)
        self.due_ns = NEVER if moment is None else moment + max(0, self._shift_ns)


def shifts_of(clocks: Sequence[tuple[int, int]]) -> dict[int, int]:
    """Return the shift in ns of each port from (port, shift) pairs; the first of a port counts."""
    shifts: dict[int, int] = {}
    for port, shift_ns in clocks:
        shifts.setdefault(port, shift_ns)
    return shifts
