"""Ports of the system, by python-rtmidi: ALSA's sequencer or JACK.

What this file works around (python-rtmidi 1.5.8 with RtMidi 5.0 inside; read in its source and, for JACK,
measured):

- clock, active sensing and sysex are filtered out unless `ignore_types(False, False, False)` is called;
- a device that is pulled out raises nothing: only the list of ports shows it;
- no call of python-rtmidi gives up the interpreter. On ALSA, closing an input joins a thread that may be
  waiting for the interpreter in our callback: a deadlock. So the callback is taken off first, and the
  thread gets time to leave it.
- On JACK the callback would run within the server's process cycle and wait there for the interpreter. At
  64 frames the cycle is over after 1.3 ms, and the server then writes into the buffer that is being read:
  of 11,000 messages with bursts, 233 were lost and others came twice; through RtMidi's own queue, which
  needs no interpreter, 0 or 1. So JACK inputs are queued, and a thread of ours empties the queue. The
  time stamps are the same either way.
- On JACK a message of more than 16,379 bytes vanishes without a word, and a send into the full buffer of
  a server that died would spin for ever. So the length is checked, and the server is looked for before
  its buffer could be full.
"""

from __future__ import annotations

import contextlib
import gc
import os
import time
from typing import Any

from runner.errors import RigError
from runner.ports.base import ConfiguredPort, NowNs, PortConfig, PortCounts, Receive, SendError
from runner.ports.midi_client import RTMIDI_ERRORS, Faults, SystemMidi
from runner.ports.splitter import MessageSplitter, is_whole_message
from runner.sync.arrival import ArrivalClock

JACK_MAX_MESSAGE = 16_379  #: bytes; RtMidi's ring of 16,384 less its length word and one free byte
JACK_UNCHECKED_BYTES = 8_192  #: sent at most between two looks at the server: half of that ring
_LEAVE_CALLBACK_S = 0.02
_WAKE = (1).to_bytes(8, "little")


class SystemInput:
    """The receiving half of a port. `wake_fd`, if given, is written to after each delivery."""

    def __init__(
        self,
        midi: SystemMidi,
        config: PortConfig,
        counts: PortCounts,
        clock: NowNs,
        wake_fd: int | None,
        *,
        queued: bool,
    ) -> None:
        self._counts = counts
        self._clock = clock
        self._wake_fd = wake_fd
        self._pump = midi.pump if queued else None
        self._receive: Receive | None = None
        self._arrivals = ArrivalClock()
        self._splitter = MessageSplitter(packets=True)
        faults = Faults()
        self._client: Any = midi.client("in", faults)
        self._client.ignore_types(sysex=False, timing=False, active_sense=False)
        try:
            self.system_name = midi.open(self._client, faults, config, "in")
        except RigError:
            self._client.delete()
            raise
        if self._pump is None:
            self._client.set_callback(self._called)
        else:
            self._pump.add(self)

    def start(self, receive: Receive) -> None:
        """Deliver from now on."""
        self._receive = receive

    def _called(self, event: tuple[list[int], float], _data: object) -> None:
        """Take one message on RtMidi's thread."""
        entry_ns = self._clock()
        self._deliver(bytes(event[0]), event[1], entry_ns)

    def empty_queue(self) -> int:
        """Deliver all that waits in RtMidi's queue; return how many messages that was."""
        count = 0
        while (event := self._client.get_message()) is not None:
            self._deliver(bytes(event[0]), event[1], self._clock())
            count += 1
        return count

    def _deliver(self, data: bytes, delta_s: float, entry_ns: int) -> None:
        # stamped even while nobody listens: each delta counts from the message before
        arrival_ns = self._arrivals.arrival(delta_s, entry_ns)
        receive = self._receive
        if receive is None:
            return
        if not self._splitter.pending and is_whole_message(data):
            self._counts.received += 1
            receive(arrival_ns, data)
        else:
            for message in self._splitter.feed(data):
                self._counts.received += 1
                receive(arrival_ns, message)
            self._counts.bad_bytes = self._splitter.bad_bytes
        if self._wake_fd is not None:
            with contextlib.suppress(OSError):  # a pipe that is full will be read anyhow
                os.write(self._wake_fd, _WAKE)

    def close(self) -> None:
        """Stop delivering and let the client go; the head of this file says why in this order."""
        self._receive = None
        if self._pump is not None:
            self._pump.remove(self)
        else:
            # python-rtmidi drops its only reference to the callback while a thread may still be on its way
            # into it; holding all that the client refers to keeps the callback alive until that is over
            held = gc.get_referents(self._client)
            self._client.cancel_callback()
            time.sleep(_LEAVE_CALLBACK_S)  # gives up the interpreter
            held.clear()
        self._client.close_port()
        self._client.delete()


class SystemOutput:
    """The sending half of a port."""

    def __init__(self, midi: SystemMidi, config: PortConfig, counts: PortCounts) -> None:
        self._midi = midi
        self._name = config.name
        self._raw = config.raw
        self._counts = counts
        self._is_jack = midi.service.api == "jack"
        self._unchecked = 0  # bytes since the server was last seen
        self._faults = Faults()
        self._client: Any = midi.client("out", self._faults)
        try:
            self.system_name = midi.open(self._client, self._faults, config, "out")
        except RigError:
            self._client.delete()
            raise
        if config.raw:
            # ALSA's encoder says so of a piece of a sysex; it passes on what fills its buffer of 32 bytes
            # and the rest with F7 (read in RtMidi's source)
            self._faults.let_pass = "incomplete message!"

    def send(self, data: bytes) -> None:
        """Hand one message, or on a raw port a piece of a sysex, to the service."""
        if self._is_jack:
            self._check_server(len(data))
        fault = ""
        try:
            if self._raw and len(data) > 3 and data[0] != 0xF0:
                for at in range(0, len(data), 3):  # python-rtmidi takes no longer pieces
                    self._client.send_message(data[at : at + 3])
            else:
                self._client.send_message(data)  # bytes cost no more than a list (measured)
        except RTMIDI_ERRORS as error:
            fault = str(error)
        fault = self._faults.take() or fault
        if fault:
            self._refuse(f"cannot send {_shown(data)}: {fault}")
        self._counts.sent += 1

    def _check_server(self, size: int) -> None:
        if size > JACK_MAX_MESSAGE:
            self._refuse(f"cannot send a message of {size} bytes: JACK takes {JACK_MAX_MESSAGE} at most")
        self._unchecked += size + 4
        if self._unchecked > JACK_UNCHECKED_BYTES:
            if not self._midi.alive():
                self._refuse("cannot send: the JACK server has gone")
            self._unchecked = size + 4

    def _refuse(self, text: str) -> None:
        self._counts.send_errors += 1
        raise SendError(self._name, text)

    def close(self) -> None:
        """Let the client go."""
        self._client.close_port()
        self._client.delete()


class SystemMidiPort(ConfiguredPort):
    """The contract of a port on the system's MIDI service, for media `system` and `virtual`.

    `queued` overrides how input is taken: by RtMidi's queue (JACK's default) or by its callback.

    Raises:
        RigError: the port is not there, is ambiguous or refuses to open.
    """

    threaded = True

    def __init__(
        self,
        midi: SystemMidi,
        config: PortConfig,
        clock: NowNs = time.monotonic_ns,
        *,
        wake_fd: int | None = None,
        queued: bool | None = None,
    ) -> None:
        self._midi = midi
        super().__init__(config)
        self._closed = False
        self._started = False
        self._input: SystemInput | None = None
        self._output: SystemOutput | None = None
        if queued is None:
            queued = midi.service.api == "jack"
        midi.hold()
        try:
            if config.has_output:
                self._output = SystemOutput(midi, config, self._counts)
            if config.has_input:
                self._input = SystemInput(midi, config, self._counts, clock, wake_fd, queued=queued)
        except RigError:
            self.close()
            raise

    def start(self, receive: Receive) -> None:
        """Deliver arriving messages to `receive`, from a thread of the system's or of our own."""
        if self._started:
            raise ValueError(f"port {self.name} was started twice")
        self._started = True
        if self._input is not None:
            self._input.start(receive)

    def send(self, data: bytes) -> None:
        """Hand one message to the service; raises SendError."""
        output = self._output
        if output is None:
            self._counts.send_errors += 1
            raise SendError(self.name, f"cannot send: it {'is closed' if self._closed else 'has no output'}")
        output.send(data)

    def due(self, now_ns: int) -> None:
        """Nothing to do."""

    def next_deadline_ns(self) -> int | None:
        """Never."""
        return None

    def present(self) -> bool:
        """Whether the system still lists what the port was opened on; one or two ms.

        It says nothing of a device that was pulled out and put back in between two calls.
        """
        if self._closed or not self._midi.alive():
            return False
        if self._config.medium == "virtual":
            return True
        source, sink = self._input, self._output
        return (source is None or source.system_name in self._midi.names("in")) and (
            sink is None or sink.system_name in self._midi.names("out")
        )

    def describe(self) -> str:
        """What the port is, for people: the system's name or names."""
        if self._config.medium == "virtual":
            return f"virtual port {self._config.create!r} on {self._midi.service.api}"
        names = dict.fromkeys(half.system_name for half in (self._input, self._output) if half is not None)
        return " and ".join(repr(name) for name in names) + f" on {self._midi.service.api}"

    def close(self) -> None:
        """End delivery and let the port go."""
        if self._closed:
            return
        self._closed = True
        if self._input is not None:
            self._input.close()
            self._input = None
        if self._output is not None:
            self._output.close()
            self._output = None
        self._midi.release()


def _shown(data: bytes) -> str:
    text = data[:8].hex(" ").upper()
    return f"{text} .. ({len(data)} bytes)" if len(data) > 8 else text or "an empty message"
