"""What ports that refused messages still owe: notes that were to end and did not, a Stop that did not arrive.

A port that refuses (a full queue, a driver that hangs) may refuse the one Note Off that a note gets. The
player has done its part by then; the table of what was really sent knows better. So a port that refused
anything is looked at again: as soon as it takes messages, and every quarter of a second while it does not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from runner.play.sounding import Sounding

RETRY_NS = 250_000_000


class Debts:
    """Keeps the ports that refused something, and when each is to be tried again. All times monotonic ns."""

    def __init__(self, owed: Sounding) -> None:
        """`owed` counts what was really sent."""
        self._owed = owed
        self._again_ns: dict[int, int] = {}

    def refused(self, port: int, now_ns: int) -> None:
        """Note that a port refused a message."""
        self._again_ns[port] = now_ns + RETRY_NS

    def takes_again(self, port: int, now_ns: int) -> None:
        """Note that a port that refused takes messages."""
        if port in self._again_ns:
            self._again_ns[port] = now_ns

    def next_deadline_ns(self) -> int | None:
        """Return when a port is to be tried next; None if none is."""
        return min(self._again_ns.values(), default=None)

    def due(self, now_ns: int, sounding: Sounding) -> Iterator[tuple[int, list[bytes]]]:
        """Yield each port that is to be tried now, with what it owes beyond what is meant to be sounding.

        A port that the caller finds to refuse again is to be reported again by `refused`.
        """
        for port, again_ns in list(self._again_ns.items()):
            if again_ns <= now_ns:
                del self._again_ns[port]
                messages = self.of(port, sounding)
                if messages:
                    yield port, messages

    def of(self, port: int, sounding: Sounding) -> list[bytes]:
        """Return what ends all that a port still does though it should not: Stop first, then Note Offs."""
        left = Counter(_endings(self._owed, port))
        left -= Counter(_endings(sounding, port))
        return list(left.elements())


def _endings(table: Sounding, port: int) -> Iterator[bytes]:
    yield from table.stop(port)
    yield from table.note_offs(port)
