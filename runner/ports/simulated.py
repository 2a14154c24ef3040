"""A port with a simulated machine at its other end; deterministic, driven by `due`."""

from __future__ import annotations

import time

from runner.ports.base import ConfiguredPort, NowNs, PortConfig, Receive, SendError
from runner.ports.machines import Machine, make_machine
from runner.ports.splitter import MessageSplitter


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
        self.machine: Machine = machine or make_machine(
            config.simulate, config.faults, port=config.name, now_ns=clock()
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
        self._counts.sent += 1
        now = self._clock()
        for message in self._to_machine.feed(data):
            self.machine.receive(message, now)

    def due(self, now_ns: int) -> None:
        """Let the machine act up to `now_ns`."""
        if not self._open:
            return
        for t_ns, data in self.machine.due(now_ns):
            for message in self._from_machine.feed(data):
                if self._receive is not None and self.has_input:
                    self._counts.received += 1
                    self._receive(t_ns, message)
        self._counts.bad_bytes = self._from_machine.bad_bytes

    def next_deadline_ns(self) -> int | None:
        """When the machine wants to act next."""
        return self.machine.next_deadline_ns() if self._open else None

    def present(self) -> bool:
        """A simulated machine is there for as long as its port is open."""
        return self._open

    def describe(self) -> str:
        """What the port is, for people."""
        return f"simulated {self.machine.kind}"

    def close(self) -> None:
        """End delivery; the machine can still be looked at."""
        self._open = False
        self._receive = None
