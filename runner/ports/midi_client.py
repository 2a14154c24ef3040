"""The system's MIDI service as python-rtmidi gives it: clients, the list of ports, opening one of them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple

import rtmidi

from runner.errors import PortError, RigError
from runner.ports.base import PortConfig
from runner.ports.midi_service import (
    MidiService,
    choose_service,
    is_listening,
    jack_server_name,
    jack_socket,
    sequencer_links,
    socket_number,
)
from runner.ports.names import SystemPort, match_port
from runner.ports.queue_pump import QueuePump
from runner.ports.sequencer import Address, address_of

CLIENT_NAME = "takewright"
QUEUE_MESSAGES = 8_192  #: RtMidi's own queue of an input that does not call back
RTMIDI_ERRORS = (rtmidi.RtMidiError, ValueError, OverflowError, RuntimeError)
_APIS = {"alsa": rtmidi.API_LINUX_ALSA, "jack": rtmidi.API_UNIX_JACK}

Way = Literal["in", "out"]

_GIVEN_UP: list[Any] = []  # clients of JACK servers that died; one server in a day of rehearsals, if any


class Opened(NamedTuple):
    """What a client of ours was joined to, and where the service knows our own end of it."""

    name: str
    own: Address  #: on ALSA; empty where it is not known


class Faults:
    """Keeps what RtMidi has to say, which it would else print; `take` gives and forgets it."""

    def __init__(self) -> None:
        self._text = ""
        self.let_pass = ""  #: a text with this ending is no fault

    def note(self, _kind: int, text: str, _data: object) -> None:
        """Keep a text; RtMidi's error callback."""
        if not (self.let_pass and text.strip().endswith(self.let_pass)):
            self._text = text.strip()

    def take(self) -> str:
        """Return the last fault and forget it; empty if there was none."""
        text, self._text = self._text, ""
        return text


class SystemMidi:
    """The MIDI service as one process uses it; keeps two clients that list the ports.

    With `wait` a service that cannot be reached is no error: `trouble` says why, and `connect` may be
    called again.

    Raises:
        RigError: the service cannot be reached; the text says what to do.
    """

    def __init__(self, service: MidiService | None = None, *, wait: bool = False) -> None:
        self.service = service or choose_service()
        self.pump = QueuePump()  #: empties the queues of JACK inputs
        self.trouble = ""  #: why there is no service, if there is none
        self.generation = 0  #: counts how often the service was connected to
        self._users = 0
        self._own: set[tuple[str, str]] = set()
        self._listers: dict[Way, Any] = {}
        self._socket: str | None = None
        self._server = 0
        try:
            self._reach()
        except RigError as error:
            if not wait:
                raise
            self.trouble = str(error)

    def _reach(self) -> None:
        """Make the two clients that list; RigError if the service does not answer."""
        self._socket = jack_socket() if self.service.api == "jack" else None
        self._server = socket_number(self._socket) if self._socket else 0
        if self.service.api != "dummy":
            self._listers = {"in": self.client("in", Faults()), "out": self.client("out", Faults())}
            self.generation += 1
        self.trouble = "" if self._listers else f"no MIDI service: {self.service.why_not}"

    @property
    def stale(self) -> bool:
        """Whether no client made so far is of use: no service was found, or another server answers now."""
        if not self._listers:
            return True
        return self._socket is not None and socket_number(self._socket) not in (0, self._server)

    def connect(self) -> None:
        """Look for the service anew; clients of one that died are given up and never touched again.

        Raises:
            RigError: it still cannot be reached.
        """
        # closing a client of a server that is gone takes a second each, and nobody is there to tell
        _GIVEN_UP.extend(self._listers.values())
        self._listers = {}
        try:
            self.service = choose_service()
            self._reach()
        except RigError as error:
            self.trouble = str(error)
            raise
        if self.trouble:
            raise RigError(self.trouble)

    def client(self, way: Way, faults: Faults) -> Any:
        """Return a new client of the service without a port, which tells its troubles to `faults`."""
        api = self.service.api
        if api == "dummy":
            raise RigError(f"no MIDI service: {self.service.why_not}")
        if api == "jack" and self._socket is None and _own_libjack():
            raise RigError(f"cannot use {self._place()}: it does not answer")
        try:
            if way == "in":
                client = rtmidi.MidiIn(_APIS[api], name=CLIENT_NAME, queue_size_limit=QUEUE_MESSAGES)
            else:
                client = rtmidi.MidiOut(_APIS[api], name=CLIENT_NAME)
        except RTMIDI_ERRORS as error:
            raise RigError(f"cannot use {self._place()}: {error}") from error
        client.set_error_callback(faults.note)
        return client

    def _place(self) -> str:
        if self.service.api == "jack":
            return f"the JACK server {jack_server_name()!r} (does it run, as this user?)"
        return "ALSA's sequencer (is there a /dev/snd/seq, and is this user in the group `audio`?)"

    def alive(self) -> bool:
        """Whether the service answers; about 30 µs. ALSA's, being the kernel, always does."""
        return self._socket is None or is_listening(self._socket)

    def list_ports(self) -> list[SystemPort]:
        """Return the system's ports in its own order, ours left out; about 1 ms a direction on ALSA."""
        return [port for port in self._all_ports() if (port.name, port.direction) not in self._own]

    def names(self, way: Way) -> list[str]:
        """Return the names of all ports of one direction, ours included."""
        return list(self._listers[way].get_ports()) if self._listers and self.alive() else []

    def _all_ports(self) -> list[SystemPort]:
        return [SystemPort(name, way, self.service.api) for way in self._listers for name in self.names(way)]

    def open(
        self, client: Any, faults: Faults, config: PortConfig, way: Way, *, again: bool = False
    ) -> Opened:
        """Open a port on `client`, virtual or connected to the one that matches; say what it is.

        `again`: the client was open before; its own port is known and stays the same.

        Raises:
            PortError: none matches, several do, or the service refuses.
        """
        nothing: list[Address] = []
        marking: contextlib.AbstractContextManager[list[Address]] = (
            contextlib.nullcontext(nothing) if again else self._marking_own()
        )
        with marking as made:
            try:
                if config.medium == "virtual":
                    name = config.create
                    client.open_virtual_port(name)
                else:
                    name = match_port(config.name, config.match, way, self._open_to_us(way)).name
                    client.open_port(client.get_ports().index(name), name=config.name)
            except RTMIDI_ERRORS as error:
                raise PortError(
                    config.name, f"cannot open {config.match or config.create!r}: {error}"
                ) from error
        fault = faults.take()
        if fault:
            raise PortError(config.name, f"cannot open {name!r}: {fault}")
        opened = Opened(name, next(iter(made), ""))
        # a kernel that shows its connections in another way must not make every port look lost
        return opened if self.linked(opened, way) else Opened(name, "")

    def match(self, config: PortConfig, way: Way) -> SystemPort:
        """Return what a port of the session would be opened on; PortError where there is no such one."""
        if self.trouble or not self.alive():
            raise PortError(config.name, self.trouble or "the MIDI service has gone")
        return match_port(config.name, config.match, way, self._open_to_us(way))

    def _open_to_us(self, way: Way) -> list[SystemPort]:
        return [
            SystemPort(name, way, self.service.api)
            for name in self.names(way)
            if (name, way) not in self._own
        ]

    @contextlib.contextmanager
    def _marking_own(self) -> Iterator[list[Address]]:
        """Take the ports of ours that appear in the list within the block for our own; give their addresses.

        RtMidi does not tell under which name the service knows a port that it made.
        """
        made: list[Address] = []
        before = {(port.name, port.direction) for port in self._all_ports()}
        yield made
        after = {(port.name, port.direction) for port in self._all_ports()}
        ours = {entry for entry in after - before if entry[0].startswith(CLIENT_NAME)}
        made += sorted({address_of(name) for name, _ in ours} - {""})
        self._own |= ours

    def linked(self, opened: Opened, way: Way) -> bool:
        """Whether the connection stands; where the service does not show it, whether the name is listed."""
        if self.service.api == "alsa" and opened.own:
            links = sequencer_links()
            if links is not None:
                other = address_of(opened.name)
                return ((opened.own, other) if way == "out" else (other, opened.own)) in links
        return opened.name in self.names(way)

    def hold(self) -> None:
        """Count one more port that uses this."""
        self._users += 1

    def release(self) -> None:
        """Count one port less; the last one closes."""
        self._users -= 1
        if self._users == 0:
            self.close()

    def close(self) -> None:
        """Let the listing clients go; may be called twice. Close the ports first."""
        for client in self._listers.values():
            client.delete()
        self._listers = {}


def list_system_ports() -> list[SystemPort]:
    """Return the MIDI ports of the system; empty when there is no MIDI service at all.

    Raises:
        RigError: there is one, and it cannot be reached.
    """
    midi = SystemMidi()
    try:
        return midi.list_ports()
    finally:
        midi.close()


def _own_libjack() -> bool:
    """Whether python-rtmidi came as a wheel with JACK 2's library inside.

    Then no socket means no server, and asking would only make the library print to standard error.
    """
    return any(Path(rtmidi.__file__).parent.parent.glob("python_rtmidi*/libjack*"))
