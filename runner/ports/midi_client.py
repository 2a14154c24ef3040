"""The system's MIDI service as python-rtmidi gives it: clients, the list of ports, opening one of them."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple

import rtmidi

from runner.errors import PortError, RigError
from runner.ports.base import PortConfig
from runner.ports.jack_graph import JackGraph, open_graph
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
_WAYS: tuple[Way, ...] = ("in", "out")
_OUR_CLIENT = re.compile(rf"{CLIENT_NAME}-\d+-")  # on JACK: a client of this process or of another of ours
_NAME_CHARACTERS = 24  #: of a port's name in its JACK client's name, of which 63 bytes are kept

_GIVEN_UP: list[Any] = []  # clients of JACK servers that died; one server in a day of rehearsals, if any


class Opened(NamedTuple):
    """What a client of ours was joined to, and where the service knows our own end of it."""

    name: str
    own: Address  #: on JACK ``:`` and the name within its client; empty where it is not known


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
    """The MIDI service as one process uses it; keeps a client for each way that lists the ports.

    On ALSA these are clients of their own. On JACK a client that a port was opened with serves as well: a
    server needs 30 ms for each client of a killed process before it answers anybody (measured), and so long
    the next process cannot silence what the dead one left sounding.

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
        # JACK clients of ours that nobody connects to are known by their name: no list is needed to tell
        self._unique = f"{CLIENT_NAME}-{os.getpid()}-"
        self._listers: dict[Way, Any] = {}
        self._graph: JackGraph | None = None
        self._reached = False
        self._socket: str | None = None
        self._server = 0
        try:
            self._reach()
        except RigError as error:
            if not wait:
                raise
            self.trouble = str(error)

    def _reach(self) -> None:
        """See that the service answers; RigError if it does not."""
        self._socket = jack_socket() if self.service.api == "jack" else None
        self._server = socket_number(self._socket) if self._socket else 0
        if self.service.api != "dummy":
            self._check()
            if self._socket is None:
                self._lister("out")  # there is no other way to find out
            self.generation += 1
            self._reached = True
        self.trouble = "" if self._reached else f"no MIDI service: {self.service.why_not}"

    @property
    def stale(self) -> bool:
        """Whether no client made so far is of use: no service was found, or another server answers now."""
        if not self._reached:
            return True
        return self._socket is not None and socket_number(self._socket) not in (0, self._server)

    def connect(self) -> None:
        """Look for the service anew; clients of one that died are given up and never touched again.

        Raises:
            RigError: it still cannot be reached.
        """
        # closing a client of a server that is gone takes a second each, and nobody is there to tell
        _GIVEN_UP.extend((*self._listers.values(), self._graph))
        self._listers, self._graph = {}, None
        self._reached = False
        try:
            self.service = choose_service()
            self._reach()
        except RigError as error:
            self.trouble = str(error)
            raise
        if self.trouble:
            raise RigError(self.trouble)

    def _lister(self, way: Way) -> Any:
        """Return the client that lists the ports of one way."""
        if way not in self._listers:
            self._listers[way] = self._make(way, Faults(), f"{self._unique}list")
        return self._listers[way]

    def look_into_connections(self) -> None:
        """On JACK: make the client that is asked for connections; about 20 ms. Where none is to be had, the
        list of ports must do.
        """
        if self.service.api == "jack" and self._reached and self._graph is None and self.alive():
            self._graph = open_graph(f"{self._unique}graph")

    def client(self, way: Way, faults: Faults, config: PortConfig) -> Any:
        """Return a new client of the service without a port, which tells its troubles to `faults`."""
        if self.service.api == "alsa" or config.medium == "virtual":
            return self._make(way, faults, CLIENT_NAME)
        client = self._make(way, faults, f"{self._unique}{config.name[:_NAME_CHARACTERS]}")
        self._listers.setdefault(way, client)
        return client

    def await_server(self) -> None:
        """Wait until a JACK server has done with all that was asked of it, the death of a client among that.

        While a dead client is in its graph, what others send in that period may never arrive (seen).
        """
        if self.service.api == "jack" and self.alive():
            lister = self._make("in", Faults(), f"{self._unique}list")
            if "in" not in self._listers:
                self._listers["in"] = lister
            else:
                lister.delete()

    def forget(self, client: Any) -> None:
        """Take note that a client is about to be deleted: it lists no more."""
        self._listers = {way: lister for way, lister in self._listers.items() if lister is not client}

    def _make(self, way: Way, faults: Faults, name: str) -> Any:
        self._check()
        api = _APIS[self.service.api]
        try:
            if way == "in":
                client = rtmidi.MidiIn(api, name=name, queue_size_limit=QUEUE_MESSAGES)
            else:
                client = rtmidi.MidiOut(api, name=name)
        except RTMIDI_ERRORS as error:
            raise RigError(f"cannot use {self._place()}: {error}") from error
        client.set_error_callback(faults.note)
        return client

    def _check(self) -> None:
        """RigError where it is known, without asking, that nobody will answer."""
        if self.service.api == "dummy":
            raise RigError(f"no MIDI service: {self.service.why_not}")
        if self.service.api == "jack" and self._socket is None and _own_libjack():
            raise RigError(f"cannot use {self._place()}: it does not answer")

    def _place(self) -> str:
        if self.service.api == "jack":
            return f"the JACK server {jack_server_name()!r} (does it run, as this user?)"
        return "ALSA's sequencer (is there a /dev/snd/seq, and is this user in the group `audio`?)"

    def alive(self) -> bool:
        """Whether the service answers; about 30 µs. ALSA's, being the kernel, always does."""
        return self._socket is None or is_listening(self._socket)

    def list_ports(self) -> list[SystemPort]:
        """Return the system's ports in its own order, ours left out; about 1 ms a direction on ALSA."""
        return [port for port in self._all_ports() if not self._is_own(port.name, port.direction)]

    def _is_own(self, name: str, way: str) -> bool:
        return (name, way) in self._own or (self.service.api == "jack" and bool(_OUR_CLIENT.match(name)))

    def names(self, way: Way) -> list[str]:
        """Return the names of all ports of one direction, ours included."""
        return list(self._lister(way).get_ports()) if self._reached and self.alive() else []

    def _all_ports(self) -> list[SystemPort]:
        return [SystemPort(name, way, self.service.api) for way in _WAYS for name in self.names(way)]

    def open(
        self, client: Any, faults: Faults, config: PortConfig, way: Way, before: Opened | None = None
    ) -> Opened:
        """Open a port on `client`, virtual or connected to the one that matches; say what it is.

        `before`: what the client was joined to before; its own port is known and stays the same.

        Raises:
            PortError: none matches, several do, or the service refuses.
        """
        named = self.service.api == "jack" and config.medium != "virtual"
        known = named or before is not None
        nothing: list[Address] = []
        marking: contextlib.AbstractContextManager[list[Address]] = (
            contextlib.nullcontext(nothing) if known else self._marking_own()
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
        if before is None and named:
            opened = Opened(name, self._own_on_jack(name, config) or f":{config.name}")
        elif before is None:
            opened = Opened(name, next(iter(made), ""))
        else:
            opened = Opened(name, before.own)
            if named:
                return opened  # JACK would wait for its next period before it tells
        # a service that shows its connections in another way must not make every port look lost
        return opened if self.linked(opened, way) else Opened(name, "")

    def _own_on_jack(self, name: str, config: PortConfig) -> str:
        """Return the full name of our port that was just joined to `name`; empty if it cannot be told."""
        joined = self._graph.connections(name) if self._graph is not None else None
        ours = (
            own for own in joined or () if own.startswith(self._unique) and own.endswith(f":{config.name}")
        )
        return next(ours, "")

    def joins_anew(self, before: Opened | None) -> bool:
        """Whether what was lost is to be joined again as it stands, our own port never closed: so on JACK.

        RtMidi unregisters a port that JACK's thread may be reading in that moment, which can end the process
        (seen); and a port is lost and found while others play.
        """
        return self._graph is not None and before is not None and before.own.startswith(self._unique)

    def join(self, config: PortConfig, way: Way, before: Opened) -> Opened:
        """Join our port to what the session means now; PortError if that cannot be."""
        name = self.match(config, way).name
        ends = (before.own, name) if way == "out" else (name, before.own)
        if self._graph is None or not self._graph.join(*ends):
            raise PortError(config.name, f"cannot open {name!r}: JACK does not connect it")
        return Opened(name, before.own)

    def match(self, config: PortConfig, way: Way) -> SystemPort:
        """Return what a port of the session would be opened on; PortError where there is no such one."""
        if self.trouble or not self.alive():
            raise PortError(config.name, self.trouble or "the MIDI service has gone")
        return match_port(config.name, config.match, way, self._open_to_us(way))

    def _open_to_us(self, way: Way) -> list[SystemPort]:
        return [
            SystemPort(name, way, self.service.api) for name in self.names(way) if not self._is_own(name, way)
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
        if self._graph is not None and opened.own:
            joined = self._graph.connections(opened.name)
            return joined is not None and any(
                name.startswith(self._unique) and name.endswith(opened.own) for name in joined
            )
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
        if self._graph is not None and not self.stale and self.alive():
            self._graph.close()
        elif self._graph is not None:
            _GIVEN_UP.append(self._graph)
        self._graph = None


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
