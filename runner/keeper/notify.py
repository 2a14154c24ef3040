"""Tells systemd how the daemon is, where systemd asks to be told (sd_notify(3)'s protocol, by hand).

One datagram of NAME=value lines to the socket in NOTIFY_SOCKET. Nothing here can fail the program: without
that variable, or with nobody listening, nothing happens.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Mapping

_STATUS_MOST = 200  #: characters; it is one line of `systemctl status`


class Notifier:
    """The service manager as the keeper sees it."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._watchdog_s = _watchdog_s(environment)
        self._socket: socket.socket | None = None
        self._next_s = 0.0
        self._status = ""
        if self._address[:1] in ("/", "@"):
            with contextlib.suppress(OSError):
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
                self._socket.setblocking(False)

    @property
    def asked(self) -> bool:
        """Whether there is somebody to tell: this runs as a service."""
        return self._socket is not None

    def _tell(self, text: str) -> None:
        if self._socket is None:
            return
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        with contextlib.suppress(OSError):
            self._socket.sendto(text.encode(errors="replace"), address)

    def ready(self) -> None:
        """The service has come up, or a reload is done."""
        self._tell("READY=1")

    def status(self, text: str) -> None:
        """Say in a line what the daemon does; the same line twice is said once."""
        line = " ".join(text.split())[:_STATUS_MOST]
        if line != self._status:
            self._status = line
            self._tell(f"STATUS={line}")

    def reloading(self) -> None:
        """A reload begins; `ready` ends it."""
        self._tell(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """The service is on its way out."""
        self._tell("STOPPING=1")

    def alive(self, now_s: float) -> None:
        """Feed the watchdog, at half the time that it waits; `now_s` is monotonic."""
        if self._watchdog_s and now_s >= self._next_s:
            self._next_s = now_s + self._watchdog_s / 2
            self._tell("WATCHDOG=1")

    def close(self) -> None:
        """Let the socket go."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _watchdog_s(environment: Mapping[str, str]) -> float:
    """Return how long the watchdog waits, 0 if there is none or it is another process's."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0.0
    text = environment.get("WATCHDOG_USEC", "")
    return int(text) / 1e6 if text.isascii() and text.isdecimal() else 0.0
