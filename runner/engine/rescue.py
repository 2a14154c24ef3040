"""What outlives an engine that died: who was sounding, and how to reach them.

The keeper holds a memory file that each engine maps. The first part is the table of `Sounding`; after
it stands the rig's configuration as JSON, so that the next engine can open the same ports and silence
what the dead one left, before anybody tells it anything. Then comes a second table: what was ended on ports
that nobody has seen to be there since, so that the end may have gone nowhere. Last is the number of the next
record.
"""

from __future__ import annotations

import json
import mmap
import os
import struct

from runner.engine.log import NUMBER_BYTES
from runner.play.commands import RigConfig
from runner.play.sounding import TABLE_BYTES

CONFIG_BYTES = 256 * 1024
_UNSURE_AT = TABLE_BYTES + CONFIG_BYTES
_NUMBER_AT = _UNSURE_AT + TABLE_BYTES
SIZE = _NUMBER_AT + NUMBER_BYTES
_LENGTH = struct.Struct("<I")


class RescueFile:
    """The mapped memory file behind descriptor `fd`."""

    def __init__(self, fd: int) -> None:
        if os.fstat(fd).st_size < SIZE:
            os.ftruncate(fd, SIZE)
        self._map = mmap.mmap(fd, SIZE)

    @property
    def table(self) -> memoryview:
        """The bytes in which `Sounding` keeps its counts."""
        return memoryview(self._map)[:TABLE_BYTES]

    @property
    def unsure(self) -> memoryview:
        """The bytes in which `Sounding` keeps what may have been ended in vain."""
        return memoryview(self._map)[_UNSURE_AT:_NUMBER_AT]

    @property
    def number(self) -> memoryview:
        """The bytes in which `RecordLog` keeps the number of the next record."""
        return memoryview(self._map)[_NUMBER_AT:SIZE]

    def store(self, config: RigConfig) -> None:
        """Keep the configuration; one that is too long is left out, and the rescue then cannot work."""
        text = json.dumps(config.to_dict(), separators=(",", ":")).encode()
        if len(text) > CONFIG_BYTES - _LENGTH.size:
            text = b""
        at = TABLE_BYTES + _LENGTH.size
        self._map[at : at + len(text)] = text
        self._map[TABLE_BYTES:at] = _LENGTH.pack(len(text))

    def load(self) -> RigConfig | None:
        """Return the configuration that the last engine stored, or None if there is none."""
        at = TABLE_BYTES + _LENGTH.size
        (length,) = _LENGTH.unpack(self._map[TABLE_BYTES:at])
        if not 0 < length <= CONFIG_BYTES - _LENGTH.size:
            return None
        return RigConfig.from_dict(json.loads(self._map[at : at + length]))
