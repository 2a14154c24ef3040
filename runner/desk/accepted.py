"""What the desk has accepted, kept in a memory file of the keeper's for a desk that is started again.

A session file may be changed or broken while a take rolls. In force is what was accepted last, at the start
or by a reload: a desk that takes over from a dead one reads that, and not what lies on the disk by then.

Layout: a head (offset, length and CRC-32 of the block in force), then blocks. A new block never lies over the
one in force, and the head is written last and in one piece, so that a writer killed at any moment leaves the
old block or the new one.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field

_HEAD = struct.Struct("<QQI")


@dataclass(frozen=True, slots=True)
class Accepted:
    """A session's text, the bytes of its part files by their names in it, and the folder takes go to."""

    text: str
    takes_folder: str
    parts: Mapping[str, bytes] = field(default_factory=dict)


class AcceptedFile:
    """The memory file `fd`; `read` gives what the last whole `write` wrote."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def write(self, accepted: Accepted) -> None:
        """Put `accepted` in force; without memory for it nothing is, and the next desk reads the disk."""
        sizes = {name: len(data) for name, data in accepted.parts.items()}
        names = {"text": accepted.text, "takes_folder": accepted.takes_folder, "parts": sizes}
        block = b"".join([json.dumps(names).encode(), b"\n", *accepted.parts.values()])
        at, length, _ = self._head()
        room = at - _HEAD.size if length else len(block)
        place = _HEAD.size if len(block) <= room else at + length
        try:
            self._write(block, place)
        except OSError:  # what was in force is so no more
            os.pwrite(self._fd, _HEAD.pack(0, 0, 0), 0)
            return
        os.pwrite(self._fd, _HEAD.pack(place, len(block), zlib.crc32(block)), 0)
        os.ftruncate(self._fd, place + len(block))

    def read(self) -> Accepted | None:
        """Return what is in force; None if nothing was written yet, or not whole."""
        place, length, check = self._head()
        block = b""
        while len(block) < length:
            piece = os.pread(self._fd, length - len(block), place + len(block))
            if not piece:
                return None
            block += piece
        if not length or zlib.crc32(block) != check:
            return None
        head, _, rest = block.partition(b"\n")
        names = json.loads(head)
        parts: dict[str, bytes] = {}
        for name, size in names["parts"].items():
            parts[name], rest = rest[:size], rest[size:]
        return Accepted(names["text"], names["takes_folder"], parts)

    def _head(self) -> tuple[int, int, int]:
        head = os.pread(self._fd, _HEAD.size, 0)
        place, length, check = _HEAD.unpack(head) if len(head) == _HEAD.size else (0, 0, 0)
        return place, length, check

    def _write(self, block: bytes, place: int) -> None:
        left = memoryview(block)
        while left:
            count = os.pwrite(self._fd, left, place)
            left, place = left[count:], place + count
