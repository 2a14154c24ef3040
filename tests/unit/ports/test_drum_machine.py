"""The simulated drum machine, against the clock and transport rules of MIDI 1.0 (pages 27 to 32)."""

from __future__ import annotations

import pytest

from runner.ports.drum_machine import PATTERN, DrumMachine, DrumSettings

MS = 1_000_000
TICK = 20 * MS  # 125 quarter notes a minute: 2.5 / 125 s (MIDI 1.0 p. 30: 24 clocks a quarter note)
START, CONTINUE, STOP, CLOCK = b"\xfa", b"\xfb", b"\xfc", b"\xf8"


class Desk:
    """Sends clock and transport to a machine, in virtual time."""

    def __init__(self, settings: DrumSettings | None = None) -> None:
        self.machine = DrumMachine(settings)
        self.now = 1_000 * MS

    def send(self, data: bytes) -> None:
        """Send one message now."""
        self.machine.receive(data, self.now)

    def clocks(self, count: int) -> None:
        """Send clocks, each an interval after what was before."""
        for _ in range(count):
            self.now += TICK
            self.machine.receive(CLOCK, self.now)


def test_the_first_clock_after_start_is_the_downbeat() -> None:
    """Start moves nothing; the clock after it plays clock 0 of the song (p. 30)."""
    desk = Desk()
    desk.clocks(24)
    desk.send(START)
    assert desk.machine.position == 0
    assert not desk.machine.strokes
    desk.clocks(1)
    assert desk.machine.downbeat_ns == desk.now
    assert {(stroke.clock, stroke.key) for stroke in desk.machine.strokes} == {(0, 36), (0, 42)}
    assert desk.machine.position == 1


def test_a_bar_is_played_again_and_again() -> None:
    """Two bars of 4/4 are 192 clocks and give the pattern twice, each stroke at its clock."""
    desk = Desk(DrumSettings(latency_ns=3 * MS))
    desk.clocks(24)
    first = desk.now + TICK
    desk.send(START)
    desk.clocks(192)
    strokes = sum(len(keys) for keys in PATTERN.values())
    assert len(desk.machine.strokes) == 2 * strokes
    assert all(stroke.t_ns == first + stroke.clock * TICK + 3 * MS for stroke in desk.machine.strokes)
    assert desk.machine.clocks_since_start == 192
    assert desk.machine.complaints.all() == ()


def test_stop_keeps_the_position_and_continue_goes_on_from_it() -> None:
    """Clock after Stop does not move the song; Continue resumes where it stopped (p. 30-31)."""
    desk = Desk()
    desk.clocks(24)
    desk.send(START)
    desk.clocks(30)
    desk.send(STOP)
    desk.clocks(50)
    assert desk.machine.position == 30
    desk.send(CONTINUE)
    desk.clocks(1)
    assert desk.machine.position == 31


def test_redundant_start_and_stop_are_ignored() -> None:
    """Start and Continue while playing, and Stop while stopped, change nothing (p. 32)."""
    desk = Desk()
    desk.clocks(24)
    desk.send(STOP)
    desk.send(START)
    desk.clocks(10)
    desk.send(START)
    desk.send(CONTINUE)
    desk.clocks(1)
    assert desk.machine.position == 11


@pytest.mark.parametrize(
    ("message", "clock"),
    [
        ("F2 00 00", 0),
        ("F2 01 00", 6),
        ("F2 0A 00", 60),
        ("F2 00 01", 768),
        ("F2 68 07", 6000),
        ("F2 7F 7F", 98298),
    ],
)
def test_a_song_position_is_six_clocks_a_unit(message: str, clock: int) -> None:
    """Song Position Pointer is 14 bits, LSB first, in units of six clocks (p. 27; its example: 10 is 60)."""
    desk = Desk()
    desk.send(bytes.fromhex(message))
    assert desk.machine.position == clock


def test_clocks_are_counted_while_it_locates() -> None:
    """Position 4, Continue and three clocks during the locate: it goes on from clock 27 (p. 28)."""
    desk = Desk(DrumSettings(locate_ns=70 * MS, settle_clocks=0))
    desk.send(bytes.fromhex("F2 04 00"))
    desk.send(CONTINUE)
    desk.clocks(3)
    assert desk.machine.position == 27
    assert not desk.machine.strokes  # clock 24 has a snare, but the locate was not over


def test_position_and_song_are_for_when_it_is_stopped() -> None:
    """Song Position Pointer and Song Select while playing do nothing but draw a complaint (p. 27, 29)."""
    desk = Desk()
    desk.send(b"\xf3\x07")
    desk.clocks(24)
    desk.send(START)
    desk.clocks(5)
    desk.send(bytes.fromhex("F2 04 00"))
    desk.send(b"\xf3\x02")
    assert (desk.machine.position, desk.machine.song) == (5, 7)
    assert desk.machine.complaints.codes() == ["position-while-playing", "song-select-while-playing"]


def test_a_machine_that_cannot_follow_position_says_so() -> None:
    """With `follows-position: false` the position is kept, and complained of."""
    desk = Desk(DrumSettings(follows_position=False))
    desk.send(bytes.fromhex("F2 04 00"))
    assert desk.machine.position == 0
    assert desk.machine.complaints.codes() == ["position-not-followed"]


def test_it_needs_clock_before_start_to_settle() -> None:
    """Started after 20 of the 24 clocks that it needs, it comes in four clocks late and complains."""
    desk = Desk()
    desk.clocks(20)
    assert not desk.machine.settled
    desk.send(START)
    desk.clocks(10)
    assert desk.machine.position == 6
    assert desk.machine.complaints.codes() == ["start-before-settled"]


def test_a_gap_in_the_clock_makes_it_settle_anew() -> None:
    """After half a second and more without clock, what it had counts no longer."""
    desk = Desk()
    desk.clocks(24)
    assert desk.machine.settled
    desk.now += 600 * MS
    desk.clocks(1)
    assert not desk.machine.settled


@pytest.mark.parametrize(("gap_us", "codes"), [(999, ["clock-too-soon"]), (1000, [])])
def test_a_clock_right_behind_start_is_complained_of(gap_us: int, codes: list[str]) -> None:
    """At least 1 ms belongs between Start and the first clock; it copes with less (p. 30)."""
    desk = Desk()
    desk.clocks(24)
    desk.send(START)
    desk.machine.receive(CLOCK, desk.now + gap_us * 1_000)
    assert desk.machine.position == 1
    assert desk.machine.complaints.codes() == codes


def test_the_faults() -> None:
    """Each fault does what its name says, and nothing else is wrong."""
    for settings, position, running in (
        (DrumSettings(late_start_clocks=3), 45, True),
        (DrumSettings(ignore_start=True), 0, False),
        (DrumSettings(lose_every=10), 48 - 5, True),  # clocks 30, 40, 50, 60 and 70 of 72
        (DrumSettings(stuck_after=30), 6, True),
    ):
        desk = Desk(settings)
        desk.clocks(24)
        if settings.lose_every:
            desk.clocks(2)  # it has lost two of those it had to settle with
        desk.send(START)
        desk.clocks(48)
        assert (desk.machine.position, desk.machine.running) == (position, running), settings
        assert desk.machine.complaints.all() == ()


def test_notes_are_sent_when_asked_for() -> None:
    """With `transmit` each stroke is a Note On and, 30 ms later, its Note Off, on the channel set."""
    desk = Desk(DrumSettings(transmit=True, channel=3, settle_clocks=0))
    desk.send(START)
    desk.clocks(1)
    assert desk.machine.next_deadline_ns() == desk.now
    assert [data.hex() for _, data in desk.machine.due(desk.now)] == ["922470", "922a5a"]
    assert [data.hex() for _, data in desk.machine.due(desk.now + 30 * MS)] == ["922400", "922a00"]
    assert desk.machine.next_deadline_ns() is None


def test_it_says_who_it_is() -> None:
    """An Identity Request to it or to all is answered in the form of MIDI 1.0 p. 40, maker 7D (p. 34)."""
    desk = Desk(DrumSettings(device_id=5))
    desk.send(bytes.fromhex("F0 7E 06 06 01 F7"))
    assert desk.machine.due(desk.now + 100 * MS) == []
    for device in ("05", "7F"):
        desk.send(bytes.fromhex(f"F0 7E {device} 06 01 F7"))
        ((_, reply),) = desk.machine.due(desk.now + 100 * MS)
        assert reply[:6] == bytes.fromhex("F0 7E 05 06 02 7D")
        assert len(reply) == 15
        assert reply[-1] == 0xF7
