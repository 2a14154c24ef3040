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


class _PulledPort(MemoryPort):
    """A port of the system that is gone between two moments, and takes sends in silence all the while."""

    threaded = True

    def __init__(self, clock: VirtualClock, gone_ns: tuple[int, int]) -> None:
        super().__init__(PortConfig("box", "memory"), clock.now_ns)
        self._virtual, self._gone_ns = clock, gone_ns

    def present(self) -> bool:
        """Whether the cable is in."""
        return not self._gone_ns[0] <= self._virtual.now_ns() < self._gone_ns[1]


def test_a_port_that_vanishes_is_noticed_within_a_second_and_so_is_its_return() -> None:
    """Nothing fails on such a port, so it is looked at: gone at 3 s, back at 6 s, each recorded once."""
    clock, sink = VirtualClock(start_ns=0), MemorySink()
    port = _PulledPort(clock, (3_000_000_000, 6_000_000_000))
    loop = Loop(clock, [port], [RigMachine("box", 0, channel=1)], RecordLog(sink))
    loop.player.load(course(timeline(clocks=500)))
    loop.player.roll(clock.now_ns())
    loop.run_until(9_000_000_000)
    told = [r for r in RecordReader().feed(bytes(sink.data)) if r.kind == Kind.PRESENCE]
    assert [record.json()["present"] for record in told] == [False, True]
    assert 0 <= told[0].t_ns - 3_000_000_000 <= 1_050_000_000
    assert 0 <= told[1].t_ns - 6_000_000_000 <= 1_050_000_000
