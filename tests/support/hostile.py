"""Clients of a control socket that mean harm, in a process of their own.

``python hostile.py SOCKET FRAMES SLOW``

It opens SLOW connections that send half a frame, or watch and never read, and then sends FRAMES frames that
break the rules, each on a connection of its own, as fast as the daemon takes them. It shares no code with the
daemon. It prints a line of JSON: what it sent, and how often it was turned away.
"""

from __future__ import annotations

import json
import random
import resource
import socket
import struct
import sys
import time
from contextlib import suppress

PATIENCE_S = 0.002  #: when the system's queue of connections is full


def connected(path: str) -> socket.socket:
    """Return a new connection, as soon as there is one."""
    while True:
        client = socket.socket(socket.AF_UNIX)
        client.settimeout(1.0)
        try:
            client.connect(path)
        except (BlockingIOError, TimeoutError):
            client.close()
            time.sleep(PATIENCE_S)
        else:
            return client


def frame(kind: int, payload: bytes, version: int = 1) -> bytes:
    """Return a frame, or what looks like one."""
    return struct.pack(">IBB", len(payload) + 2, version, kind) + payload


def bad_frame(rng: random.Random) -> bytes:
    """Return bytes that break a rule."""
    junk = rng.randbytes(rng.randrange(1, 400))
    return rng.choice(
        [
            junk,
            b"\xff\xff\xff\xff" + junk,
            frame(1, junk),
            frame(rng.randrange(4, 256), junk),
            frame(1, b'{"word":"roll"}', version=9),
            frame(1, b"[" * 4000),
            frame(1, b'{"id":' + b"9" * 4000 + b"}"),
        ]
    )


def main(path: str, frames: int, slow: int) -> None:
    """Do harm, and say how much."""
    rng = random.Random(11)
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, slow + 200), most))
    held = []
    for number in range(slow):
        client = connected(path)
        with suppress(OSError):
            client.sendall(frame(3, b"{}") if number % 2 else frame(1, b"{" * 900)[:500])
        held.append(client)
    broken = 0
    for _ in range(frames):
        with connected(path) as client, suppress(OSError):
            client.sendall(bad_frame(rng))
            broken += 1
    print(json.dumps({"slow": len(held), "sent": broken}), flush=True)
    for client in held:
        client.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
