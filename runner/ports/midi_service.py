"""Which MIDI service of the computer is used, and whether it is alive.

ALSA's sequencer is taken where it can be used, else a JACK server; TAKEWRIGHT_MIDI_API=alsa, jack or
dummy (no ports at all) overrides that.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from runner.errors import RigError
from runner.ports.sequencer import Links, read_links

Api = Literal["alsa", "jack", "dummy"]
API_VARIABLE = "TAKEWRIGHT_MIDI_API"
SEQUENCER = Path("/dev/snd/seq")
SOCKETS = Path("/proc/net/unix")
SEQUENCER_CLIENTS = Path("/proc/asound/seq/clients")
_LISTENS = "00010000"  # the kernel's flag of a socket that accepts connections


@dataclass(frozen=True, slots=True)
class MidiService:
    """The service chosen. `why_not` says, when it is ``dummy``, why no other could be used."""

    api: Api
    why_not: str = ""


def choose_service(
    environment: Mapping[str, str] = os.environ, *, sequencer: Path = SEQUENCER, sockets: Path = SOCKETS
) -> MidiService:
    """Return the service to use.

    Raises:
        RigError: TAKEWRIGHT_MIDI_API has a value that is not known.
    """
    wanted = environment.get(API_VARIABLE, "")
    if wanted == "alsa":
        return MidiService("alsa")
    if wanted == "jack":
        return MidiService("jack")
    if wanted == "dummy":
        return MidiService("dummy", f"{API_VARIABLE}=dummy asks for no ports")
    if wanted:
        raise RigError(f"{API_VARIABLE} must be alsa, jack or dummy, got {wanted!r}")
    if os.access(sequencer, os.R_OK | os.W_OK):
        return MidiService("alsa")
    if environment.get("JACK_DEFAULT_SERVER") or jack_socket(environment, sockets=sockets):
        return MidiService("jack")
    if sequencer.exists():
        why = f"no right to use {sequencer}: add the user to the group `audio` (usermod -aG audio NAME)"
    else:
        why = f"there is no {sequencer} (try: modprobe snd-seq)"
    return MidiService("dummy", f"{why}, and no JACK server runs")


def jack_server_name(environment: Mapping[str, str] = os.environ) -> str:
    """Return the name of the JACK server that a client of ours would connect to."""
    return environment.get("JACK_DEFAULT_SERVER") or "default"


def jack_socket(environment: Mapping[str, str] = os.environ, *, sockets: Path = SOCKETS) -> str | None:
    """Return the path of the server's socket, None when no server listens.

    Read from the kernel's list of sockets: a server that was killed leaves the file but not the entry.
    Only the JACK 2 server names its socket so (seen with jackdmp 1.9.21); with another one this says None.
    """
    path = f"/dev/shm/jack_{jack_server_name(environment)}_{os.getuid()}_0"
    return path if is_listening(path, sockets=sockets) else None


def is_listening(path: str, *, sockets: Path = SOCKETS) -> bool:
    """Whether a local socket of this name exists in the kernel; about 30 µs."""
    return bool(socket_number(path, sockets=sockets))


def socket_number(path: str, *, sockets: Path = SOCKETS) -> int:
    """Return the kernel's number of a local socket, 0 if there is none; a server started anew has another."""
    try:
        lines = sockets.read_text(errors="replace").splitlines()
    except OSError:
        return 0
    found = 0
    for line in lines:
        if line.endswith(f" {path}"):
            fields = line.split()  # Num RefCount Protocol Flags Type St Inode Path
            found = (int(fields[-2]) if fields[-2].isdecimal() else 0) or -1
            if _LISTENS in fields:
                break  # the others are connections to it
    return found


def sequencer_links(clients: Path = SEQUENCER_CLIENTS) -> Links | None:
    """Return the connections within ALSA's sequencer, None where the kernel does not show them."""
    try:
        return read_links(clients.read_text(errors="replace"))
    except OSError:
        return None
