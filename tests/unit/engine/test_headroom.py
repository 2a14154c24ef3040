"""How long before a moment the loop gets up."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from timelines import course, timeline

from runner.engine.clock import VirtualClock
from runner.engine.headroom import (
    FIRST_NS,
    LONGEST_FOLLOWING_NS,
    LONGEST_NS,
    MARGIN_NS,
    SHORTEST_NS,
    Headroom,
)
from runner.engine.log import MemorySink, RecordLog
from runner.engine.loop import Loop
from runner.play.commands import RigMachine
from runner.ports.base import PortConfig
from runner.ports.memory import MemoryPort
from runner.takes.format import Kind, RecordReader


def test_a_slow_wake_up_is_prepared_for_at_once() -> None:
    """After one wake-up of 600 us the headroom covers the next."""
    headroom = Headroom()
    headroom.took(600_000)
    assert headroom.ns == 600_000 + MARGIN_NS


def test_a_stall_that_no_headroom_covers_counts_little() -> None:
    """After a stall of 1 ms the headroom grows by a quarter of the way to the longest, not all of it."""
    headroom = Headroom()
    headroom.took(1_000_000)
    assert headroom.ns == FIRST_NS + (LONGEST_NS - FIRST_NS) // 4


def test_a_computer_that_was_away_is_no_reason_to_get_up_earlier() -> None:
    """A host that takes a core away for 9 ms now and then must not cost the longest watch each time."""
    headroom = Headroom()
    headroom.took(9_000_000)
    assert headroom.ns == FIRST_NS


@pytest.mark.parametrize("longest_ns", [LONGEST_NS, LONGEST_FOLLOWING_NS])
def test_it_stays_within_its_bounds(longest_ns: int) -> None:
    """Whatever wake-ups take, from nothing to a minute, the headroom is never too short nor too long."""
    headroom = Headroom(longest_ns)
    rng = random.Random(4)
    for _ in range(20_000):
        headroom.took(rng.choice((0, 130_000, 700_000, 60_000_000_000)))
        assert SHORTEST_NS <= headroom.ns <= longest_ns
    for _ in range(100_000):
        headroom.took(0)
    assert headroom.ns <= SHORTEST_NS + 4096  # and it shrinks again


def test_two_wake_ups_in_a_thousand_stay_covered() -> None:
    """Where one wake-up in 500 takes 500 us and all others 130 us, the slow ones are still in time."""
    headroom = Headroom()
    short = 0
    for number in range(20_000):
        slow = number % 500 == 499
        short += slow and number > 500 and headroom.ns < 500_000
        headroom.took(500_000 if slow else 130_000)
    assert short == 0


class _SlowClock(VirtualClock):
    """Wakes the loop up so much too late."""

    def __init__(self, late_ns: int) -> None:
        super().__init__()
        self._late_ns = late_ns

    def wait(self, deadline_ns: int | None) -> Sequence[int]:
        """Jump to a little after the deadline."""
        return super().wait(None if deadline_ns is None else deadline_ns + self._late_ns)


def test_the_loop_learns_how_early_to_get_up() -> None:
    """On a computer that wakes 700 us late the first clock is late, and all that follow are on time."""
    clock, sink = _SlowClock(700_000), MemorySink()
    port = MemoryPort(PortConfig("box", "memory"), clock.now_ns)
    loop = Loop(clock, [port], [RigMachine("box", 0, channel=1)], RecordLog(sink))
    loop.player.load(course(timeline(clocks=96)))
    loop.player.roll(clock.now_ns())
    loop.run_until(clock.now_ns() + 3_000_000_000)
    ticks = [r for r in RecordReader().feed(bytes(sink.data)) if r.kind == Kind.TICK_SENT]
    late = [tick.t_ns - tick.due_ns for tick in ticks]
    assert len(late) == 96
    assert late[0] > 0
    assert set(late[2:]) == {0}
