"""The desk's end of the socket to the engine: commands out, answers in, never a wait."""

from __future__ import annotations

import json
import socket
from collections import deque
from collections.abc import Mapping
from typing import Any

from runner.framing import PacketJoiner, cut_packets
from runner.play.commands import Command

_PACKET_BYTES = 65_536


class EngineLink:
    """Sends commands in order, as fast as the engine takes them; the rest waits in a queue."""

    def __init__(self, link: socket.socket) -> None:
        link.setblocking(False)
        self._link = link
        self._queue: deque[bytes] = deque()
        self._joiner = PacketJoiner()
        self._message_id = 0

    def fileno(self) -> int:
        """The descriptor to watch."""
        return self._link.fileno()

    @property
    def waiting(self) -> bool:
        """Whether packets wait for room in the socket."""
        return bool(self._queue)

    def command(self, command: Command, data: Mapping[str, Any] | bytes = b"") -> None:
        """Queue a command, and send what there is room for."""
        payload = data if isinstance(data, bytes) else json.dumps(data).encode()
        self._message_id += 1
        self._queue.extend(cut_packets(command, self._message_id, payload))
        self.push()

    def forget(self) -> None:
        """Drop what was not sent: the engine that it was for is dead."""
        self._queue.clear()

    def push(self) -> None:
        """Send what the socket has room for."""
        while self._queue:
            try:
                self._link.send(self._queue[0])
            except (BlockingIOError, ConnectionError):
                return
            self._queue.popleft()

    def answers(self) -> list[tuple[int, dict[str, Any]]]:
        """Return the answers that have come in."""
        found: list[tuple[int, dict[str, Any]]] = []
        while True:
            try:
                packet = self._link.recv(_PACKET_BYTES)
            except (BlockingIOError, ConnectionError):
                return found
            if not packet:
                return found
            message = self._joiner.feed(packet)
            if message is not None:
                found.append((message[0], json.loads(message[1])))
