"""The things that a roll has to do, each as a stream that knows when its next item is due. Pure.

A leg in play has one stream for its events, one for each group of ports that get the same clock, one
for its stage marks, and the player keeps one for the seam to the next leg. A stream keeps its next
moment in `due_ns`, so that finding what comes next is a comparison of a handful of integers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from runner.plan.timeline import NO_MACHINE, EventOrder, Stage, Timeline

NEVER = (1 << 63) - 1  #: later than anything
CLOCK = b"\xf8"
NO_TICK = -1
# a stage begins before what is sent at its first instant, so that the record reads in order; the end
# comes after the last message
_BEFORE_ALL = -1
_AFTER_ALL = 99


class Send(NamedTuple):
    """One message to be sent now. `tick` is the number of a clock in the roll, or `NO_TICK`.

    `source` indexes the timeline's sources; `cut` marks what silences and was in no timeline.
    """

    due_ns: int
    port: int
    data: bytes
    machine: int
    source: int
    quarters: float
    tick: int
    cut: bool


#: Song time, musical moment and shift of an item -> monotonic ns, by whatever clock rules the roll.
WhenDue = Callable[[int, float, int], int]


class EventStream:
    """The events of one leg, in order."""

    __slots__ = ("_events", "_next", "_when", "due_ns", "order")

    def __init__(self, timeline: Timeline, when: WhenDue) -> None:
        self._events = timeline.events
        self._when = when
        self._next = -1
        self.due_ns = NEVER
        self.order = int(EventOrder.PROGRAM)
        self._step()

    def skip_rows(self, count: int) -> None:
        """Leave out the first `count` events: they are sent in another way."""
        self._next = max(self._next, count)
        self.retime()

    def chase_to(self, quarters: float) -> list[Send]:
        """Leave out every event before `quarters`; return what of them must be in force there, in order.

        The last program (with the bank selects before it), controllers, bend and pressure of each
        channel; no notes, no transport.
        """
        events = self._events
        in_force: dict[tuple[int, int, int], int] = {}
        at = self._next
        while at < len(events) and events.quarters[at] < quarters:
            first = events.data[events.start[at]]
            if 0xA0 <= first < 0xF0:
                second = events.data[events.start[at] + 1] if first < 0xC0 else 0
                key = (events.port[at], first, second)
                in_force.pop(key, None)  # what came last stands last
                in_force[key] = at
            at += 1
        self._next = at
        self.retime()
        return [self._send(row, 0) for row in sorted(in_force.values())]

    def _step(self) -> None:
        self._next += 1
        self.retime()

    def retime(self) -> None:
        """Work out anew when the next event is due."""
        events, at = self._events, self._next
        if at >= len(events):
            self.due_ns = NEVER
            return
        self.due_ns = self._when(events.t_ns[at], events.quarters[at], events.shift_ns[at])
        first = events.data[events.start[at]]
        # start, continue, stop and song position go before a clock of the same instant
        transport = 0xFA <= first <= 0xFC or first in (0xF2, 0xF3)
        self.order = int(EventOrder.TRANSPORT if transport else EventOrder.PROGRAM)

    def take(self) -> list[Send]:
        """Return the event that is due, and move on to the next."""
        send = self._send(self._next, self.due_ns)
        self._step()
        return [send]

    def take_with_order(self) -> tuple[int, Send]:
        """Return the next event and its order at one instant, and move on."""
        order = self.order
        return order, self.take()[0]

    def _send(self, row: int, due_ns: int) -> Send:
        events = self._events
        return Send(
            due_ns,
            events.port[row],
            events.bytes_of(row),
            events.machine[row],
            events.source[row],
            events.quarters[row],
            NO_TICK,
            False,
        )


class TickStream:
    """The clock of all ports of a leg that get the same ticks at the same times."""

    __slots__ = ("_end", "_first_tick", "_next", "_ports", "_shift", "_timeline", "_when", "due_ns", "order")

    def __init__(
        self,
        timeline: Timeline,
        ports: tuple[int, ...],
        span: tuple[int, int, int],
        first_tick: int,
        when: WhenDue,
    ) -> None:
        """`span`: (shift in ns, first tick, end) of the grid; `first_tick`: its number in the roll."""
        self._timeline = timeline
        self._ports = ports
        self._shift, self._next, self._end = span
        self._first_tick = first_tick
        self._when = when
        self.order = int(EventOrder.CLOCK)
        self.due_ns = NEVER
        self.retime()

    def retime(self) -> None:
        """Work out anew when the next tick is due."""
        at = self._next
        if at >= self._end:
            self.due_ns = NEVER
            return
        timeline = self._timeline
        self.due_ns = self._when(timeline.clock_ns[at] + self._shift, self._quarters(), self._shift)

    def _quarters(self) -> float:
        return self._timeline.clock_quarters0 + self._next / 24

    def take(self) -> list[Send]:
        """Return one clock for each port, and move on to the next tick."""
        due, quarters, tick = self.due_ns, self._quarters(), self._first_tick + self._next
        sends = [Send(due, port, CLOCK, NO_MACHINE, 0, quarters, tick, False) for port in self._ports]
        self._next += 1
        self.retime()
        return sends


class StageStream:
    """The moments at which a leg's stages begin."""

    __slots__ = ("_marks", "_next", "_when", "due_ns", "order")

    def __init__(self, timeline: Timeline, when: WhenDue) -> None:
        self._marks = timeline.stages
        self._when = when
        self._next = 0
        self.due_ns = NEVER
        self.order = _BEFORE_ALL
        self.retime()

    @property
    def quarters(self) -> float | None:
        """The song position of the next stage; None after the last."""
        return self._marks[self._next].quarters if self._next < len(self._marks) else None

    def begin_at(self, quarters: float) -> None:
        """Leave out the lead, and the stages that begin before `quarters`."""
        while self._next < len(self._marks):
            mark = self._marks[self._next]
            if mark.stage is not Stage.LEAD and mark.quarters >= quarters:
                break
            self._next += 1
        self.retime()

    def retime(self) -> None:
        """Work out anew when the next stage begins."""
        if self._next >= len(self._marks):
            self.due_ns = NEVER
            return
        mark = self._marks[self._next]
        self.order = _AFTER_ALL if mark.stage is Stage.END else _BEFORE_ALL
        self.due_ns = self._when(mark.t_ns, mark.quarters, 0)

    def take(self) -> tuple[Stage, float, int]:
        """Return the stage that begins, its song position and its moment, and move on."""
        mark = self._marks[self._next]
        due = self.due_ns
        self._next += 1
        self.retime()
        return mark.stage, mark.quarters, due


def tick_groups(timeline: Timeline) -> dict[tuple[int, int, int], tuple[int, ...]]:
    """Return the ports of each (shift, first, last) in `timeline`, so that one deadline serves them all."""
    groups: dict[tuple[int, int, int], tuple[int, ...]] = {}
    for role in timeline.clocks:
        key = (role.shift_ns, role.first, role.last)
        groups[key] = (*groups.get(key, ()), role.port)
    return groups
