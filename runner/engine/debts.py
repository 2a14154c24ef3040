"""What ports that refused messages still owe: notes that were to end and did not, a Stop that did not arrive.

A port that refuses (a full queue, a driver that hangs) may refuse the one Note Off that a note gets. The
player has done its part by then; the table of what was really sent knows better. So a port that refused
anything is looked at again: as soon as it takes messages, and every quarter of a second while it does not.

What ends the notes of an engine that died may vanish on its way too, where the sound system is still busy
with that death (JACK, seen). It is sent once more a little later, if nothing has begun to roll by then.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from runner.play.sounding import Sounding

RETRY_NS = 250_000_000
ONCE_MORE_NS = 500_000_000  #: a JACK server has thrown a dead client out by then


class Debts:
    """Keeps the ports that refused something, and when each is to be tried again. All times monotonic ns."""

    def __init__(self, owed: Sounding) -> None:
        """`owed` counts what was really sent."""
        self._owed = owed
        self._again_ns: dict[int, int] = {}
        self._more: list[tuple[int, int, list[bytes]]] = []

    def refused(self, port: int, now_ns: int) -> None:
        """Note that a port refused a message."""
        self._again_ns[port] = now_ns + RETRY_NS

    def once_more(self, port: int, messages: Sequence[bytes], now_ns: int) -> None:
        """Have what ended something sent once more: it may have gone nowhere."""
        if messages:
            self._more.append((now_ns + ONCE_MORE_NS, port, list(messages)))

    def takes_again(self, port: int, now_ns: int) -> None:
        """Note that a port that refused takes messages."""
        if port in self._again_ns:
            self._again_ns[port] = now_ns

    def all_due(self, now_ns: int) -> None:
        """Have all that is owed tried now, whether a port takes messages again or not: there is no later."""
        self._again_ns = dict.fromkeys(self._again_ns, now_ns)
        self._more = [(now_ns, port, messages) for _, port, messages in self._more]

    def next_deadline_ns(self) -> int | None:
        """Return when a port is to be tried next; None if none is."""
        return min([*self._again_ns.values(), *(more[0] for more in self._more)], default=None)

    def due(self, now_ns: int, sounding: Sounding, *, moving: bool) -> Iterator[tuple[int, list[bytes]]]:
        """Yield each port that is to be tried now, with what it owes beyond what is meant to be sounding.

        A port that the caller finds to refuse again is to be reported again by `refused`. What was to be sent
        once more is left out while something is `moving`: it could end what has just begun.
        """
        more = [entry for entry in self._more if entry[0] <= now_ns]
        self._more = [entry for entry in self._more if entry[0] > now_ns]
        if not moving:
            yield from ((port, messages) for _, port, messages in more)
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
