"""Connections on JACK as its library tells them, with a library that is made up here.

Source of what the functions give: the JACK API reference, <https://jackaudio.org/api/group__PortFunctions.html>
(`jack_port_get_all_connections`: a null-terminated array of full names, or null; to be freed by `jack_free`).
"""

from __future__ import annotations

import errno
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from runner.errors import RigError
from runner.ports import jack_graph, midi_client
from runner.ports.base import PortConfig
from runner.ports.jack_graph import JackGraph, loaded_libjack, open_graph
from runner.ports.midi_client import Opened, SystemMidi
from runner.ports.midi_service import MidiService
from runner.ports.system import SystemMidiPort

BOX = "quay-box:box"


class Library:
    """As much of a JACK library as is asked; `joined` are the connections of each port that is there."""

    def __init__(self, joined: dict[str, list[str]]) -> None:
        self.joined = joined
        self.freed: list[Any] = []
        self.closed: list[int] = []

    def jack_port_by_name(self, _client: int, name: bytes) -> str | None:
        """A port's handle: here its name."""
        return name.decode() if name.decode() in self.joined else None

    def jack_port_get_all_connections(self, _client: int, port: str) -> list[bytes | None] | None:
        """Null where there are none, as the reference says."""
        names: list[bytes | None] = [name.encode() for name in self.joined[port]]
        return [*names, None] if names else None

    def jack_connect(self, _client: int, source: bytes, sink: bytes) -> int:
        """0, or EEXIST if they are connected already, or -1 if one is not there."""
        ends = source.decode(), sink.decode()
        if any(end not in self.joined for end in ends):
            return -1
        if ends[1] in self.joined[ends[0]]:
            return errno.EEXIST
        self.joined[ends[0]].append(ends[1])
        self.joined[ends[1]].append(ends[0])
        return 0

    def jack_free(self, names: Any) -> None:
        """Take back an array."""
        self.freed.append(names)

    def jack_client_close(self, client: int) -> None:
        """Let a client go."""
        self.closed.append(client)


def test_a_port_that_is_not_there_is_told_from_one_that_is_joined_to_nothing() -> None:
    """None, an empty set, or the names; each array is given back once."""
    library = Library({BOX: ["takewright-7-box:box", "quay-pen:out"], "quay-rack:rack": []})
    graph = JackGraph(library, 1)
    assert graph.connections(BOX) == {"takewright-7-box:box", "quay-pen:out"}
    assert graph.connections("quay-rack:rack") == frozenset()
    assert graph.connections("quay-gone:gone") is None
    assert len(library.freed) == 1
    graph.close()
    graph.close()
    assert library.closed == [1]
    assert graph.connections(BOX) is None


def _midi(monkeypatch: pytest.MonkeyPatch, library: Library) -> SystemMidi:
    monkeypatch.setattr(midi_client, "jack_socket", lambda: "/dev/shm/jack_quay")
    monkeypatch.setattr(midi_client, "socket_number", lambda _path: 5)
    monkeypatch.setattr(midi_client, "is_listening", lambda _path: True)
    monkeypatch.setattr(midi_client, "open_graph", lambda _name: JackGraph(library, 1))
    midi = SystemMidi(MidiService("jack"))
    midi.look_into_connections()
    return midi


def test_a_port_is_linked_while_its_own_connection_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another port of ours, or another process of ours, at the same machine does not count."""
    monkeypatch.setattr(midi_client.os, "getpid", lambda: 7)
    library = Library({BOX: ["takewright-7-box:box"]})
    midi = _midi(monkeypatch, library)
    opened = Opened(BOX, ":box")
    assert midi.linked(opened, "out")
    library.joined[BOX] = ["takewright-7-box-01:box"]  # a second client of the name is given a number
    assert midi.linked(opened, "out")
    for others in ([], ["takewright-7-rack:rack"], ["takewright-71-box:box"], ["quay-pen:box"]):
        library.joined[BOX] = others
        assert not midi.linked(opened, "out")
    del library.joined[BOX]
    assert not midi.linked(opened, "out")


def test_where_connections_cannot_be_asked_for_the_name_must_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a library, and for a port whose connection was never seen, the list of ports decides."""
    library = Library({BOX: []})
    midi = _midi(monkeypatch, library)
    monkeypatch.setattr(midi, "names", lambda _way: [BOX])
    assert not midi.linked(Opened(BOX, ":box"), "out")
    assert midi.linked(Opened(BOX, ""), "out")
    monkeypatch.setattr(midi_client, "open_graph", lambda _name: None)
    without = SystemMidi(MidiService("jack"))
    without.look_into_connections()
    monkeypatch.setattr(without, "names", lambda _way: [BOX])
    assert without.linked(Opened(BOX, ":box"), "out")
    assert not without.linked(Opened("quay-gone:gone", ":gone"), "out")


class Client:
    """As much of an RtMidi client as a port needs that is opened, lost and closed."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self.calls: list[str] = []

    def get_ports(self) -> list[str]:
        """What there is to be connected to."""
        return [name for name in self._library.joined if name.startswith("quay-")]

    def open_port(self, _index: int, name: str) -> None:
        """Make a port and connect it."""
        self.calls.append("open")
        self._library.joined[f"takewright-7-box:{name}"] = []
        self._library.jack_connect(1, f"takewright-7-box:{name}".encode(), BOX.encode())

    def close_port(self) -> None:
        """Unregister the port, which JACK's thread may be reading."""
        self.calls.append("close")

    def delete(self) -> None:
        """End the client."""
        self.calls.append("delete")


def _port(monkeypatch: pytest.MonkeyPatch, library: Library) -> tuple[SystemMidiPort, Client, SystemMidi]:
    monkeypatch.setattr(midi_client.os, "getpid", lambda: 7)
    midi, client = _midi(monkeypatch, library), Client(library)
    monkeypatch.setattr(midi, "client", lambda *_given: client)
    monkeypatch.setattr(midi, "names", lambda _way: client.get_ports())
    config = PortConfig("box", "system", match="quay-box*", direction="out", wait=True)
    return SystemMidiPort(midi, config), client, midi


def test_a_port_that_is_lost_and_found_is_joined_anew_and_not_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its client is left as it is, however often, and the connection is JACK's library's to make."""
    library = Library({BOX: []})
    port, client, _ = _port(monkeypatch, library)
    own = "takewright-7-box:box"
    assert port.present()
    for _ in range(3):
        library.joined.pop(BOX)
        library.joined[own] = []
        assert not port.present()
        assert not port.returned()
        library.joined[BOX] = []
        assert not port.present(), "it is there, and we are not joined to it"
        assert port.returned()
        assert port.mend()
        assert port.present()
        assert library.joined[BOX] == [own]
    assert client.calls == ["open"]
    port.close()
    assert client.calls == ["open", "close", "delete"]


def test_a_port_that_jack_does_not_connect_begins_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """What has gone between two steps is an error that names the port, and it is mended later."""
    library = Library({BOX: []})
    port, client, midi = _port(monkeypatch, library)
    library.joined[BOX] = []
    monkeypatch.setattr(library, "jack_connect", lambda *_ends: -1)
    with pytest.raises(RigError, match=r"box.*JACK does not connect it"):
        port.mend()
    assert "JACK does not connect it" in port.trouble
    monkeypatch.undo()
    monkeypatch.setattr(midi, "names", lambda _way: client.get_ports())
    assert midi.joins_anew(Opened(BOX, "takewright-7-box:box"))
    assert client.calls == ["open"]


def test_without_a_graph_and_on_alsa_a_lost_port_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """There it has to be: nothing else opens it again."""
    midi = _midi(monkeypatch, Library({BOX: []}))
    assert not midi.joins_anew(None)
    assert not midi.joins_anew(Opened(BOX, ":box"))
    monkeypatch.setattr(midi, "_graph", None)
    assert not midi.joins_anew(Opened(BOX, f"{midi._unique}box:box"))


@pytest.mark.parametrize(
    ("line", "path"),
    [
        ("7f00-7f01 r-xp 00000000 08:01 9  /usr/lib/x86_64-linux-gnu/libjack.so.0.1.0", "libjack.so.0.1.0"),
        (
            "7f00-7f01 r-xp 00000000 08:01 9  /a b/python_rtmidi./libjack-5305d520.so.0.1.0",
            "libjack-5305d520",
        ),
        ("7f00-7f01 r-xp 00000000 08:01 9  /usr/lib/libjackserver.so.0", ""),
        ("7f00-7f01 rw-p 00000000 00:00 0  [heap]", ""),
    ],
)
def test_the_library_is_the_one_that_the_process_has(tmp_path: Path, line: str, path: str) -> None:
    """Debian's name and a wheel's are known; the server's own library is another."""
    maps = tmp_path / "maps"
    maps.write_text(f"7e00-7e01 r-xp 00000000 08:01 9  /usr/bin/python3.11\n{line}\n")
    found = loaded_libjack(maps)
    assert path in found
    assert bool(found) == bool(path)
    assert loaded_libjack(tmp_path / "none") == ""


def test_no_graph_without_a_fitting_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """No library, one that cannot be loaded, one that lacks a function: None, and no error."""
    monkeypatch.setattr(jack_graph, "loaded_libjack", lambda: "")
    assert open_graph("quay") is None
    monkeypatch.setattr(jack_graph, "loaded_libjack", lambda: "/nowhere/libjack.so.0")
    assert open_graph("quay") is None
    monkeypatch.setattr(jack_graph, "loaded_libjack", lambda: "libjack.so.0")
    monkeypatch.setattr(jack_graph.ctypes, "CDLL", lambda _path: SimpleNamespace())
    assert open_graph("quay") is None
