"""Who is connected to whom in ALSA's sequencer, as the kernel tells it in a text file. Pure.

RtMidi does not say when a connection is lost: a device that was pulled out and put back between two looks
at the list of ports is listed as before, and nothing reaches it. The kernel's own text has the connections.
"""

from __future__ import annotations

import re

Address = str  #: a sequencer address as people write it: ``client:port``
Links = frozenset[tuple[Address, Address]]

_CLIENT = re.compile(r"Client\s+(\d+) :")
_PORT = re.compile(r"\s+Port\s+(\d+) :")
_TO = re.compile(r"\s+Connecting To: (.*)")
_ADDRESS = re.compile(r"\d+:\d+")


def read_links(text: str) -> Links:
    """Return each connection (from, to) that the text of /proc/asound/seq/clients holds.

    Lines look like ``Client 128 : "name" [User]``, ``  Port   0 : "name" (RWe-)`` and, below a port that
    sends, ``    Connecting To: 20:0, 21:0[real:0]``. What is not known is passed over.
    """
    found: set[tuple[Address, Address]] = set()
    client = port = ""
    for line in text.splitlines():
        if match := _CLIENT.match(line):
            client, port = match[1], ""
        elif match := _PORT.match(line):
            port = match[1]
        elif (match := _TO.match(line)) and client and port:
            found.update((f"{client}:{port}", other) for other in _ADDRESS.findall(match[1]))
    return frozenset(found)


def address_of(name: str) -> Address:
    """Return the address at the end of an ALSA port's name: of ``Front USB:MIDI 1 24:0`` that is ``24:0``."""
    tail = name.rpartition(" ")[2]
    return tail if _ADDRESS.fullmatch(tail) else ""
