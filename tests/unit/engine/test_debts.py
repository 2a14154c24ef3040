"""A port that refused the end of a note gets it again."""

from __future__ import annotations

from timelines import INTERVAL_NS, course, timeline

from runner.engine.clock import VirtualClock
from runner.engine.debts import ONCE_MORE_NS
from runner.engine.log import MemorySink, RecordLog
from runner.engine.loop import Loop
from runner.play.commands import RigMachine
from runner.ports.base import PortConfig, SendError
from runner.ports.memory import NullPort
from runner.takes.format import Kind, RecordReader

SECOND = 1_000_000_000


class _Refusing(NullPort):
    """A port that refuses everything between two moments."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__(PortConfig("keys", "null"))
        self.refuses = (0, 0)
        self.taken: list[bytes] = []
        self._clock = clock

    def send(self, data: bytes) -> None:
        """Take it, or refuse."""
        if self.refuses[0] <= self._clock.now_ns() < self.refuses[1]:
            raise SendError("keys", "cannot send")
        self.taken.append(data)


def _rolled(
    note_off_clock: int = 12, *, quiet: bool = False
) -> tuple[Loop, VirtualClock, _Refusing, int, MemorySink]:
    """Return a loop that rolls two quarters with a note from bar 1 on; `quiet` has no clock."""
    clock, sink = VirtualClock(), MemorySink()
    port = _Refusing(clock)
    machine = RigMachine("keys", 0, channel=1, all_notes_off=False)
    loop = Loop(clock, [port], [machine], RecordLog(sink))
    events = [(0, 0, b"\x90\x3c\x64"), (note_off_clock * INTERVAL_NS, 0, b"\x80\x3c\x40")]
    song = timeline(clocks=48, events=events, ports=0 if quiet else 1)
    loop.player.load(course(song))
    return loop, clock, port, loop.player.roll(clock.now_ns()), sink


def test_a_note_off_that_was_refused_is_sent_once_the_port_takes_messages_again() -> None:
    """MIDI 1.0 4.2.1, A-4: each Note On wants its Note Off; it follows at the port's return."""
    loop, clock, port, anchor, sink = _rolled()
    port.refuses = (anchor + 11 * INTERVAL_NS, anchor + 15 * INTERVAL_NS)
    loop.run_until(anchor + 17 * INTERVAL_NS)
    assert port.taken.count(b"\x80\x3c\x40") == 1
    loop.run_until(clock.now_ns() + 3 * SECOND)
    assert port.taken.count(b"\x80\x3c\x40") == 1
    cuts = [record.data for record in RecordReader().feed(bytes(sink.data)) if record.kind == Kind.CUT]
    assert b"\x80\x3c\x40" in cuts


def test_after_the_song_the_port_is_tried_again_until_it_takes_what_it_owes() -> None:
    """With nothing else to send the refused Note Off goes out within a quarter of a second of the return."""
    loop, _clock, port, anchor, _sink = _rolled(47)
    back = anchor + 3 * SECOND
    port.refuses = (anchor + 46 * INTERVAL_NS, back)
    loop.run_until(back)
    assert b"\x80\x3c\x40" not in port.taken
    loop.run_until(back + SECOND // 4)
    assert port.taken.count(b"\x80\x3c\x40") == 1


def test_a_note_that_is_meant_to_sound_is_left_alone() -> None:
    """A port that refused a clock while a note sounds gets no Note Off before that note's own."""
    loop, _clock, port, anchor, _sink = _rolled(40)
    port.refuses = (anchor + 9 * INTERVAL_NS, anchor + 13 * INTERVAL_NS)
    loop.run_until(anchor + 39 * INTERVAL_NS)
    assert b"\x80\x3c\x40" not in port.taken


def test_a_stop_that_was_refused_arrives() -> None:
    """A machine whose port refused Stop gets it when the port takes messages again, before Note Offs."""
    loop, clock, port, anchor, _sink = _rolled(40)
    loop.send_now(0, 0, b"\xfa")
    loop.run_until(anchor + 5 * INTERVAL_NS)
    port.refuses = (clock.now_ns(), clock.now_ns() + SECOND)
    loop.player.stop(clock.now_ns(), "test")
    loop.run_until(clock.now_ns() + 2 * SECOND)
    assert port.taken[-2:] == [b"\xfc", b"\x80\x3c\x40"]


def test_closing_tries_once_more() -> None:
    """An engine that is told to go sends what is owed first, however short ago it was refused."""
    loop, clock, port, anchor, _sink = _rolled(47)
    port.refuses = (anchor + 46 * INTERVAL_NS, anchor + 47 * INTERVAL_NS + 1)
    loop.run_until(anchor + 47 * INTERVAL_NS + 1)
    loop.close()
    assert clock.now_ns() < anchor + 48 * INTERVAL_NS
    assert port.taken.count(b"\x80\x3c\x40") == 1


def test_what_may_have_vanished_is_sent_once_more() -> None:
    """Stop and Note Offs after an engine's death (MIDI 1.0 4.2.1, p. 30, A-4), again half a second later."""
    loop, clock, port, anchor, _sink = _rolled(40)
    loop.send_now(0, 0, b"\xfa")
    loop.run_until(anchor + 5 * INTERVAL_NS)
    loop.player.stop(clock.now_ns(), "test")
    loop.player.sounding.track(0, b"\xfa")
    loop.player.sounding.track(0, b"\x90\x3c\x64")  # as the table of a dead engine has it
    port.taken.clear()
    loop.silence_after_death(clock.now_ns(), [0])
    loop.run_until(clock.now_ns() + ONCE_MORE_NS - 1)
    first = list(port.taken)
    assert first[-2:] == [b"\xfc", b"\x80\x3c\x40"]
    loop.run_until(clock.now_ns() + SECOND)
    assert port.taken == [*first, b"\xfc", b"\x80\x3c\x40"]
    loop.run_until(clock.now_ns() + 3 * SECOND)
    assert len(port.taken) == len(first) + 2


def test_an_engine_that_goes_sends_it_before_it_goes() -> None:
    """A run that ends with its failed take does not live for half a second: what is due later goes now."""
    loop, clock, port, _anchor, _sink = _rolled(40)
    loop.player.stop(clock.now_ns(), "test")
    loop.run_until(clock.now_ns() + SECOND)
    loop.player.sounding.track(0, b"\xfa")
    loop.player.sounding.track(0, b"\x90\x3c\x64")
    port.taken.clear()
    loop.silence_after_death(clock.now_ns(), [0])
    loop.run_until(clock.now_ns() + 1)
    first = list(port.taken)
    assert first[-2:] == [b"\xfc", b"\x80\x3c\x40"]
    loop.close()
    assert port.taken == [*first, b"\xfc", b"\x80\x3c\x40"]


def test_it_is_not_sent_into_a_roll_that_has_begun() -> None:
    """Whoever rolls again within that half second keeps his Start."""
    loop, clock, port, _anchor, _sink = _rolled(40)
    loop.player.stop(clock.now_ns(), "test")
    loop.run_until(clock.now_ns() + SECOND)
    loop.player.sounding.track(0, b"\xfa")
    loop.silence_after_death(clock.now_ns(), [0])
    loop.run_until(clock.now_ns() + 1)
    loop.player.load(course(timeline(clocks=480, events=[(0, 0, b"\xfa")], ports=1)))
    loop.player.roll(clock.now_ns())
    port.taken.clear()
    loop.run_until(clock.now_ns() + SECOND)
    assert b"\xfa" in port.taken
    assert b"\xfc" not in port.taken
