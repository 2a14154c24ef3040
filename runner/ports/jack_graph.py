"""Who is connected to whom on a JACK server, asked of the JACK library in this process; and joining anew.

python-rtmidi lists ports but not connections: a program that goes and comes back between two looks is listed
as before, and nothing reaches it. JACK's own C interface tells (`jack_port_by_name` and
`jack_port_get_all_connections`, <https://jackaudio.org/api/group__PortFunctions.html>). It asks for a client;
ours is never activated and has no ports, so it costs a server nothing in its periods.

Asking took 0.03 ms in the middle and 0.3 ms at most, where RtMidi's list of ports took 0.2 and 2 ms. Right
after a connection was made or broken JACK 2 waits for the next of its periods before it answers (1.7 ms at
64 frames, 24 ms at 1024): so nothing is asked right after we connected something ourselves.
"""

from __future__ import annotations

import ctypes
import errno
from pathlib import Path
from typing import Any

MAPPED_FILES = Path("/proc/self/maps")
_NO_START_SERVER = 1  # JackNoStartServer in jack/types.h


class JackGraph:
    """A client of the JACK server that is asked for connections; `open_graph` makes it."""

    def __init__(self, library: Any, client: int) -> None:
        self._library = library
        self._client: int | None = client

    def connections(self, port: str) -> frozenset[str] | None:
        """Return the full names of the ports that `port` (a full name) is joined to; None: no such port."""
        library, client = self._library, self._client
        handle = library.jack_port_by_name(client, port.encode()) if client else None
        if not handle:
            return None
        names = library.jack_port_get_all_connections(client, handle)
        if not names:
            return frozenset()
        found: set[str] = set()
        for name in names:  # ends at a null pointer
            if name is None:
                break
            found.add(name.decode(errors="replace"))
        library.jack_free(names)
        return frozenset(found)

    def join(self, source: str, sink: str) -> bool:
        """Connect two ports, given by their full names; whether they are connected now."""
        if not self._client:
            return False
        result: int = self._library.jack_connect(self._client, source.encode(), sink.encode())
        return result in (0, errno.EEXIST)

    def close(self) -> None:
        """Leave the server; may be called twice, and never after the server has died."""
        client, self._client = self._client, None
        if client:
            self._library.jack_client_close(client)


def open_graph(name: str) -> JackGraph | None:
    """Return a new client called `name` of the server that runs; None where no connections can be asked for.

    That is so without a JACK library in the process, with one that lacks a function, and where the server
    takes no further client.
    """
    path = loaded_libjack()
    if not path:
        return None
    try:
        library = _declared(ctypes.CDLL(path))
    except (OSError, AttributeError):
        return None
    client = library.jack_client_open(name.encode(), _NO_START_SERVER, None)
    return JackGraph(library, client) if client else None


def loaded_libjack(maps: Path = MAPPED_FILES) -> str:
    """Return the path of the JACK library that this process uses, be it a wheel's or the system's; or ''."""
    try:
        lines = maps.read_text(errors="replace").splitlines()
    except OSError:
        return ""
    for line in lines:
        path = line[line.find("/") :] if "/" in line else ""
        if Path(path).name.startswith(("libjack-", "libjack.so")):
            return path
    return ""


def _declared(library: Any) -> Any:
    """Tell ctypes what the functions take and give; AttributeError if the library has no such function."""
    pointer = ctypes.c_void_p
    library.jack_client_open.restype = pointer
    library.jack_client_open.argtypes = (ctypes.c_char_p, ctypes.c_int, pointer)
    library.jack_client_close.restype = ctypes.c_int
    library.jack_client_close.argtypes = (pointer,)
    library.jack_port_by_name.restype = pointer
    library.jack_port_by_name.argtypes = (pointer, ctypes.c_char_p)
    library.jack_port_get_all_connections.restype = ctypes.POINTER(ctypes.c_char_p)
    library.jack_port_get_all_connections.argtypes = (pointer, pointer)
    library.jack_connect.restype = ctypes.c_int
    library.jack_connect.argtypes = (pointer, ctypes.c_char_p, ctypes.c_char_p)
    library.jack_free.restype = None
    library.jack_free.argtypes = (pointer,)
    return library
