"""The notes of one part: what a session takes out of a Standard MIDI File for one machine.

`select_part` picks a track, channel, key range and bars out of a file, moves them to the machine's
channel and gives `PartNotes`. Everything that does not come through is counted and told.

Format of `PartNotes`, for those who compile it
-----------------------------------------------
Parallel columns, one row per message to be sent, in the order in which they are to be sent:

``ticks``     array('q'): ticks from the start of the *file*, which is bar 1 beat 1 of the song;
              ``Fraction(tick, ppq)`` is the song position in quarter notes. Never decreasing.
``status``    bytes: the status byte, already on the target channel. Note Offs are always 8n.
``data1``     bytes: first data byte (key, controller, program, pressure, bend LSB).
``data2``     bytes: second data byte; 0 for the messages without one (Cn, Dn).
``order``     bytes: `EventOrder` of the row. Program changes and their bank selects are PROGRAM, all other
              channel messages CONTROL, then NOTE_OFF, NOTE_ON. The Note Off of a note of no length carries
              NOTE_ON and stands behind its Note On, so that a *stable* sort by (time, order) never puts an
              end before its beginning.
``partner``   array('i'): for a Note On the row of its own Note Off (always a later row), for a Note Off the
              row of its Note On, -1 for the rest. Every Note On has a partner.

Within one tick rows are sorted by ``order``; equal orders keep the file's own order.
A note sounds at tick ``t`` when ``ticks[on] <= t < ticks[partner[on]]``.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Protocol

from runner.errors import Problem

NO_PARTNER = -1


class PartChoice(Protocol):
    """What `select_part` wants to know; a session's `PartSpec` is one.

    `track` is a name, or a number from 1; `channel` a channel of the file, 1 to 16; None takes all.
    `velocity` is a factor. `keys` are the lowest and the highest key taken, as they stand in the file.
    `from_` and `to` are bars of the *file*, by the file's own meters: the part is silent before the first
    beat of bar `from_` and from the first beat of bar `to` on. Nothing is moved by them: bar 17 of the
    file is played at bar 17. `map` gives, for a key of the file, the key to be played.
    The order is: keys, then map, then transpose.
    """

    @property
    def track(self) -> str | int | None: ...
    @property
    def channel(self) -> int | None: ...
    @property
    def to_channel(self) -> int | None: ...
    @property
    def transpose(self) -> int: ...
    @property
    def velocity(self) -> Fraction: ...
    @property
    def keys(self) -> tuple[int, int] | None: ...
    @property
    def from_(self) -> int | None: ...
    @property
    def to(self) -> int | None: ...
    @property
    def map(self) -> Mapping[int, int] | None: ...


@dataclass(frozen=True, slots=True)
class PartCounts:
    """How many notes a part has, and how many were left out or changed, and why."""

    notes: int = 0  #: notes of the part, as it will be played
    other: int = 0  #: controllers, programs, bends and pressures of the part
    outside_keys: int = 0  #: left out by `keys`
    outside_bars: int = 0  #: left out because they begin outside `from` and `to`
    off_keyboard: int = 0  #: left out because the transposed key is below 0 or above 127
    shortened: int = 0  #: ended at `to`
    hanging: int = 0  #: had no Note Off in the file and were ended with their track
    stray_offs: int = 0  #: Note Offs of the file that belong to no Note On; left out
    clamped: int = 0  #: scaled velocities brought back to 1 or 127
    sysex: int = 0  #: system exclusive messages and escapes of the track; never sent from a part


@dataclass(frozen=True, slots=True)
class PartNotes:
    """A part ready to be compiled: columns as the head of this module describes them."""

    file: str
    ppq: int  #: ticks per quarter note
    ticks: array[int]
    status: bytes
    data1: bytes
    data2: bytes
    order: bytes
    partner: array[int]
    end_tick: int  #: where the part ends: the end of the file's last track, or bar `to`
    channels: tuple[int, ...] = ()  #: channels (1 to 16) to which the rows are addressed
    counts: PartCounts = field(default_factory=PartCounts)
    notices: tuple[Problem, ...] = ()  #: what was left out or odd, as warnings and notes

    def __len__(self) -> int:
        return len(self.ticks)

    def messages(self) -> list[bytes]:
        """Return the bytes of every row, 2 or 3 each; equal messages are one object."""
        known: dict[tuple[int, int, int], bytes] = {}
        result: list[bytes] = []
        for row in zip(self.status, self.data1, self.data2, strict=True):
            message = known.get(row)
            if message is None:
                message = bytes(row[:2]) if 0xC0 <= row[0] < 0xE0 else bytes(row)
                known[row] = message
            result.append(message)
        return result

    def notes(self) -> Iterator[tuple[int, int]]:
        """Yield the rows (Note On, its Note Off) of every note, in the order of the Note Ons."""
        for row, other in enumerate(self.partner):
            if other > row:
                yield row, other

    def key_range(self) -> tuple[int, int] | None:
        """Return the lowest and highest key played, or None if the part has no notes."""
        keys = {self.data1[row] for row, _ in self.notes()}
        return (min(keys), max(keys)) if keys else None
