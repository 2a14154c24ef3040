"""Builds the rows of a part from the rows of a file: one pass, then one sort.

Each Note On is paired with the first Note Off of its key, channel and track that is not taken yet (first
in, first out), so that doubled Note Ons keep their own Note Offs, as MIDI 1.0 asks (Detailed Specification
4.2.1, p. A-4). Notes that are left out are paired too, so that their Note Offs go with them.

Some programs write the end of a note of no length (a grace note, a drum hit) before its beginning, at the
same tick. Taken literally the note would hang and every later note of its key get the end of the one before.
`keys_with_ends_first` finds the keys where reading them as notes of no length leaves nothing over.
"""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from runner.plan.chase import ChannelState
from runner.plan.timeline import EventOrder

LEFT_OUT = -1
OFF_VELOCITY = 0x40  #: release velocity of a sender that measures none (MIDI 1.0 4.2.1 p. 10)
_BEND_CENTRE = (0x00, 0x40)
_PEDALS = (64, 66, 69)  #: hold, sostenuto, hold 2: what keeps notes sounding after their Note Offs
_BANK_SELECTS = (0, 32)
_ENDLESS = 1 << 62
_OFF_RANK, _ON_RANK = int(EventOrder.NOTE_OFF), int(EventOrder.NOTE_ON)
_BEHIND = _ON_RANK + 1
_BEHIND_BYTE, _NOTE_ON_BYTE = bytes((_BEHIND,)), bytes((_ON_RANK,))

FileRow = tuple[int, int, int, int, int]  #: track, tick, status, first and second data byte


_COUNTS = (
    "notes",
    "outside_keys",
    "outside_bars",
    "off_keyboard",
    "shortened",
    "hanging",
    "stray_offs",
    "clamped",
    "programs_left_out",
    "ends_first",
)
_NO_STRAY: tuple[int, list[int]] = (-1, [])


@dataclass(frozen=True, slots=True)
class RowRules:
    """What becomes of a row: `keys` maps each key (None: left out by the range, -1: off the keyboard)."""

    keys: tuple[int | None, ...]
    velocities: bytes
    clamped: frozenset[int]  #: velocities that the scale took out of 1 to 127
    channel: int | None  #: target channel from 0; None keeps the file's
    first_tick: int = 0
    last_tick: int = _ENDLESS  #: from here on the part is silent
    programs: bool = True  #: False leaves program changes and bank selects out


@dataclass(slots=True)
class RowBuilder:
    """Collects rows; `build` sorts them and pairs the notes by their new places.

    A row's `_keys` entry is its tick times 8 plus its rank in the tick: an `EventOrder`, or `_BEHIND` for
    the end of a note of no length.
    """

    rules: RowRules
    ends_first: frozenset[int] = frozenset()  #: the names of keys where a Note Off may precede its Note On
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_COUNTS, 0))
    released: int = 0  #: pedals lifted and bends centred at the end
    _keys: list[int] = field(default_factory=list)
    _status: bytearray = field(default_factory=bytearray)
    _data1: bytearray = field(default_factory=bytearray)
    _data2: bytearray = field(default_factory=bytearray)
    _mate: list[int] = field(default_factory=list)
    _open: dict[int, deque[int]] = field(default_factory=dict)
    _strays: dict[int, tuple[int, list[int]]] = field(
        default_factory=dict
    )  #: by name: tick, release velocities
    _states: dict[int, ChannelState] = field(default_factory=dict)
    _entered: bool = False

    def add(self, rows: Iterable[FileRow]) -> None:
        """Take in all rows of the file that the part chooses, in their order."""
        open_notes, strays, ends_first = self._open, self._strays, self.ends_first
        note_on, note_off = self._note_on, self._note_off
        for track, tick, status, data1, data2 in rows:
            if status >= 0xA0:
                self._other(tick, status, data1, data2)
                continue
            name = track << 11 | (status & 0x0F) << 7 | data1
            if status >= 0x90 and data2:
                row = note_on(tick, status, data1, data2)
                if name in ends_first and strays.get(name, _NO_STRAY)[0] == tick:
                    self._end_first(name, row)
                elif name in open_notes:
                    open_notes[name].append(row)
                else:
                    open_notes[name] = deque((row,))
            elif waiting := open_notes.get(name):
                row = waiting.popleft()
                if row >= 0:
                    note_off(row, tick, data2 if status < 0x90 else OFF_VELOCITY)
            else:
                self._stray(name, tick, data2 if status < 0x90 else OFF_VELOCITY)

    def suspects(self) -> frozenset[int]:
        """Return the names of keys that have both a note that hangs and a Note Off too many."""
        return frozenset(name for name in self._strays if self._open.get(name))

    def finish(self, end_ticks: dict[int, int]) -> None:
        """End what still sounds with its track, and leave pedals up and bends centred where `to` cuts."""
        for name, waiting in self._open.items():
            for row in waiting:
                if row >= 0:
                    self.counts["hanging"] += 1
                    self._note_off(row, end_ticks[name >> 11], OFF_VELOCITY)
        if not self._entered:
            self._enter()
        last = self.rules.last_tick
        if last == _ENDLESS:
            return
        for channel, state in sorted(self._states.items()):
            rest = [(0xB0, n, 0) for n in _PEDALS if state.controls.get(n, 0) >= 64]
            if state.bend not in (None, _BEND_CENTRE):
                rest.append((0xE0, *_BEND_CENTRE))
            self.released += len(rest)
            for kind, data1, data2 in rest:
                self._append(last, EventOrder.CONTROL, kind | channel, data1, data2)

    def build(self) -> dict[str, Any]:
        """Return the columns of the part, by the names that `PartNotes` gives them."""
        keys = self._keys
        rows = sorted(range(len(keys)), key=keys.__getitem__)
        place = array("i", bytes(4 * len(rows)))
        for new, old in enumerate(rows):
            place[old] = new
        place.append(LEFT_OUT)  # what the mate -1 finds: a row without a partner
        keys = [keys[row] for row in rows]
        return {
            "ticks": array("q", [key >> 3 for key in keys]),
            "status": bytes(map(self._status.__getitem__, rows)),
            "data1": bytes(map(self._data1.__getitem__, rows)),
            "data2": bytes(map(self._data2.__getitem__, rows)),
            "order": bytes([key & 7 for key in keys]).replace(_BEHIND_BYTE, _NOTE_ON_BYTE),
            "partner": array("i", [place[mate] for mate in map(self._mate.__getitem__, rows)]),
            "channels": tuple(sorted({(status & 0x0F) + 1 for status in set(self._status)})),
        }

    def _append(self, tick: int, rank: int, status: int, data1: int, data2: int) -> None:
        self._keys.append(tick << 3 | rank)
        self._status.append(status)
        self._data1.append(data1)
        self._data2.append(data2)
        self._mate.append(LEFT_OUT)

    def _target(self, status: int) -> int:
        channel = self.rules.channel
        return status if channel is None else status & 0xF0 | channel

    def _note_on(self, tick: int, status: int, key: int, velocity: int) -> int:
        """Add the note if it is wanted; return its row or `LEFT_OUT`."""
        rules, counts = self.rules, self.counts
        target = rules.keys[key]
        if target is None:
            counts["outside_keys"] += 1
        elif not rules.first_tick <= tick < rules.last_tick:
            counts["outside_bars"] += 1
        elif target < 0:
            counts["off_keyboard"] += 1
        else:
            counts["notes"] += 1
            if velocity in rules.clamped:
                counts["clamped"] += 1
            row = len(self._keys)
            self._keys.append(tick << 3 | _ON_RANK)
            self._status.append(self._target(status))
            self._data1.append(target)
            self._data2.append(rules.velocities[velocity])
            self._mate.append(LEFT_OUT)
            return row
        return LEFT_OUT

    def _stray(self, name: int, tick: int, velocity: int) -> None:
        self.counts["stray_offs"] += 1
        last, velocities = self._strays.get(name, _NO_STRAY)
        self._strays[name] = tick, [*velocities, velocity] if last == tick else [velocity]

    def _end_first(self, name: int, row: int) -> None:
        tick, velocities = self._strays[name]
        velocity = velocities.pop(0)
        if not velocities:
            del self._strays[name]
        self.counts["stray_offs"] -= 1
        self.counts["ends_first"] += 1
        if row >= 0:
            self._note_off(row, tick, velocity)

    def _note_off(self, row: int, tick: int, velocity: int) -> None:
        """Add the Note Off of the note whose Note On is at `row`."""
        if tick > self.rules.last_tick:
            tick = self.rules.last_tick
            self.counts["shortened"] += 1
        keys, status = self._keys, self._status
        self._mate[row] = len(keys)
        keys.append(tick << 3 | (_OFF_RANK if keys[row] >> 3 != tick else _BEHIND))
        status.append(status[row] - 0x10)
        self._data1.append(self._data1[row])
        self._data2.append(velocity)
        self._mate.append(row)

    def _other(self, tick: int, status: int, data1: int, data2: int) -> None:
        rules = self.rules
        if tick >= rules.last_tick:
            return
        if not rules.programs and _order_of(status, data1) == EventOrder.PROGRAM:
            self.counts["programs_left_out"] += 1
            return
        status = self._target(status)
        if status < 0xB0:
            target = rules.keys[data1]
            if target is None or target < 0 or tick < rules.first_tick:
                return
            data1 = target
        elif rules.first_tick or rules.last_tick != _ENDLESS:
            if tick >= rules.first_tick and not self._entered:
                self._enter()
            self._states.setdefault(status & 0x0F, ChannelState()).apply(status, data1, data2)
            if tick < rules.first_tick:
                return
        self._append(tick, _order_of(status, data1), status, data1, data2)

    def _enter(self) -> None:
        """Say again, at the first bar of the part, the last of what its channels were told before."""
        self._entered = True
        for channel, state in sorted(self._states.items()):
            for group in state.messages(channel + 1):
                for message in group:
                    row = (*message, 0)[:3]
                    self._append(self.rules.first_tick, _order_of(row[0], row[1]), *row)


def keys_with_ends_first(rows: Iterable[FileRow], suspects: frozenset[int]) -> frozenset[int]:
    """Return those of the suspects where every note and every Note Off fits if ends may come first.

    Only a reading that leaves nothing over is taken: a file that sends a needless Note Off before each
    note, and has a note that hangs, would else lose the lengths of all its notes.
    """
    sounding = dict.fromkeys(suspects, 0)
    early: dict[int, list[int]] = {}  # the ticks of Note Offs that wait for their Note Ons
    unfit: set[int] = set()
    for track, tick, status, data1, data2 in rows:
        name = track << 11 | (status & 0x0F) << 7 | data1
        if status >= 0xA0 or name not in suspects:
            continue
        if status >= 0x90 and data2:
            waiting = early.get(name)
            if not waiting:
                sounding[name] += 1
            elif waiting.pop() != tick:
                unfit.add(name)
        elif sounding[name]:
            sounding[name] -= 1
        else:
            early.setdefault(name, []).append(tick)
    return frozenset(name for name in suspects - unfit if not sounding[name] and not early.get(name))


def _order_of(status: int, data1: int) -> EventOrder:
    kind = status & 0xF0
    if kind == 0xC0 or (kind == 0xB0 and data1 in _BANK_SELECTS):
        return EventOrder.PROGRAM
    return EventOrder.CONTROL
