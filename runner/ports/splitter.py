"""Splits a stream of MIDI bytes into whole messages and counts what is not MIDI.

The rules are those of the MIDI 1.0 Detailed Specification 4.2.1 (pages 5, 6, 29, 30 and A-2):
real-time bytes may come anywhere and disturb nothing; a sysex ends with F7 or with any other status;
sysex and system common clear running status; F4 and F5 clear it and are ignored; F9 and FD are ignored
and leave it; data without a status are ignored. Nothing here raises on any input.
"""

from __future__ import annotations

SYSEX = 0xF0
END_OF_SYSEX = 0xF7
MAX_SYSEX_BYTES = 1 << 20  #: longer ones are dropped, so that a stuck sender cannot fill the memory

_UNDEFINED_REAL_TIME = frozenset((0xF9, 0xFD))
_COMMON_LENGTH = {0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1}


def _length_of(status: int) -> int:
    """Return the length of a message of fixed length with its status byte, 0 if there is none."""
    if status < 0x80:
        return 0
    if status < SYSEX:
        return 2 if 0xC0 <= status < 0xE0 else 3
    if status >= 0xF8:
        return 0 if status in _UNDEFINED_REAL_TIME else 1
    return _COMMON_LENGTH.get(status, 0)


MESSAGE_LENGTH = bytes(_length_of(status) for status in range(256))  #: by status byte; 0 means no fixed one


def is_whole_message(data: bytes) -> bool:
    """Whether `data` is exactly one MIDI message with its status byte."""
    if not data:
        return False
    if data[0] == SYSEX:
        return len(data) >= 2 and data[-1] == END_OF_SYSEX and max(data[1:-1], default=0) < 0x80
    return len(data) == MESSAGE_LENGTH[data[0]] and max(data[1:], default=0) < 0x80


class MessageSplitter:
    """Collects bytes and gives whole messages, each with its status byte; a sysex with F0 and F7.

    With `packets=True` each call of `feed` brings whole messages or pieces of a sysex, as the system's
    MIDI services do: then there is no running status, and an unfinished message other than a sysex is
    dropped at the end of the packet instead of swallowing data of the next one.
    """

    __slots__ = ("_expected", "_packets", "_pending", "_running", "_skipping", "bad_bytes")

    def __init__(self, *, packets: bool = False) -> None:
        self._packets = packets
        self._pending = bytearray()  # the message that is being collected
        self._expected = 0  # its length; 0 for a sysex
        self._running = 0  # running status; 0 for none
        self._skipping = False  # inside a sysex that grew too long
        self.bad_bytes = 0  #: bytes dropped since the beginning

    @property
    def pending(self) -> int:
        """How many bytes of an unfinished message are held."""
        return len(self._pending)

    def feed(self, data: bytes) -> list[bytes]:
        """Return the messages that `data` completes, in order; real-time bytes come out at once."""
        if not self._pending and not self._skipping and is_whole_message(data):
            self._remember(data[0])
            return [bytes(data)]
        messages: list[bytes] = []
        for byte in data:
            if byte < 0x80:
                self._data(byte, messages)
            elif byte >= 0xF8:
                self._real_time(byte, messages)
            else:
                self._status(byte, messages)
        if self._packets and self._expected:
            self._abandon()
        return messages

    def reset(self) -> None:
        """Forget what is unfinished, counting it as bad, and running status with it."""
        self._abandon()
        self._running = 0
        self._skipping = False

    def _remember(self, status: int) -> None:
        if status < 0xF8:
            self._running = status if status < SYSEX and not self._packets else 0

    def _abandon(self) -> None:
        self.bad_bytes += len(self._pending)
        self._pending.clear()
        self._expected = 0

    def _real_time(self, byte: int, messages: list[bytes]) -> None:
        if byte in _UNDEFINED_REAL_TIME:
            self.bad_bytes += 1
        else:
            messages.append(bytes((byte,)))

    def _status(self, byte: int, messages: list[bytes]) -> None:
        in_sysex = bool(self._pending) and self._pending[0] == SYSEX
        if in_sysex:
            self._pending.append(END_OF_SYSEX)
            messages.append(bytes(self._pending))
            self._pending.clear()
        elif self._pending:
            self._abandon()
        self._remember(byte)
        if byte == END_OF_SYSEX:
            if not in_sysex:
                self.bad_bytes += 1
            self._skipping = False
            return
        self._skipping = False
        if byte == SYSEX:
            self._pending.append(byte)
            self._expected = 0
        elif MESSAGE_LENGTH[byte] == 1:
            messages.append(bytes((byte,)))
        elif MESSAGE_LENGTH[byte]:
            self._pending.append(byte)
            self._expected = MESSAGE_LENGTH[byte]
        else:
            self.bad_bytes += 1

    def _data(self, byte: int, messages: list[bytes]) -> None:
        if not self._pending:
            if self._skipping or not self._running:
                self.bad_bytes += 1
                return
            self._pending.append(self._running)
            self._expected = MESSAGE_LENGTH[self._running]
        self._pending.append(byte)
        if self._expected:
            if len(self._pending) == self._expected:
                messages.append(bytes(self._pending))
                self._pending.clear()
                self._expected = 0
        elif len(self._pending) >= MAX_SYSEX_BYTES:
            self._abandon()
            self._skipping = True
