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


def _loop(port: MortalPort, table: bytearray, unsure: bytearray | None = None) -> Loop:
    player = make_player([KEYS], 1, ClockPolicy(), Sounding(bytearray(table)))
    log = RecordLog(MemorySink())
    return Loop(VirtualClock(), [port], [KEYS], log, player, owed=Sounding(table), unsure=Sounding(unsure))


def _play(port: MortalPort, table: bytearray, *, stop: bool, unsure: bytearray | None = None) -> None:
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
    loop = _loop(port, table, unsure)
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


class PulledPort(MortalPort):
    """A port of the system, pulled at send number `gone_at`: it takes messages, and delivers none."""

    threaded = True

    def __init__(self, gone_at: int, dies_at: int) -> None:
        super().__init__(dies_at)
        self._gone_at = gone_at

    def send(self, data: bytes) -> None:
        """Deliver or lose it."""
        kept = list(self.delivered)
        try:
            super().send(data)
        finally:
            if self.count > self._gone_at:
                self.delivered = kept

    def present(self) -> bool:
        """Whether the cable is in."""
        return self.count < self._gone_at


@pytest.mark.parametrize("lost", [1, 4, 12])
def test_what_was_ended_on_a_port_that_had_gone_is_owed_whenever_the_engine_dies(lost: int) -> None:
    """The last messages before a death went into a pulled cable: both tables together still owe them.

    Where the engine looked for the port before it died, it has found it gone and sent nothing more.
    """
    whole = MortalPort()
    _play(whole, bytearray(TABLE_BYTES), stop=False)
    deaths = 0
    for dies_at in range(lost, whole.count):
        table, unsure = bytearray(TABLE_BYTES), bytearray(TABLE_BYTES)
        dead = PulledPort(dies_at - lost, dies_at)
        try:
            _play(dead, table, stop=False, unsure=unsure)
        except Death:
            deaths += 1
        owed = Sounding(table)
        owed.owe(0, Sounding(unsure))
        ends = [*owed.stop(0), *owed.note_offs(0)]
        assert _left(dead.delivered + ends) == ({}, False, False), f"killed at send {dies_at}"
    assert deaths > whole.count // 4


def test_owing_more_adds_notes_and_joins_pedals_and_forgetting_is_for_one_port() -> None:
    """A note may be owed twice, 255 times at most; a pedal is down or up; other ports stay as they are."""
    owed, more = Sounding(), Sounding()
    for data in (b"\x90\x3c\x64", b"\xb0\x40\x7f"):
        owed.track(1, data)
        more.track(1, data)
    for _ in range(255):
        more.track(1, b"\x90\x3d\x64")
    owed.track(1, b"\x90\x3d\x64")
    more.track(1, b"\xb0\x42\x7f")
    more.track(1, b"\xfb")
    more.track(2, b"\xfa")
    owed.owe(1, more)
    ends = Counter(owed.note_offs(1))
    assert ends == {b"\x80\x3c\x40": 2, b"\x80\x3d\x40": 255, b"\xb0\x40\x00": 1, b"\xb0\x42\x00": 1}
    assert (owed.running(1), owed.running(2)) == (True, False)
    more.forget(1)
    assert not more.any_left([0, 1])
    assert more.running(2)


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
