"""A clock and ports that fail as a campaign says, and the machine at a port's other end, which never forgets.

The machine is an oracle of its own: it counts from the bytes it was really delivered, and shares no code
with what it judges.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from lab_draw import Campaign, Fault

from runner.engine.clock import VirtualClock
from runner.errors import PortError
from runner.ports.base import ConfiguredPort, PortConfig, Receive, SendError
from runner.ports.splitter import MessageSplitter


class Death(BaseException):
    """Stands for SIGKILL: nothing may catch it but the campaign."""


class LabClock(VirtualClock):
    """Virtual time with late wake-ups, and jumps as of a computer that slept."""

    def __init__(self, campaign: Campaign) -> None:
        super().__init__()
        self._late = campaign.of("late")
        self._jumps = campaign.of("jump")
        self.zero_ns = 0  #: when the order to roll was given; no fault before it
        self.begun = False

    def wait(self, deadline_ns: int | None) -> Sequence[int]:
        """Jump to the deadline, or beyond it."""
        super().wait(deadline_ns)
        if self.begun:
            since = self.now_ns() - self.zero_ns
            for fault in self._late:
                if fault.holds(since):
                    self.hold(self.now_ns() + fault.amount)
            while self._jumps and self._jumps[0].at_ns <= since:
                self.hold(self.now_ns() + self._jumps.pop(0).amount)
        return ()


class Oracle:
    """The machine at the end of one cable."""

    def __init__(self) -> None:
        self.accepted: list[tuple[int, bytes]] = []  #: what the port took, when, whether it arrived or not
        self.keys: Counter[tuple[int, int]] = Counter()
        self.pedals: set[int] = set()
        self.running = False
        self.clocks: list[int] = []
        self.refused_ns: list[int] = []  #: when it refused something

    def deliver(self, now_ns: int, data: bytes) -> None:
        """Take one message as it comes out of the cable."""
        status, channel = data[0] & 0xF0, data[0] & 0x0F
        if data[0] == 0xF8:
            self.clocks.append(now_ns)
        elif data[0] in (0xFA, 0xFB):
            self.running = True
        elif data[0] == 0xFC:
            self.running = False
        elif status == 0x90 and data[2]:
            self.keys[channel, data[1]] += 1
        elif status in (0x80, 0x90):
            self.keys[channel, data[1]] = max(0, self.keys[channel, data[1]] - 1)
        elif status == 0xB0 and data[1] == 64:
            (self.pedals.add if data[2] >= 64 else self.pedals.discard)(channel)
        elif status == 0xB0 and data[1] in (120, 123):
            for key in [key for key in self.keys if key[0] == channel]:
                del self.keys[key]
        elif status == 0xB0 and data[1] == 121:
            self.pedals.discard(channel)

    def left(self) -> str:
        """Return what still sounds or runs, or nothing."""
        found = [f"key {key} of channel {ch + 1}, {n} times" for (ch, key), n in self.keys.items() if n]
        found += [f"pedal of channel {ch + 1}" for ch in sorted(self.pedals)]
        return ", ".join(found + (["the transport runs"] if self.running else []))


class LabPort(ConfiguredPort):
    """A port of the system that refuses, blocks, goes away and comes back, and hears rubbish."""

    threaded = True

    def __init__(
        self, config: PortConfig, index: int, campaign: Campaign, clock: LabClock, oracle: Oracle,
        mortal: Callable[[bool], None],
    ) -> None:  # fmt: skip
        """`mortal` is called around each send, before and after the bytes go out, and may raise `Death`."""
        super().__init__(config)
        mine = [fault for fault in campaign.faults if fault.port == index]
        self._faults = {kind: [f for f in mine if f.kind == kind] for kind in ("refuse", "block", "gone")}
        self._clock, self._oracle, self._mortal = clock, oracle, mortal
        self._splitter = MessageSplitter(packets=True)
        self._receive: Receive | None = None
        self._open = True
        self._mends = 0
        self._opened_ns = -1  #: since the order to roll; what was unplugged later takes a new opening

    def _now(self, kind: str) -> Fault | None:
        faults = self._faults[kind]
        if not faults or not self._clock.begun:
            return None
        since = self._clock.now_ns() - self._clock.zero_ns
        return next((fault for fault in faults if fault.holds(since)), None)

    def send(self, data: bytes) -> None:
        """Deliver, refuse, block or lose one message."""
        if not self._open:
            raise SendError(self.name, "cannot send: it is closed")
        if self._now("refuse"):
            self._counts.send_errors += 1
            self._oracle.refused_ns.append(self._clock.now_ns())
            raise SendError(self.name, "cannot send: refused by the system")
        self._mortal(False)
        began = self._clock.now_ns()
        block = self._now("block")
        if block:
            self._clock.hold(began + block.amount)
        self._oracle.accepted.append((began, data))
        if self.present():
            self._oracle.deliver(self._clock.now_ns(), data)
        self._counts.sent += 1
        self._mortal(True)

    def start(self, receive: Receive) -> None:
        """Begin to deliver."""
        self._receive = receive

    def hear(self, data: bytes) -> None:
        """Let bytes come in, whatever they are; nothing comes from a machine that is unplugged."""
        if not self.present():
            return
        for message in self._splitter.feed(data):
            if self._receive is not None:
                self._counts.received += 1
                self._receive(self._clock.now_ns(), message)
        self._counts.bad_bytes = self._splitter.bad_bytes

    def due(self, now_ns: int) -> None:
        """Nothing."""

    def next_deadline_ns(self) -> int | None:
        """Never."""
        return None

    def present(self) -> bool:
        """Whether the cable was never out since the port was opened: what comes back is another device."""
        faults = self._faults["gone"]
        if not faults or not self._clock.begun:
            return True
        since = self._clock.now_ns() - self._clock.zero_ns
        return not any(self._opened_ns < fault.at_ns <= since for fault in faults)

    def returned(self) -> bool:
        """Whether the cable is in again."""
        return self._now("gone") is None

    def mend(self) -> bool:
        """Open it again, in two steps."""
        if self._now("gone"):
            raise PortError(self.name, "cannot open: gone again")
        self._mends += 1
        if self._mends % 2:
            return False
        self._opened_ns = self._clock.now_ns() - self._clock.zero_ns
        return True

    def describe(self) -> str:
        """What the port is."""
        return "a port of the laboratory"

    def close(self) -> None:
        """Take nothing more."""
        self._open = False
        self._receive = None
