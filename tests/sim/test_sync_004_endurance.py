"""004: long runs and hostile input: no false alarm in a day, nothing raises, memory stays bounded."""

from __future__ import annotations

import random
import tracemalloc

import pytest

from runner.ports.masters import feed
from runner.sync import EventKind, FollowerConfig, LockState, SteadyPrior
from runner.sync.listener import ClockListener

T = 20_000_000
_ALARMS = {EventKind.DROPOUT, EventKind.LOST, EventKind.MISSING, EventKind.EXTRA}


def _assert_quiet(clocks: int, seed: int) -> None:
    source = random.Random(seed)
    listener = ClockListener(prior=SteadyPrior(125.0))
    listener.start(10**9 - 20_000_000)
    alarms = []
    locked = False
    for count in range(clocks):
        listener.clock(round(10**9 + count * T + source.gauss(0, 3e6)))
        if count % 500 == 0:
            alarms += [event for event in listener.events() if event.kind in _ALARMS]
            assert not locked or listener.follower.state is LockState.LOCKED
            locked = locked or listener.follower.state is LockState.LOCKED
    assert locked
    assert alarms == []
    assert listener.findings() == []
    assert listener.follower.next_count == clocks


def test_six_minutes_at_3_ms_without_a_false_alarm() -> None:
    """At 3 ms of jitter nothing is taken for a dropout, missing or extra clock, and the lock holds."""
    _assert_quiet(18_000, 51)


@pytest.mark.campaign
@pytest.mark.timeout(1200)
def test_a_day_at_3_ms_without_a_false_alarm() -> None:
    """24 simulated hours at 3 ms and 125 BPM: no false dropout, no false lock loss."""
    _assert_quiet(24 * 3600 * 50, 52)


def _hostile(events: int, seed: int) -> int:
    """Feed nonsense; return the growth of memory in bytes over the second half."""
    source = random.Random(seed)
    listener = ClockListener(FollowerConfig(on_dropout="carry-on"), prior=SteadyPrior(125.0))
    now = 10**12
    tracemalloc.start()
    baseline = 0
    for index in range(events):
        now += source.choice((0, 1, 100_000, 100_000, 100_000, T, T, 7 * T, -5 * T, -(10**11), 10**10))
        kind = source.random()
        if kind < 0.9:
            listener.clock(now)
        elif kind < 0.96:
            status = source.choice((b"\xfa", b"\xfb", b"\xfc"))
            feed(listener, now, status)
        elif kind < 0.98:
            feed(listener, now, bytes((0xF2, source.randrange(128), source.randrange(128))))
        else:
            listener.sensing(now)
            listener.message(now)
            listener.sent(now)
            listener.advance(now + source.randrange(10**10))
        if index == events // 2:
            listener.findings()
            listener.events()
            baseline = tracemalloc.get_traced_memory()[0]
    grown = tracemalloc.get_traced_memory()[0] - baseline
    tracemalloc.stop()
    assert all(finding.text for finding in listener.findings())
    listener.close(now)
    return grown


def test_nonsense_neither_raises_nor_piles_up() -> None:
    """10,000 random events, time leaping both ways: no exception, and memory stops growing."""
    assert _hostile(10_000, 53) < 2_000_000


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_a_million_events_of_nonsense() -> None:
    """The same with 1,000,000 events."""
    assert _hostile(1_000_000, 54) < 2_000_000


def test_undrained_findings_are_bounded() -> None:
    """Nobody fetches the findings of 20,000 redundant messages: 200 are kept, the others counted."""
    listener = ClockListener(prior=SteadyPrior(125.0))
    for index in range(20_000):
        listener.stop(index)
    assert len(listener.findings()) == 200
    assert sum(listener.watch.unreported.values()) == 19_800
