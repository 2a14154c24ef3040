"""One track chunk of a Standard MIDI File, from bytes to columns.

Source of the rules: RP-001, Standard MIDI Files 1.0. A delta time and an event follow each other
to the end of the chunk. Running status is for channel messages only, lives across delta times, and is
cancelled by system exclusive and meta events. A status of F1 to F6 or F8 to FE cannot stand in a file
except inside an F7 escape.

The loop below is written for speed: local names, one pass, no object per event. It runs off the end of
the track's own bytes on purpose: Python's IndexError is the check for an event that is cut off.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import NoReturn

from runner.errors import PartFileError

MAX_EVENTS = 1_000_000
"""Most events of any kind accepted in one file; ten times what an hour of dense music needs."""

MAX_META = 4096
"""Bytes kept of one meta event; a longer text is cut."""

_SLAB = 1 << 16  #: bytes parsed between two looks at the number of events
_MAX_KEPT = 100_000  #: most metas and system exclusive messages kept from one file
_KEPT_METAS = frozenset((*range(0x01, 0x0A), 0x51, 0x54, 0x58))
_END_OF_TRACK = 0x2F


@dataclass(frozen=True, slots=True)
class RawMeta:
    """A meta event that means something to us: `offset` is the byte of its FF in the file."""

    tick: int
    kind: int
    data: bytes
    offset: int


@dataclass(frozen=True, slots=True)
class RawSysex:
    """A packet of a system exclusive message (`escape` False: F0) or an F7 packet, as stored in the file."""

    tick: int
    escape: bool
    data: bytes
    offset: int


@dataclass(slots=True)
class RawTrack:
    """The events of one track chunk; `ticks` counts from the start of the track."""

    ticks: array[int] = field(default_factory=lambda: array("q"))
    status: bytearray = field(default_factory=bytearray)
    data1: bytearray = field(default_factory=bytearray)
    data2: bytearray = field(default_factory=bytearray)
    metas: list[RawMeta] = field(default_factory=list)
    sysex: list[RawSysex] = field(default_factory=list)
    events: int = 0  #: all events, the skipped ones too
    end_tick: int = 0
    ended: bool = False  #: an end-of-track event was there
    left_over: int = 0  #: bytes of the chunk behind the end of track


class TrackParser:
    """Parses the tracks of one file and keeps the count of what the file may still hold."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._events = 0
        self._kept = 0

    def fail(self, message: str, offset: int) -> NoReturn:
        """Refuse the file."""
        raise PartFileError(message, file=self._file, offset=offset)

    def parse(self, body: bytes, base: int) -> RawTrack:
        """Return the events of a track chunk's `body`, which begins at byte `base` of the file.

        Raises PartFileError naming the byte at which the track breaks the rules.
        """
        track = RawTrack()
        try:
            self._events_of(body, base, track)
        except IndexError:
            self.fail("the track ends in the middle of an event", base + len(body))
        self._events += track.events
        return track

    def _events_of(self, body: bytes, base: int, track: RawTrack) -> None:
        add_tick, add_status = track.ticks.append, track.status.append
        add_data1, add_data2 = track.data1.append, track.data2.append
        at, tick, running, end, others = 0, 0, 0, len(body), 0
        while at < end:
            slab = min(end, at + _SLAB)
            while at < slab:
                byte = body[at]
                at += 1
                if byte < 0x80:
                    tick += byte
                elif (low := body[at]) < 0x80:
                    tick += (byte & 0x7F) << 7 | low
                    at += 1
                else:
                    at, delta = self._vlq(body, at - 1, base)
                    tick += delta
                status = body[at]
                if status < 0x80:
                    if not running:
                        self.fail(f"data byte {status:02X} without a status byte before it", base + at)
                    status = running
                elif status < 0xF0:
                    at += 1
                    running = status
                else:
                    others += 1
                    running = 0
                    at = self._system(body, at, base, tick, track)
                    if track.ended:
                        break
                    continue
                if 0xC0 <= status < 0xE0:
                    first, second = body[at], 0
                    at += 1
                else:
                    first, second = body[at], body[at + 1]
                    at += 2
                if (first | second) > 0x7F:
                    self._bad_data(body, at, base, status)
                add_tick(tick)
                add_status(status)
                add_data1(first)
                add_data2(second)
            track.events = others + len(track.ticks)
            if self._events + track.events > MAX_EVENTS:
                self.fail(f"the file has more than {MAX_EVENTS:,} events", base + min(at, end))
            if track.ended:
                break
        track.end_tick = tick
        track.left_over = end - at

    def _vlq(self, body: bytes, at: int, base: int) -> tuple[int, int]:
        """Return the place behind the variable-length quantity at `at`, and its value (at most 28 bits)."""
        value, place = 0, at
        while (byte := body[place]) > 0x7F:
            value = value << 7 | byte & 0x7F
            place += 1
            if place == at + 4:
                self.fail("a variable-length quantity of more than four bytes", base + at)
        return place + 1, value << 7 | byte

    def _bad_data(self, body: bytes, at: int, base: int, status: int) -> NoReturn:
        at -= 1 if 0xC0 <= status < 0xE0 or body[at - 2] < 0x80 else 2
        self.fail(f"{body[at]:02X} is no data byte for the event {status:02X}", base + at)

    def _system(self, body: bytes, at: int, base: int, tick: int, track: RawTrack) -> int:
        """Read the meta or system exclusive event at `at`; return the place behind it."""
        status, offset = body[at], base + at
        kind = -1
        if status == 0xFF:
            kind = body[at + 1]
            if kind > 0x7F:
                self.fail(f"{kind:02X} is no type of meta event", offset + 1)
            at += 1
        elif status not in (0xF0, 0xF7):
            self.fail(f"the status byte {status:02X} cannot stand in a file", offset)
        start, length = self._vlq(body, at + 1, base)
        behind = start + length
        if behind > len(body):
            what = f"meta event {kind:02X}" if kind >= 0 else "system exclusive event"
            self.fail(
                f"the {what} says it has {length} bytes, but its track has only {len(body) - start} left",
                offset,
            )
        if kind == _END_OF_TRACK:
            track.ended = True
            return behind
        if kind < 0:
            track.sysex.append(RawSysex(tick, status == 0xF7, body[start:behind], offset))
        elif kind in _KEPT_METAS:
            track.metas.append(RawMeta(tick, kind, body[start : min(behind, start + MAX_META)], offset))
        else:
            return behind
        self._kept += 1
        if self._kept > _MAX_KEPT:
            self.fail(f"the file has more than {_MAX_KEPT:,} texts, tempos and sysex events", offset)
        return behind
