"""A port with a simulated machine at its other end; deterministic, driven by `due`.

The way to the machine can have faults of its own: a cable that comes out, an interface that refuses data, a
driver that holds the sender up. They are written among the machine's faults.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from runner.ports.base import ConfiguredPort, NowNs, PortConfig, Receive, SendError
from runner.ports.machine_parts import read_settings
from runner.ports.machines import Machine, make_machine
from runner.ports.splitter import MessageSplitter


@dataclass(frozen=True, slots=True)
class LinkFaults:
    """What goes wrong between a port and its machine; times count from the opening of the port.

    `unplug_after_ns`, `unplug_for_ns`: the cable is out for that span (0 after: never; 0 for: for good): the
    port is not there, nothing comes, and nothing that is sent arrives. `refuse_...`: each send raises.
    `hold_...`: while the span lasts, each send keeps the sender for `hold_each_ns`.
    """

    unplug_after_ns: int = 0
    unplug_for_ns: int = 0
    refuse_after_ns: int = 0
    refuse_for_ns: int = 0
    hold_after_ns: int = 0
    hold_for_ns: int = 0
    hold_each_ns: int = 5_000_000

    @property
    def any(self) -> bool:
        """Whether anything ever goes wrong."""
        return bool(self.unplug_after_ns or self.refuse_after_ns or self.hold_after_ns)


_LINK_KEYS = frozenset(field.name.removesuffix("_ns").replace("_", "-") for field in fields(LinkFaults))


def split_faults(values: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return (faults of the link, settings of the machine)."""
    link = {key: value for key, value in values.items() if key.replace("_", "-") in _LINK_KEYS}
    return link, {key: value for key, value in values.items() if key not in link}


def _within(since_ns: int, after_ns: int, for_ns: int) -> bool:
    return bool(after_ns) and since_ns >= after_ns and (not for_ns or since_ns < after_ns + for_ns)


def _sleep_ns(span_ns: int) -> None:
    time.sleep(span_ns / 1e9)


class SimulatedPort(ConfiguredPort):
    """The contract of a port around a machine model; `machine` is open to tests and to the audit's corpus.

    A message is at the machine as soon as it is sent; what the machine says arrives within `due`, with the
    time at which it was said.
    """

    threaded = False

    def __init__(
        self, config: PortConfig, clock: NowNs = time.monotonic_ns, machine: Machine | None = None
    ) -> None:
        super().__init__(config)
        self._clock = clock
        link, settings = split_faults(config.faults)
        self.link = read_settings(LinkFaults, link, config.name)
        self.hold: Callable[[int], None] = _sleep_ns  #: how a send is held up; virtual time puts its own here
        self._opened_ns = clock()
        self.machine: Machine = machine or make_machine(
            config.simulate, settings, port=config.name, now_ns=self._opened_ns
        )
        self._receive: Receive | None = None
        self._to_machine = MessageSplitter(packets=True)
        self._from_machine = MessageSplitter(packets=True)
        self._open = True

    def start(self, receive: Receive) -> None:
        """Deliver what the machine says to `receive`, from within `due`."""
        if self._receive is not None:
            raise ValueError(f"port {self.name} was started twice")
        self._receive = receive

    def send(self, data: bytes) -> None:
        """Give one message to the machine; raises SendError."""
        if not self._open or not self.has_output or not data:
            self._counts.send_errors += 1
            why = "nothing to send" if not data else "it is closed" if not self._open else "it has no output"
            raise SendError(self.name, f"cannot send: {why}")
        since = self._clock() - self._opened_ns
        if self.link.any and _within(since, self.link.refuse_after_ns, self.link.refuse_for_ns):
            self._counts.send_errors += 1
            raise SendError(self.name, "cannot send: refused by the interface")
        if self.link.any and _within(since, self.link.hold_after_ns, self.link.hold_for_ns):
            self.hold(self.link.hold_each_ns)
        self._counts.sent += 1
        now = self._clock()
        if self._unplugged(now):
            return
        for message in self._to_machine.feed(data):
            self.machine.receive(message, now)

    def due(self, now_ns: int) -> None:
        """Let the machine act up to `now_ns`."""
        if not self._open:
            return
        for t_ns, data in self.machine.due(now_ns):
            if self._unplugged(t_ns):
                continue
            for message in self._from_machine.feed(data):
                if self._receive is not None and self.has_input:
                    self._counts.received += 1
                    self._receive(t_ns, message)
        self._counts.bad_bytes = self._from_machine.bad_bytes

    def next_deadline_ns(self) -> int | None:
        """When the machine wants to act next."""
        return self.machine.next_deadline_ns() if self._open else None

    @property
    def may_vanish(self) -> bool:
        """Whether it is worth asking if the port is still there."""
        return bool(self.link.unplug_after_ns)

    def present(self) -> bool:
        """A simulated machine is there for as long as its port is open and its cable in."""
        return self._open and not self._unplugged(self._clock())

    def _unplugged(self, now_ns: int) -> bool:
        link = self.link
        return _within(now_ns - self._opened_ns, link.unplug_after_ns, link.unplug_for_ns)

    def describe(self) -> str:
        """What the port is, for people."""
        return f"simulated {self.machine.kind}"

    def close(self) -> None:
        """End delivery; the machine can still be looked at."""
        self._open = False
        self._receive = None
