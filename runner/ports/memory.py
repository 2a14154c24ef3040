"""Ports within one process: a pair joined by a scripted cable, and one that only counts.

The pair is for tests and the bench: it can delay, jitter and lose messages, refuse them, and hold the
sender up, all from a seed. `NullPort` is the cheapest port there is.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from runner.ports.base import ConfiguredPort, NowNs, PortConfig, Receive, SendError
from runner.ports.splitter import MessageSplitter


@dataclass(frozen=True, slots=True)
class Cable:
    """What happens to messages one way between two memory ports. Sends count from 0.

    `delay_ns` for all; `jitter_ns` is the largest further delay, even in distribution, and order is kept.
    `loss` is the share of messages that vanish; `lose` names some by number. `refuse` are sends that raise,
    as are all from `refuse_from` on. `hold_ns`: a send among `hold` keeps the sender for so long.
    """

    delay_ns: int = 0
    jitter_ns: int = 0
    loss: float = 0.0
    lose: frozenset[int] = frozenset()
    refuse: frozenset[int] = frozenset()
    refuse_from: int | None = None
    hold: frozenset[int] = frozenset()
    hold_ns: int = 0
    seed: int = 1


class Sent(NamedTuple):
    """One message that was sent, and when."""

    t_ns: int
    data: bytes


def _sleep_ns(span_ns: int) -> None:
    time.sleep(span_ns / 1e9)


class MemoryPort(ConfiguredPort):
    """One end of a pair. Without delay and jitter the other end receives within `send`, else within `due`."""

    threaded = False

    def __init__(
        self,
        config: PortConfig,
        clock: NowNs = time.monotonic_ns,
        cable: Cable | None = None,
        *,
        keep: int | None = None,
        hold: Callable[[int], None] = _sleep_ns,
    ) -> None:
        super().__init__(config)
        self._clock = clock
        self.cable = cable or Cable()  #: the way out of this port; may be changed at any time
        self.sent: deque[Sent] = deque(maxlen=keep)  #: all that was sent and not refused, the last `keep`
        self._hold = hold
        self._peer: MemoryPort | None = None
        self._receive: Receive | None = None
        self._random = Random(self.cable.seed)
        self._splitter = MessageSplitter(packets=True)
        self._under_way: deque[Sent] = deque()  # by time of arrival
        self._number = 0
        self._last_arrival_ns = 0
        self._open = True

    def join(self, peer: MemoryPort) -> None:
        """Lay the cable to `peer`, both ways."""
        self._peer, peer._peer = peer, self

    def start(self, receive: Receive) -> None:
        """Deliver what the other end sends to `receive`."""
        if self._receive is not None:
            raise ValueError(f"port {self.name} was started twice")
        self._receive = receive

    def send(self, data: bytes) -> None:
        """Put one message on the cable; raises SendError where the script says so."""
        cable, number = self.cable, self._number
        self._number += 1
        refused = number in cable.refuse or (cable.refuse_from is not None and number >= cable.refuse_from)
        if refused or not self._open or not self.has_output or not data:
            self._counts.send_errors += 1
            raise SendError(self.name, f"cannot send: {self._why_not(data)}")
        if number in cable.hold:
            self._hold(cable.hold_ns)
        now = self._clock()
        self._counts.sent += 1
        self.sent.append(Sent(now, bytes(data)))
        if number in cable.lose or (cable.loss and self._random.random() < cable.loss):
            return
        if self._peer is None:
            return
        if cable.delay_ns or cable.jitter_ns or self._peer._under_way:
            jitter = self._random.randint(0, cable.jitter_ns) if cable.jitter_ns else 0
            self._peer._expect(now + cable.delay_ns + jitter, bytes(data))
        else:
            self._peer._take(now, bytes(data))

    def _why_not(self, data: bytes) -> str:
        if not data:
            return "nothing to send"
        if not self._open:
            return "it is closed"
        return "refused by the cable's script" if self.has_output else "it has no output"

    def _expect(self, arrival_ns: int, data: bytes) -> None:
        self._last_arrival_ns = max(self._last_arrival_ns, arrival_ns)  # one may not overtake another
        self._under_way.append(Sent(self._last_arrival_ns, data))

    def _take(self, arrival_ns: int, data: bytes) -> None:
        if not self._open:
            return
        self._last_arrival_ns = max(self._last_arrival_ns, arrival_ns)
        for message in self._splitter.feed(data):
            if self._receive is not None and self.has_input:
                self._counts.received += 1
                self._receive(arrival_ns, message)
        self._counts.bad_bytes = self._splitter.bad_bytes

    def due(self, now_ns: int) -> None:
        """Deliver what has come through the cable up to `now_ns`."""
        while self._under_way and self._under_way[0].t_ns <= now_ns:
            self._take(*self._under_way.popleft())

    def next_deadline_ns(self) -> int | None:
        """When the next message comes out of the cable."""
        return self._under_way[0].t_ns if self._under_way and self._open else None

    def present(self) -> bool:
        """Whether both ends are open."""
        return self._open and (self._peer is None or self._peer._open)

    def describe(self) -> str:
        """What the port is, for people."""
        return f"memory, joined to {self._peer.name}" if self._peer else "memory"

    def close(self) -> None:
        """End delivery; what was sent can still be looked at."""
        self._open = False
        self._receive = None
        self._under_way.clear()


def memory_pair(
    one: str = "one",
    other: str = "other",
    clock: NowNs = time.monotonic_ns,
    there: Cable | None = None,
    back: Cable | None = None,
    *,
    hold: Callable[[int], None] = _sleep_ns,
) -> tuple[MemoryPort, MemoryPort]:
    """Return two ports joined by a cable; `there` is the way from the first to the second."""
    first = MemoryPort(PortConfig(one, "memory"), clock, there, hold=hold)
    second = MemoryPort(PortConfig(other, "memory"), clock, back, hold=hold)
    first.join(second)
    return first, second


class NullPort(ConfiguredPort):
    """A port that takes everything, counts it, and hears nothing."""

    threaded = False

    def __init__(self, config: PortConfig) -> None:
        super().__init__(config)
        self._open = True

    def start(self, receive: Receive) -> None:
        """Nothing will ever be delivered."""

    def send(self, data: bytes) -> None:
        """Count one message; raises SendError when closed."""
        if not self._open or not self.has_output or not data:
            self._counts.send_errors += 1
            raise SendError(
                self.name, "cannot send: it is closed, has no output, or there is nothing to send"
            )
        self._counts.sent += 1

    def due(self, now_ns: int) -> None:
        """Nothing to do."""

    def next_deadline_ns(self) -> int | None:
        """Never."""
        return None

    def present(self) -> bool:
        """There for as long as it is open."""
        return self._open

    def describe(self) -> str:
        """What the port is, for people."""
        return "nothing (null)"

    def close(self) -> None:
        """Take nothing more."""
        self._open = False
