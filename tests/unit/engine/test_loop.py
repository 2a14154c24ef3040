"""The loop keeps to the standard also when this computer is late."""

from __future__ import annotations

from timelines import course, timeline

from runner.engine.clock import VirtualClock
from runner.engine.log import MemorySink, RecordLog
from runner.engine.loop import Loop
from runner.play.commands import RigMachine
from runner.ports.base import PortConfig
from runner.ports.memory import MemoryPort
from runner.takes.format import Kind, RecordReader


def _loop() -> tuple[Loop, VirtualClock, MemoryPort, MemorySink]:
    clock, sink = VirtualClock(), MemorySink()
    port = MemoryPort(PortConfig("box", "memory"), clock.now_ns)
    loop = Loop(clock, [port], [RigMachine("box", 0, channel=1)], RecordLog(sink))
    return loop, clock, port, sink


def test_the_first_clock_stays_a_millisecond_behind_a_late_start() -> None:
    """MIDI 1.0 4.2.1, p. 30: a computer that sleeps past Start and clock still keeps 1 ms between them."""
    loop, clock, port, _ = _loop()
    loop.player.load(course(timeline(clocks=4, events=[(-2_000_000, 0, b"\xfa")])))
    anchor = loop.player.roll(clock.now_ns())
    clock.hold(anchor + 5_000_000)
    loop.run_until(anchor + 50_000_000)
    sent = [(entry.t_ns, entry.data) for entry in port.sent]
    start = next(t_ns for t_ns, data in sent if data == b"\xfa")
    clocks = [t_ns for t_ns, data in sent if data == b"\xf8"]
    assert clocks[0] - start == 1_000_000
    assert clocks[1] == anchor + 20_000_000


class SleepyClock(VirtualClock):
    """Sleeps 5 ms too long while it waits for one moment: another program took the processor then."""

    def __init__(self, too_long_ns: int) -> None:
        super().__init__()
        self.moment_ns = -1
        self._too_long_ns = too_long_ns

    def hold(self, moment_ns: int) -> None:
        """Jump to the moment, and beyond it if it is the one."""
        super().hold(moment_ns + self._too_long_ns * (moment_ns == self.moment_ns))


def test_a_start_that_was_held_up_at_the_last_moment_is_counted_from_when_it_went() -> None:
    """MIDI 1.0 4.2.1, p. 30: the loop was in time, slept on just before it sent, and still keeps the 1 ms."""
    clock = SleepyClock(5_000_000)
    port = MemoryPort(PortConfig("box", "memory"), clock.now_ns)
    loop = Loop(clock, [port], [RigMachine("box", 0, channel=1)], RecordLog(MemorySink()))
    loop.player.load(course(timeline(clocks=4, events=[(-2_000_000, 0, b"\xfa")])))
    anchor = loop.player.roll(clock.now_ns())
    loop.run_until(anchor - 2_500_000)
    clock.moment_ns = anchor - 2_000_000
    loop.run_until(anchor + 50_000_000)
    sent = [(entry.t_ns - anchor, entry.data) for entry in port.sent if entry.data in (b"\xfa", b"\xf8")]
    assert sent[:3] == [(3_000_000, b"\xfa"), (4_000_000, b"\xf8"), (20_000_000, b"\xf8")]


def test_what_is_late_is_recorded_as_late() -> None:
    """The record holds when a message was due and when it went, not one in place of the other."""
    loop, clock, _, sink = _loop()
    loop.player.load(course(timeline(clocks=3)))
    anchor = loop.player.roll(clock.now_ns())
    clock.hold(anchor + 7_000_000)
    loop.run_until(anchor + 60_000_000)
    ticks = [r for r in RecordReader().feed(bytes(sink.data)) if r.kind == Kind.TICK_SENT]
    assert [tick.due_ns - anchor for tick in ticks] == [0, 20_000_000, 40_000_000]
    assert [tick.t_ns - tick.due_ns for tick in ticks] == [7_000_000, 0, 0]
