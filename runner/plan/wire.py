"""What fits on a port's wire, and how long a clock has to wait for other bytes on it.

A port is a queue: bytes leave in the order in which they were handed over, one at a time. A DIN cable
carries 31,250 bits a second and 10 bits a byte: one byte in 320 us (MIDI 1.0 Detailed Specification
4.2.1, p. 1). So a clock that is due right after the first byte of a chord of six notes leaves 5.4 ms late.
The standard lets a sender put a clock between the bytes of another message (p. 30), but no driver that
takes whole messages does, so the model does not count on it.

On USB, MIDI travels in event packets of 4 bytes (3 of MIDI), at best 304 of them in a frame of 1 ms
(19 bulk transactions of 64 bytes, full speed; from memory of USB 2.0, 5.8.4). A clock may also have to
wait for the next frame, whatever is planned; that is the interface's and is not counted here.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

DIN_BYTE_NS = 320_000
USB_PACKET_NS = 3_290  #: 1 ms / 304
USB_PACKET_BYTES = 3
CLOCK_GUARD_NS = 100_000  #: kept free before each clock, for a message that is handed over a little late
BACKLOG_NS = 30_000_000  #: how far back the queue is followed when a stretch of wire is looked at


@dataclass(frozen=True, slots=True)
class Link:
    """A kind of wire: `unit_ns` is the time that `unit_bytes` bytes of one message take."""

    name: str
    unit_ns: int
    unit_bytes: int

    def duration_ns(self, size: int) -> int:
        """Return how long a message of `size` bytes occupies the wire."""
        return -(-size // self.unit_bytes) * self.unit_ns

    def capacity(self, span_ns: int) -> int:
        """Return how many bytes of one message pass within `span_ns`."""
        return max(0, span_ns // self.unit_ns * self.unit_bytes)


DIN = Link("din", DIN_BYTE_NS, 1)
USB = Link("usb", USB_PACKET_NS, USB_PACKET_BYTES)


def link_named(name: str) -> Link:
    """Return the wire that a session calls `din` or `usb`."""
    return {"din": DIN, "usb": USB}[name]


class Busy(NamedTuple):
    """A stretch during which the wire carries something."""

    start_ns: int
    end_ns: int
    is_clock: bool


class Piece(NamedTuple):
    """Part of a cut system exclusive message: `size` bytes to be handed over at `t_ns`."""

    t_ns: int
    size: int


@dataclass(slots=True)
class PortWire:
    """The traffic of one port, and where on it there is room.

    `clock_ns`, and `times_ns` with the `sizes` in bytes of all messages that cannot be moved, are sorted.
    What is placed is remembered (`add`), so that the next thing finds another place.
    """

    link: Link
    clock_ns: Sequence[int]
    times_ns: Sequence[int]
    sizes: Sequence[int]
    _placed: list[tuple[int, int]] = field(default_factory=list)

    def add(self, t_ns: int, size: int) -> None:
        """Remember that `size` bytes are handed over at `t_ns`."""
        insort(self._placed, (t_ns, size))

    def busy(self, low_ns: int, high_ns: int) -> list[Busy]:
        """Return what occupies the wire between two times, in order, as the queue sends it."""
        since = low_ns - BACKLOG_NS
        items: list[tuple[int, int, int]] = []
        first, last = bisect_left(self.times_ns, since), bisect_right(self.times_ns, high_ns)
        items += [(self.times_ns[index], 1, self.sizes[index]) for index in range(first, last)]
        first, last = bisect_left(self.clock_ns, since), bisect_right(self.clock_ns, high_ns)
        items += [(self.clock_ns[index], 0, 1) for index in range(first, last)]
        first, last = bisect_left(self._placed, (since, 0)), bisect_right(self._placed, (high_ns, 1 << 30))
        items += [(t_ns, 1, size) for t_ns, size in self._placed[first:last]]
        items.sort()
        result: list[Busy] = []
        free_ns = since
        for t_ns, kind, size in items:
            start_ns = max(t_ns, free_ns)
            free_ns = start_ns + self.link.duration_ns(size)
            if free_ns > low_ns:
                result.append(Busy(start_ns, free_ns, kind == 0))
        return result

    def latest_gap(self, size: int, deadline_ns: int, earliest_ns: int) -> int | None:
        """Return the latest time from which `size` bytes pass by `deadline_ns` and delay nothing.

        None if there is no such time from `earliest_ns` on.
        """
        need_ns = self.link.duration_ns(size)
        end_ns = deadline_ns
        for start_ns, stop_ns, is_clock in reversed(self.busy(earliest_ns, deadline_ns)):
            if stop_ns <= end_ns - need_ns:
                break
            end_ns = min(end_ns, start_ns - (CLOCK_GUARD_NS if is_clock else 0))
        next_clock = bisect_left(self.clock_ns, deadline_ns)
        if end_ns == deadline_ns and next_clock < len(self.clock_ns):
            end_ns = min(end_ns, self.clock_ns[next_clock] - CLOCK_GUARD_NS)
        start = end_ns - need_ns
        return start if start >= earliest_ns else None

    def fits_at(self, size: int, t_ns: int) -> bool:
        """Return whether `size` bytes at `t_ns`, behind a clock of that instant, delay nothing."""
        at_ns = t_ns
        end_ns = at_ns + self.link.duration_ns(size) + self.link.duration_ns(1)
        for start_ns, stop_ns, is_clock in self.busy(t_ns, end_ns + CLOCK_GUARD_NS):
            if start_ns < t_ns or (start_ns == t_ns and is_clock):
                at_ns = max(at_ns, stop_ns)
            elif start_ns - (CLOCK_GUARD_NS if is_clock else 0) < at_ns + self.link.duration_ns(size):
                return False
        return True

    def cut(self, size: int, deadline_ns: int, earliest_ns: int) -> list[Piece] | None:
        """Return how `size` bytes of system exclusive can be sent in pieces between the clocks.

        Only clocks may pass inside such a message (MIDI 1.0 4.2.1, p. 29-30): any other message would end it.
        So a stretch without other messages is looked for, the latest that ends by `deadline_ns`. None if
        there is none from `earliest_ns` on.
        """
        traffic = self.busy(earliest_ns, deadline_ns)
        high_ns = deadline_ns
        clocks: list[Busy] = []
        for item in reversed(traffic):
            if item.is_clock:
                clocks.append(item)
                continue
            pieces = self._fill(size, item.end_ns, high_ns, clocks)
            if pieces is not None:
                return pieces
            high_ns, clocks = min(high_ns, item.start_ns), []
        return self._fill(size, earliest_ns, high_ns, clocks)

    def _fill(self, size: int, low_ns: int, high_ns: int, clocks: Sequence[Busy]) -> list[Piece] | None:
        """Fill the spaces between `clocks` (latest first) from the back; None if `size` does not fit."""
        pieces: list[Piece] = []
        left = size
        end_ns = high_ns
        for start_ns, stop_ns, _ in (*clocks, Busy(low_ns, low_ns, False)):
            begin_ns = max(stop_ns, low_ns)
            count = min(left, self.link.capacity(end_ns - begin_ns - CLOCK_GUARD_NS))
            if count:
                pieces.append(Piece(begin_ns, count))
                left -= count
            if not left:
                return pieces[::-1]
            end_ns = start_ns
        return None

    def least_wait(self, size: int, deadline_ns: int, earliest_ns: int) -> int:
        """Return from when on `size` bytes in one go delay the clock least; among equals, the latest.

        The best places are right behind a clock, and where no clock runs.
        """
        need_ns = self.link.duration_ns(size)
        last_ns = deadline_ns - need_ns
        byte_ns = self.link.duration_ns(1)
        first, stop = bisect_left(self.clock_ns, earliest_ns), bisect_right(self.clock_ns, last_ns - byte_ns)
        candidates = [earliest_ns, last_ns, *(self.clock_ns[index] + byte_ns for index in range(first, stop))]
        best_ns, best_wait = last_ns, None
        for start_ns in sorted(candidates):
            following = bisect_left(self.clock_ns, start_ns)
            wait_ns = 0
            if following < len(self.clock_ns):
                wait_ns = max(0, start_ns + need_ns - self.clock_ns[following])
            if best_wait is None or wait_ns <= best_wait:
                best_ns, best_wait = start_ns, wait_ns
        return best_ns
