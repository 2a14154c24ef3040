"""A port that goes and comes back in a song: nothing else suffers, and its machine is told what it missed."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from timelines import INTERVAL_NS, course, timeline

from runner.engine.clock import VirtualClock
from runner.engine.log import MemorySink, RecordLog
from runner.engine.loop import Loop
from runner.errors import PortError
from runner.play.commands import RigMachine
from runner.play.sounding import TABLE_BYTES, Sounding
from runner.ports.base import PortConfig
from runner.ports.memory import MemoryPort
from runner.takes.format import Kind, Record, RecordReader

SECOND = 1_000_000_000
MEND_STEPS = 3
STEP_NS = 3_000_000  #: what each step of opening costs, about as on ALSA
TRANSPORT = (b"\xfa", b"\xfb", b"\xfc")


class PulledPort(MemoryPort):
    """A port of the system that is gone for a while; opening it again takes steps that cost time."""

    threaded = True

    def __init__(self, name: str, clock: VirtualClock, gone: tuple[float, float], *, fails: int = 0) -> None:
        super().__init__(PortConfig(name, "memory"), clock.now_ns)
        self._virtual = clock
        self._gone_ns = (round(gone[0] * SECOND), round(gone[1] * SECOND))
        self._open_since_ns = 0
        self._steps = 0
        self._fails = fails
        if gone[0] < 0:
            self._trouble = f"port {name}: no output of the system matches 'Boat*'"

    @property
    def _plugged(self) -> bool:
        return not self._gone_ns[0] <= self._virtual.now_ns() < self._gone_ns[1]

    def present(self) -> bool:
        """Whether the cable is in, and was not out since the port was opened."""
        opened_after = self._open_since_ns >= self._gone_ns[1] or self._virtual.now_ns() < self._gone_ns[0]
        return self._plugged and opened_after

    def returned(self) -> bool:
        """Whether the cable is in."""
        return self._plugged

    def mend(self) -> bool:
        """Take some steps, each of which keeps the engine."""
        self._virtual.hold(self._virtual.now_ns() + STEP_NS)
        if self._fails:
            self._fails -= 1
            raise PortError(self.name, "cannot open")
        self._steps = (self._steps + 1) % MEND_STEPS
        if self._steps:
            return False
        self._open_since_ns = self._virtual.now_ns()
        self._trouble = ""
        return True

    def send(self, data: bytes) -> None:
        """Nothing may be handed to a port that is not there."""
        assert self._open_since_ns or self._virtual.now_ns() < self._gone_ns[0] + SECOND
        super().send(data)


@dataclass
class Rig:
    """Two ports in virtual time: `box`, which goes, and `rack`, which stays."""

    clock: VirtualClock
    box: PulledPort
    rack: MemoryPort
    loop: Loop
    sink: MemorySink

    def records(self, kind: Kind) -> list[Record]:
        """The records of one kind."""
        return [r for r in RecordReader().feed(bytes(self.sink.data)) if r.kind == kind]

    def presence(self) -> list[tuple[float, bool]]:
        """When the port was noted to be gone and there again, in seconds."""
        return [(r.t_ns / SECOND, r.json()["present"]) for r in self.records(Kind.PRESENCE)]

    def findings(self) -> list[str]:
        """The codes of all findings."""
        return [record.json()["code"] for record in self.records(Kind.FINDING)]

    def heard(self, since: float = 0.0) -> list[tuple[int, bytes]]:
        """What the machine on `box` got."""
        return [(t, data) for t, data in self.box.sent if t >= since * SECOND]


def _rig(
    gone: tuple[float, float], *, follows: tuple[str, ...] = ("clock", "transport"), fails: int = 0
) -> Rig:
    clock, sink = VirtualClock(start_ns=0), MemorySink()
    box = PulledPort("box", clock, gone, fails=fails)
    rack = MemoryPort(PortConfig("rack", "memory"), clock.now_ns)
    machines = [RigMachine("drums", 0, channel=1, follows=follows), RigMachine("keys", 1, channel=2)]
    loop = Loop(clock, [box, rack], machines, RecordLog(sink), owed=Sounding(bytearray(TABLE_BYTES)))
    return Rig(clock, box, rack, loop, sink)


def _play(rig: Rig, seconds: float, events: list[tuple[int, int, bytes]], clocks: int = 600) -> int:
    start = (-2_000_000, 0, b"\xfa")
    end = (clocks * INTERVAL_NS, 0, b"\xfc")
    line = timeline(clocks=clocks, events=[start, *events, end], ports=2)
    rig.loop.player.load(course(line))
    anchor = rig.loop.player.roll(rig.clock.now_ns())
    rig.loop.run_until(round(seconds * SECOND))
    return anchor


def test_gone_and_back_are_noticed_within_a_second_and_the_clock_goes_on_at_once() -> None:
    """Gone at 3 s, back at 6 s: each recorded once; the other port's clock is never late by it."""
    rig = _rig((3, 6))
    anchor = _play(rig, 9, [])
    (gone, no), (back, yes) = rig.presence()
    assert (no, yes) == (False, True)
    assert 0 <= gone - 3 <= 0.6
    assert 0 <= back - 6 <= 0.7
    clocks = [t for t, data in rig.heard(6) if data == b"\xf8"]
    assert clocks[0] / SECOND - back <= 0.021
    assert {(t - anchor) % INTERVAL_NS for t in clocks} == {0}
    others = [t for t, data in rig.rack.sent if data == b"\xf8"]
    assert {(t - anchor) % INTERVAL_NS for t in others} == {0}
    assert rig.records(Kind.PRESENCE)[1].json()["unsent"] == sum(
        1 for t in others if gone * SECOND < t < back * SECOND
    )


def test_programs_controllers_and_owed_note_offs_are_sent_again() -> None:
    """What was set before and what was missed meanwhile is in force again; what sounded is ended."""
    rig = _rig((3, 6))
    events = [
        (0, 0, b"\xc0\x05"),
        (INTERVAL_NS, 0, b"\xb0\x4a\x10"),
        (SECOND, 0, b"\x90\x28\x64"),
        (round(4.5 * SECOND), 0, b"\xb0\x4a\x20"),
        (5 * SECOND, 0, b"\x80\x28\x40"),
    ]
    _play(rig, 9, events)
    told = [data for _, data in rig.heard(6) if data != b"\xf8"]
    assert told == [b"\xfc", b"\x80\x28\x40", b"\xc0\x05", b"\xb0\x4a\x20"]


@pytest.mark.parametrize(
    ("begun", "ended"),
    [(b"\x90\x28\x64", b"\x80\x28\x40"), (b"\x90\x28\x64", b"\x90\x28\x00"),
     (b"\xb0\x40\x7f", b"\xb0\x40\x00"), (b"\xb0\x42\x7f", b"\xb0\x79\x00")],
)  # fmt: skip
def test_an_end_sent_before_the_port_was_found_gone_is_sent_again(begun: bytes, ended: bytes) -> None:
    """Nobody knows whether it arrived: pulled at 3 s, ended 3 ms later, found gone, told at its return."""
    rig = _rig((3, 6))
    _play(rig, 9, [(SECOND, 0, begun), (3 * SECOND + STEP_NS, 0, ended)])
    assert rig.presence()[0][0] > 3.01
    told = [data for _, data in rig.heard(6) if data[0] & 0xF0 in (0x80, 0xB0)]
    key = 0x28 if begun[0] == 0x90 else begun[1]
    assert [data for data in told if data[1] == key and (data[0] & 0xF0 == 0x80 or not data[2])]


def test_what_ended_while_the_port_was_seen_to_be_there_is_not_ended_again() -> None:
    """Ended half a second before the port was pulled, and looked at in between: nothing is owed."""
    rig = _rig((3, 6))
    _play(rig, 9, [(SECOND, 0, b"\x90\x28\x64"), (2 * SECOND, 0, b"\x80\x28\x40")])
    assert [data for _, data in rig.heard(6) if data[0] & 0xF0 == 0x80] == []


def test_a_stop_sent_before_the_port_was_found_gone_is_sent_again() -> None:
    """The machine may run on alone: at its return it gets a Stop, though the song has long ended."""
    rig = _rig((2.8, 6))  # Stop is due 2 ms later, for the roll began with Start 2 ms before bar 1
    _play(rig, 3, [], clocks=140)
    for second in range(4, 10):
        rig.loop.run_until(second * SECOND)  # an engine at rest turns once a second
    assert [data for t, data in rig.heard(2.8) if t < 3 * SECOND and data != b"\xf8"] == [b"\xfc"]
    assert rig.presence()[0][0] > 2.81
    assert [data for _, data in rig.heard(6) if data != b"\xf8"] == [b"\xfc"]


def test_a_machine_that_follows_position_is_stopped_located_and_continued_on_its_beat() -> None:
    """Stop, Song Position, then Continue right before the clock that the position names.

    MIDI 1.0 Detailed Specification 4.2.1, p. 27: Song Position is sent while the machine is stopped;
    p. 30: the clock after Continue is the one that plays.
    """
    rig = _rig((3, 6), follows=("clock", "transport", "position"))
    anchor = _play(rig, 9, [])
    heard = rig.heard(6)
    transport = [(t, data) for t, data in heard if data[0] in (0xF2, 0xFA, 0xFB, 0xFC)]
    assert [data[0] for _, data in transport] == [0xFC, 0xF2, 0xFB]
    sixteenth = transport[1][1][1] | transport[1][1][2] << 7
    begun = heard.index(transport[2]) + 1
    first_clock = next(t for t, data in heard[begun:] if data == b"\xf8")
    assert first_clock == anchor + sixteenth * 6 * INTERVAL_NS
    assert first_clock - transport[2][0] >= 1_000_000
    assert transport[2][0] / SECOND - 6 <= 2
    assert rig.findings() == ["machine-rejoins"]


def test_a_machine_that_cannot_be_told_where_the_song_is_stays_stopped() -> None:
    """It would play bar 1 to the song's bar 17: it is stopped, and a finding says so."""
    rig = _rig((3, 6))
    _play(rig, 9, [])
    assert [data for _, data in rig.heard(6) if data in TRANSPORT] == [b"\xfc"]
    assert rig.findings() == ["machine-left-stopped"]


def test_a_port_that_is_pulled_and_put_back_between_two_looks_is_mended_too() -> None:
    """Listed as before, yet nothing is connected: it is opened again, and both are told."""
    rig = _rig((3.0, 3.01))
    _play(rig, 6, [(0, 0, b"\xc0\x05")])
    assert [present for _, present in rig.presence()] == [False, True]
    assert rig.presence()[1][0] <= 4.2
    assert b"\xc0\x05" in [data for _, data in rig.heard(3.1)]


def test_a_port_is_looked_at_every_second_while_nothing_rolls() -> None:
    """Pulled and put back between two looks of an engine at rest, which nothing else wakes."""
    rig = _rig((3.3, 3.31))
    rig.loop.run_until(9 * SECOND)
    (gone, no), (back, yes) = rig.presence()
    assert (no, yes) == (False, True)
    assert 0 <= gone - 3.3 <= 1.0
    assert 0 <= back - gone <= 0.6


def test_a_roll_does_not_wait_for_the_look_of_an_engine_at_rest() -> None:
    """Pulled right after a look at rest, and rolled: found gone within half a second."""
    rig = _rig((0.02, 60))
    rig.loop.run_until(SECOND // 20)
    _play(rig, 2, [])
    assert rig.presence()[0][0] <= 0.6


def test_a_port_that_is_missing_from_the_start_joins_when_it_comes() -> None:
    """It is named as missing until then; the roll goes on without it, and no record for each message."""
    rig = _rig((-1, 4), follows=("clock", "transport", "position"))
    assert [entry["port"] for entry in rig.loop.missing_ports()] == ["box"]
    assert "Boat" in str(rig.loop.missing_ports()[0]["text"])
    _play(rig, 8, [(0, 0, b"\xc0\x05")])
    assert rig.loop.missing_ports() == []
    assert rig.records(Kind.SEND_FAILED) == []
    sent = [data for _, data in rig.heard() if data != b"\xf8"]
    assert [data[0] for data in sent] == [0xFC, 0xF2, 0xC0, 0xFB]


def test_opening_that_fails_is_tried_again() -> None:
    """Two failed attempts cost a turn each and no record; the third mends."""
    rig = _rig((2, 3), fails=2)
    _play(rig, 7, [])
    assert [present for _, present in rig.presence()] == [False, True]
    assert rig.presence()[1][0] <= 3 + 0.5 * 3 + 0.3


def test_a_roll_that_ends_while_a_port_is_away_says_what_was_not_sent() -> None:
    """The end's record has the count; later sends count anew."""
    rig = _rig((1, 60))
    _play(rig, 4, [], clocks=100)
    end = rig.records(Kind.TAKE_END)[0].json()
    gone = rig.presence()[0][0]
    missed = [t for t, data in rig.rack.sent if data == b"\xf8" and t > gone * SECOND]
    assert end["outcome"] == "complete"
    assert end["unsent"] == {"box": len(missed) + 1}  # and the Stop


@pytest.mark.parametrize("back", [6.0, 6.005, 6.011, 6.0199])
def test_a_song_that_starts_the_machine_itself_is_not_meddled_with(back: float) -> None:
    """A Stop and Start of the song's own between return and Continue: no second Continue comes."""
    rig = _rig((3, back), follows=("clock", "transport", "position"))
    events = [
        (round((back + at / 50) * SECOND), 0, data) for at in range(0, 60, 2) for data in (b"\xfc", b"\xfa")
    ]
    _play(rig, 9, events)
    assert b"\xfb" not in [data for _, data in rig.heard()]


def test_a_crowd_of_settings_leaves_room_for_the_clock() -> None:
    """Eighty controllers, 77 ms of DIN wire, go out in groups between the clocks, none in front of one."""
    rig = _rig((3, 6))
    plain = [n for n in range(90) if n not in (0, 6, 32, 38) and not 64 <= n <= 69]
    _play(rig, 9, [(n, 0, bytes((0xB0, n, n))) for n in plain])
    told = [t for t, data in rig.heard(6) if data[0] == 0xB0 and data[1] < 120]
    assert len(told) == 80
    clocks = [t for t, data in rig.heard(6) if data == b"\xf8"]
    for t in told:
        after = min(clock for clock in clocks if clock > t)
        assert after - t >= 3 * 320_000
