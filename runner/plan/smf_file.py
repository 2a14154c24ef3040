"""What a Standard MIDI File holds once it has been read: columns of channel messages, and its metas."""

from __future__ import annotations

from array import array
from dataclasses import dataclass

from runner.errors import Problem

TRACK_NAME, MARKER, CUE_POINT = 0x03, 0x06, 0x07  #: kinds of `SmfText`


@dataclass(frozen=True, slots=True)
class SmfTrack:
    """What one track of the file holds; `number` counts from 1, `channels` are 1 to 16."""

    number: int
    name: str  #: its first track name, "" without one
    channels: tuple[int, ...]
    notes: int  #: Note Ons
    events: int  #: channel messages
    end_tick: int

    def __str__(self) -> str:
        title = f'{self.number} "{self.name}"' if self.name else str(self.number)
        channels = ", ".join(map(str, self.channels))
        return f"{title} (channel {channels}; {self.notes} notes)" if channels else f"{title} (no notes)"


@dataclass(frozen=True, slots=True)
class SmfTempo:
    """A tempo from `tick` on, in µs per quarter note (FF 51)."""

    tick: int
    us_per_quarter: int
    track: int
    offset: int


@dataclass(frozen=True, slots=True)
class SmfMeter:
    """A meter from `tick` on (FF 58); `clocks_per_click` is the file's metronome, 24 to a quarter note."""

    tick: int
    numerator: int
    denominator: int
    clocks_per_click: int
    track: int
    offset: int


@dataclass(frozen=True, slots=True)
class SmfText:
    """A text event; `kind` is its meta type: 01 text, 03 track name, 06 marker, 07 cue point, and so on."""

    tick: int
    kind: int
    text: str
    track: int
    offset: int


@dataclass(frozen=True, slots=True)
class SmfSysex:
    """A packet as stored: after F0 (`escape` False) or after F7 (a continuation, or any bytes to send)."""

    tick: int
    escape: bool
    data: bytes
    track: int
    offset: int


@dataclass(frozen=True, slots=True)
class SmfFile:
    """A file's channel messages as columns sorted by tick (then track, then file order), and its metas.

    `ticks` count from the start of the file, `ppq` of them to a quarter note; `track` is a number from 1;
    `status` holds full status bytes (the low nibble is the channel - 1); `data2` is 0 where a message has
    one data byte.
    """

    file: str
    format: int
    ppq: int
    tracks: tuple[SmfTrack, ...]
    ticks: array[int]
    track: array[int]
    status: bytes
    data1: bytes
    data2: bytes
    tempos: tuple[SmfTempo, ...]
    meters: tuple[SmfMeter, ...]
    texts: tuple[SmfText, ...]
    sysex: tuple[SmfSysex, ...]
    end_tick: int  #: the end of the longest track
    notices: tuple[Problem, ...]

    def __len__(self) -> int:
        return len(self.ticks)

    @property
    def markers(self) -> tuple[SmfText, ...]:
        """The markers (FF 06) in the order of their ticks."""
        return tuple(text for text in self.texts if text.kind == MARKER)

    @property
    def cue_points(self) -> tuple[SmfText, ...]:
        """The cue points (FF 07) in the order of their ticks."""
        return tuple(text for text in self.texts if text.kind == CUE_POINT)
