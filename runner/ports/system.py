"""Ports of the system, by python-rtmidi: ALSA's sequencer or JACK.

What this file works around (python-rtmidi 1.5.8 with RtMidi 5.0 inside; read in its source and, for JACK,
measured):

- clock, active sensing and sysex are filtered out unless `ignore_types(False, False, False)` is called;
- a device that is pulled out raises nothing: only the list of ports and the service's own account of its
  connections show it; and when it is back nothing is connected until the client is closed and opened again;
- no call of python-rtmidi gives up the interpreter. On ALSA, closing an input joins a thread that may be
  waiting for the interpreter in our callback: a deadlock. So the callback is taken off first, and the
  thread gets time to leave it.
- On JACK the callback would run within the server's process cycle and wait there for the interpreter. At
  64 frames the cycle is over after 1.3 ms, and the server then writes into the buffer that is being read:
  of 11,000 messages with bursts, 233 were lost and others came twice; through RtMidi's own queue, which
  needs no interpreter, 0 or 1. So JACK inputs are queued, and a thread of ours empties the queue. The
  time stamps are the same either way.
- On JACK, closing a port or a client beside the server's own thread may end the process (seen: once in some
  hundred times). So a port that was lost is not closed but joined anew by JACK's library; ports are closed
  only when a rig is given up, and then nothing rolls.
- On JACK a message of more than 16,379 bytes vanishes without a word, and a send into the full buffer of
  a server that died would spin for ever. So the length is checked, and the server is looked for before
  its buffer could be full.
"""

from __future__ import annotations

import contextlib
import gc
import os
import time
from typing import Any, NoReturn

from runner.errors import RigError
from runner.ports.base import ConfiguredPort, NowNs, PortConfig, PortCounts, Receive, SendError
from runner.ports.midi_client import RTMIDI_ERRORS, Faults, Opened, SystemMidi, Way
from runner.ports.queue_pump import QueuePump
from runner.ports.splitter import MessageSplitter, is_whole_message
from runner.sync.arrival import ArrivalClock

JACK_MAX_MESSAGE = 16_379  #: bytes; RtMidi's ring of 16,384 less its length word and one free byte
JACK_UNCHECKED_BYTES = 8_192  #: sent at most between two looks at the server: half of that ring
_LEAVE_CALLBACK_S = 0.02
_WAKE = (1).to_bytes(8, "little")
_GIVEN_UP: list[Any] = []  # clients of a JACK server that died: closing one would take a second


class _Half:
    """One direction of a port: a client of the service, and what it is joined to once it is open."""

    way: Way

    def __init__(self, midi: SystemMidi, config: PortConfig) -> None:
        self._midi = midi
        self._config = config
        self._faults = Faults()
        self._opened: Opened | None = None
        self._before: Opened | None = None  # what it was joined to before it was lost
        self.later = False  #: whether it is not to be opened yet
        self._generation = midi.generation
        self._client: Any = None

    def _new_client(self) -> Any:
        self._generation = self._midi.generation
        return self._midi.client(self.way, self._faults, self._config)

    @property
    def system_name(self) -> str:
        """The system's name of what it is joined to, empty if it is not open."""
        return self._opened.name if self._opened else ""

    def open(self) -> None:
        """Join what the session means; RigError if that cannot be. Not for one that is open."""
        if self._client is None:
            self._client = self._new_client()
        if self._before is not None and self._midi.joins_anew(self._before):
            opened = self._midi.join(self._config, self.way, self._before)
        else:
            opened = self._midi.open(self._client, self._faults, self._config, self.way, self._before)
        self._opened, self._before = opened, opened

    @property
    def whole(self) -> bool:
        """Whether it is open, and still joined to what it was opened on; or is not to be open yet."""
        if self.later:
            return True
        if self._opened is None or self._midi.stale or not self._midi.alive():
            return False
        return self._config.medium == "virtual" or self._midi.linked(self._opened, self.way)

    def matched(self) -> None:
        """PortError unless what the session means is there."""
        if self._config.medium != "virtual":
            self._midi.match(self._config, self.way)

    def lose(self) -> None:
        """Undo `open`; the client stays, for opening it again costs less than making another.

        On JACK its port stays too, joined to nothing: `joins_anew` says why.
        """
        if self._client is not None and self._generation != self._midi.generation:
            _GIVEN_UP.append(self._client)
            self._client = self._before = None
        elif self._opened is not None and not self._midi.joins_anew(self._opened):
            self._client.close_port()
        self._opened = None

    def close(self) -> None:
        """Let the client go."""
        if self._client is not None and self._generation != self._midi.generation:
            _GIVEN_UP.append(self._client)
        elif self._client is not None:
            self._midi.forget(self._client)
            self._client.close_port()
            self._client.delete()
        self._client = self._opened = None


class SystemInput(_Half):
    """The receiving half of a port. `wake_fd`, if given, is written to after each delivery."""

    way = "in"

    def __init__(
        self,
        midi: SystemMidi,
        config: PortConfig,
        counts: PortCounts,
        clock: NowNs,
        wake_fd: int | None,
        *,
        queued: bool | None,
    ) -> None:
        self._counts = counts
        self._clock = clock
        self._wake_fd = wake_fd
        self._queued = queued
        self._pump: QueuePump | None = None
        self._receive: Receive | None = None
        self._arrivals = ArrivalClock()
        self._splitter = MessageSplitter(packets=True)
        self._held: list[Any] = []
        super().__init__(midi, config)

    def _new_client(self) -> Any:
        client = super()._new_client()
        client.ignore_types(sysex=False, timing=False, active_sense=False)
        return client

    def open(self) -> None:
        """Join what the session means, and take what comes from it."""
        super().open()
        queued = self._midi.service.api == "jack" if self._queued is None else self._queued
        self._arrivals = ArrivalClock()
        self._splitter = MessageSplitter(packets=True)
        if queued:
            self._pump = self._midi.pump
            self._pump.add(self)
        else:
            self._client.set_callback(self._called)

    def quiet(self) -> None:
        """Take nothing more; `_LEAVE_CALLBACK_S` later the client may be closed."""
        if self._pump is not None:
            self._pump.remove(self)
            self._pump = None
        elif self._opened is not None and not self._held:
            # python-rtmidi drops its only reference to the callback while a thread may still be on its way
            # into it; holding all that the client refers to keeps the callback alive until that is over
            self._held = gc.get_referents(self._client)
            self._client.cancel_callback()

    def lose(self) -> None:
        """Undo `open`; `quiet` came before it."""
        super().lose()
        self._held = []

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
        by_callback = self._pump is None and self._opened is not None
        self.quiet()
        if by_callback:
            time.sleep(_LEAVE_CALLBACK_S)  # gives up the interpreter
        self._held = []
        super().close()


class SystemOutput(_Half):
    """The sending half of a port."""

    way = "out"

    def __init__(self, midi: SystemMidi, config: PortConfig, counts: PortCounts) -> None:
        self._counts = counts
        self._raw = config.raw
        self._is_jack = False
        self._unchecked = 0  # bytes since the server was last seen
        super().__init__(midi, config)

    def open(self) -> None:
        """Join what the session means."""
        super().open()
        self._is_jack = self._midi.service.api == "jack"
        self._unchecked = 0
        if self._raw:
            # ALSA's encoder says so of a piece of a sysex; it passes on what fills its buffer of 32 bytes
            # and the rest with F7 (read in RtMidi's source)
            self._faults.let_pass = "incomplete message!"

    def send(self, data: bytes) -> None:
        """Hand one message, or on a raw port a piece of a sysex, to the service."""
        if self._opened is None:
            self._refuse("cannot send: it is not there")
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

    def _refuse(self, text: str) -> NoReturn:
        self._counts.send_errors += 1
        raise SendError(self._config.name, text)


class SystemMidiPort(ConfiguredPort):
    """The contract of a port on the system's MIDI service, for media `system` and `virtual`.

    `queued` overrides how input is taken: by RtMidi's queue (JACK's default) or by its callback.

    Raises:
        RigError: the port is not there, is ambiguous or refuses to open, and `config.wait` is not set.
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
        input_later: bool = False,
    ) -> None:
        """With `input_later` the half that receives is opened by `complete`."""
        self._midi = midi
        super().__init__(config)
        self._closed = False
        self._receive: Receive | None = None
        self._clock = clock
        self._quiet_since_ns = 0
        self._to_open: list[_Half] = []  # halves that are still to be opened again
        self._input: SystemInput | None = None
        self._output: SystemOutput | None = None
        midi.hold()
        try:
            if config.has_output:
                self._output = SystemOutput(midi, config, self._counts)
            if config.has_input:
                self._input = SystemInput(midi, config, self._counts, clock, wake_fd, queued=queued)
                self._input.later = input_later
            self._open_all()
        except RigError:
            self.close()
            raise

    def _open_all(self) -> None:
        """Open both halves; where the session lets us wait for the port, one that is missing is trouble."""
        halves = [half for half in self._halves if not half.later]
        try:
            if self._config.medium != "virtual":
                self._midi.look_into_connections()
            for half in halves:
                half.matched()
            for half in halves:
                half.open()
        except RigError as error:
            if not self._config.wait:
                raise
            self._trouble = str(error)

    def await_service(self) -> None:
        """Wait until what is sent will arrive, though another client has just died; on ALSA that is now."""
        with contextlib.suppress(RigError):
            self._midi.await_server()

    def complete(self) -> None:
        """Open the half that receives, if that was put off."""
        if self._input is None or not self._input.later:
            return
        self._input.later = False
        if not self._trouble:
            try:
                self._input.open()
            except RigError as error:
                self._trouble = str(error)

    @property
    def _halves(self) -> list[_Half]:
        return [half for half in (self._output, self._input) if half is not None]

    def start(self, receive: Receive) -> None:
        """Deliver arriving messages to `receive`, from a thread of the system's or of our own."""
        if self._receive is not None:
            raise ValueError(f"port {self.name} was started twice")
        self._receive = receive
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
        """Whether both halves are still joined to what they were opened on; up to one or two ms.

        A program that went and came back in between two calls is noticed: what it was joined to is undone.
        On JACK that holds where its library can be asked (`jack_graph` says when), else the name must do.
        """
        return not self._closed and all(half.whole for half in self._halves)

    def returned(self) -> bool:
        """Whether a port that is not present could be opened now; says in `trouble` why not."""
        try:
            if self._midi.stale:
                self._midi.connect()
                self._midi.look_into_connections()
            for half in self._halves:
                half.matched()
        except RigError as error:
            self._trouble = str(error)
            return False
        return not self._closed

    def mend(self) -> bool:
        """Open the port again, one step a call of some ms at most; True when it is whole.

        Raises:
            RigError: what was there a moment ago cannot be opened; begin anew with `returned`.
        """
        if not self._to_open:
            # the half that sends first: machines without a clock are worse off than we without their notes
            self._to_open = self._halves
            self._quiet_since_ns = self._clock()
            if self._input is not None:
                self._input.quiet()
                return False
        half = self._to_open[0]
        quiet_ns = self._clock() - self._quiet_since_ns
        if half is self._input and quiet_ns < _LEAVE_CALLBACK_S * 1e9:
            return False
        try:
            half.lose()
            half.open()
        except RigError as error:
            self._to_open = []
            self._trouble = str(error)
            raise
        self._to_open = self._to_open[1:]
        if self._to_open:
            return False
        self._trouble = ""
        return True

    def describe(self) -> str:
        """What the port is, for people: the system's name or names."""
        if self._config.medium == "virtual":
            return f"virtual port {self._config.create!r} on {self._midi.service.api}"
        names = dict.fromkeys(half.system_name for half in self._halves if half.system_name)
        if not names:
            return "not there"
        return " and ".join(repr(name) for name in names) + f" on {self._midi.service.api}"

    def close(self) -> None:
        """End delivery and let the port go."""
        if self._closed:
            return
        self._closed = True
        for half in (self._input, self._output):
            if half is not None:
                half.close()
        self._input = self._output = None
        self._midi.release()


def _shown(data: bytes) -> str:
    text = data[:8].hex(" ").upper()
    return f"{text} .. ({len(data)} bytes)" if len(data) > 8 else text or "an empty message"
