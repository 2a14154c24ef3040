"""The table that outlives the engine owes at least what the machines were sent, whenever the engine dies."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import pytest
from timelines import INTERVAL_NS, course, timeline

from runner.engine.clock import VirtualClock
from runner.engine.log import MemorySink, RecordLog
from runner.engine.loop import Loop, make_player
from runner.play.commands import ClockPolicy, RigMachine
from runner.play.sounding import TABLE_BYTES, Sounding
from runner.ports.base import PortConfig, SendError
from runner.ports.memory import NullPort

KEYS = RigMachine("keys", 0, channel=1, follows=("clock", "transport"))
QUARTER = 24 * INTERVAL_NS


class Death(BaseException):
    """Stands for a kill: nothing in the loop may catch it."""


class MortalPort(NullPort):
    """Delivers what it is sent; at send number `dies_at` the engine dies, with the bytes gone out or not."""

    def __init__(self, dies_at: int = -1, *, delivers: bool = True, refuses: Sequence[int] = ()) -> None:
        super().__init__(PortConfig("keys", "null"))
        self.delivered: list[bytes] = []
        self.count = 0
        self._dies_at, self._delivers, self._refuses = dies_at, delivers, frozenset(refuses)

    def send(self, data: bytes) -> None:
        """Deliver, refuse or die."""
        number, self.count = self.count, self.count + 1
        if number in self._refuses:
            raise SendError("keys", "cannot send")
        if number != self._dies_at or self._delivers:
            self.delivered.append(data)
        if number == self._dies_at:
            raise Death


def _loop(port: MortalPort, table: bytearray) -> Loop:
    player = make_player([KEYS], 1, ClockPolicy(), Sounding(bytearray(table)))
    return Loop(
        VirtualClock(), [port], [KEYS], RecordLog(MemorySink()), player, owed=Sounding(memoryview(table))
    )


def _play(port: MortalPort, table: bytearray, *, stop: bool) -> None:
    """Play two quarters with overlapping and doubled notes and a pedal; stop half-way, or play to the end."""
    events = [
        (-2_000_000, 0, b"\xfa"),
        (0, 0, b"\x90\x3c\x64"),
        (0, 0, b"\x90\x40\x64"),
        (0, 0, b"\x90\x40\x64"),
        (INTERVAL_NS, 0, b"\xb0\x40\x7f"),
        (QUARTER // 2, 0, b"\x80\x3c\x40"),
        (QUARTER // 2, 0, b"\x90\x3c\x50"),
        (QUARTER, 0, b"\x90\x40\x00"),
        (QUARTER + 1, 0, b"\x90\x40\x00"),
        (2 * QUARTER, 0, b"\x80\x3c\x40"),
        (2 * QUARTER, 0, b"\xb0\x40\x00"),
        (2 * QUARTER, 0, b"\xfc"),
    ]
    loop = _loop(port, table)
    loop.player.load(course(timeline(clocks=48, events=events)))
    now = loop.player.roll(1_000_000_000)
    loop.run_until(now + (QUARTER * 3 // 4 if stop else 3 * QUARTER))
    if stop:
        loop.player.stop(now + QUARTER * 3 // 4, "test")
        loop.run_until(now + QUARTER)


def _left(messages: list[bytes]) -> tuple[dict[int, int], bool, bool]:
    """Return what a machine that got these messages still does: keys with counts, pedal, running."""
    keys: Counter[int] = Counter()
    pedal = running = False
    for data in messages:
        if data[0] == 0x90 and data[2]:
            keys[data[1]] += 1
        elif data[0] in (0x80, 0x90):
            keys[data[1]] = max(0, keys[data[1]] - 1)  # a Note Off for a key that is up does nothing
        elif data[:2] == b"\xb0\x40":
            pedal = data[2] >= 64
        elif data[0] in (0xFA, 0xFC):
            running = data[0] == 0xFA
    return {key: count for key, count in keys.items() if count}, pedal, running


@pytest.mark.parametrize("stop", [False, True], ids=["to the end", "stopped"])
@pytest.mark.parametrize("delivers", [False, True], ids=["bytes not out", "bytes out"])
def test_the_next_engine_silences_all_whatever_the_moment_of_death(delivers: bool, stop: bool) -> None:
    """At every single send of a roll: what the machine still does, the next engine's silencing ends.

    MIDI 1.0 Detailed Specification 4.2.1: each Note On wants its own Note Off (A-4).
    """
    whole = MortalPort()
    _play(whole, bytearray(TABLE_BYTES), stop=stop)
    assert _left(whole.delivered) == ({}, False, False)
    for dies_at in range(whole.count):
        table = bytearray(TABLE_BYTES)
        dead = MortalPort(dies_at, delivers=delivers)
        with pytest.raises(Death):
            _play(dead, table, stop=stop)
        after = MortalPort()
        loop = _loop(after, table)
        loop.player.silence(0)
        loop.serve(0)
        assert _left(dead.delivered + after.delivered) == ({}, False, False), f"killed at send {dies_at}"
        assert not Sounding(table).any_left([0])


def test_a_note_off_that_the_port_refused_is_still_owed() -> None:
    """What did not go out did not end the note: the table keeps it."""
    table = bytearray(TABLE_BYTES)
    refusing = MortalPort(refuses=range(30, 500))
    _play(refusing, table, stop=False)
    keys, pedal, running = _left(refusing.delivered)
    assert (keys, pedal, running) != ({}, False, False)
    owed = Sounding(table)
    assert owed.running(0) == running
    assert [data for data in owed.note_offs(0) if data[0] == 0x80] == [
        bytes((0x80, key, 64)) for key, count in sorted(keys.items()) for _ in range(count)
    ]
