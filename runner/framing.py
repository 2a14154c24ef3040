"""Framing of messages between our own processes, and between the daemon and its clients. Pure.

Two shapes. A *packet* travels on a socket that keeps packet borders (SOCK_SEQPACKET), so that a reader
that was killed and started again is aligned at once; a large message is cut into parts. A *frame*
travels on a byte stream (the control socket): length, version, kind, payload; the length is capped
before anything is stored, so that a hostile client cannot make the reader hold memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from runner.errors import LinkError

VERSION = 1
PART_SIZE = 60_000  #: bytes of payload in one packet: below the default socket buffer of 208 KiB
MESSAGE_LIMIT = 256 * 1024 * 1024  #: no message between desk and engine is larger

_PACKET = struct.Struct("<BBIHH")  # version, kind, message id, part, parts
_FRAME = struct.Struct(">IBB")  # length of what follows, version, kind


def cut_packets(kind: int, message_id: int, payload: bytes) -> Iterator[bytes]:
    """Yield the packets that carry `payload`, in order; an empty payload takes one packet."""
    parts = max(1, -(-len(payload) // PART_SIZE))
    if parts > 0xFFFF or len(payload) > MESSAGE_LIMIT:
        raise LinkError(f"message of {len(payload)} bytes is over the limit of {MESSAGE_LIMIT}")
    for part in range(parts):
        piece = payload[part * PART_SIZE : (part + 1) * PART_SIZE]
        yield _PACKET.pack(VERSION, kind, message_id & 0xFFFFFFFF, part, parts) + piece


class PacketJoiner:
    """Joins packets to messages. A message whose writer died half-way is dropped and counted."""

    def __init__(self) -> None:
        self._id = -1
        self._pieces: list[bytes] = []
        self.incomplete = 0  #: messages of which some packets never came
        self.refused = 0  #: packets of another version, or too short

    def feed(self, packet: bytes) -> tuple[int, bytes] | None:
        """Take one packet; return (kind, payload) when it completes a message."""
        if len(packet) < _PACKET.size:
            self.refused += 1
            return None
        version, kind, message_id, part, parts = _PACKET.unpack_from(packet)
        if version != VERSION:
            self.refused += 1
            return None
        if part == 0:
            self.incomplete += bool(self._pieces)
            self._id, self._pieces = message_id, []
        elif message_id != self._id or part != len(self._pieces):
            self.incomplete += bool(self._pieces)
            self._id, self._pieces = -1, []
            return None
        self._pieces.append(packet[_PACKET.size :])
        if part + 1 < parts:
            return None
        payload = self._pieces[0] if parts == 1 else b"".join(self._pieces)
        self._id, self._pieces = -1, []
        return kind, payload


def pack_frame(kind: int, payload: bytes) -> bytes:
    """Return one frame for a byte stream."""
    return _FRAME.pack(len(payload) + 2, VERSION, kind) + payload


class FrameReader:
    """Cuts a byte stream into frames; anything that breaks the rules raises `LinkError` at once."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._buffer = bytearray()

    def feed(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        """Yield each (kind, payload) that `data` completes; the buffer never holds over one frame."""
        self._buffer += data
        while len(self._buffer) >= _FRAME.size:
            length, version, kind = _FRAME.unpack_from(self._buffer)
            if version != VERSION:
                raise LinkError(f"frame of version {version}, this side speaks version {VERSION}")
            if not 2 <= length <= self._limit:
                raise LinkError(f"frame of {length} bytes, the limit is {self._limit}")
            end = 4 + length
            if len(self._buffer) < end:
                return
            payload = bytes(self._buffer[_FRAME.size : end])
            del self._buffer[:end]
            yield kind, payload
