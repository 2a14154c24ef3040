"""Arrival times from back-end stamps: late callbacks do not make late clocks."""

from __future__ import annotations

import random

from runner.sync.arrival import ArrivalClock


def _run(
    callback_delays: list[int], skew: float = 0.0, interval_ns: int = 20_000_000
) -> tuple[list[int], list[int], ArrivalClock]:
    clock = ArrivalClock()
    true, found = [], []
    for index, delay in enumerate(callback_delays):
        at = 5_000_000_000 + index * interval_ns
        delta = 0.0 if index == 0 else interval_ns * (1 + skew) / 1e9
        true.append(at)
        found.append(clock.arrival(delta, at + delay))
    return true, found, clock


def test_late_callbacks_are_seen_through() -> None:
    """With callbacks up to 8 ms late, arrivals are within 0.2 ms of the truth once a prompt one has come."""
    source = random.Random(1)
    delays = [50_000 if source.random() < 0.1 else source.randrange(100_000, 8_000_000) for _ in range(2000)]
    true, found, clock = _run(delays)
    off = [f - t for t, f in zip(true, found, strict=True)]
    assert max(off[200:]) < 200_000
    assert min(off) >= 0
    assert clock.restarts == 0


def test_clocks_that_drift_apart_are_followed() -> None:
    """A back-end clock 200 ppm fast or slow is off by less than 1 ms for as long as it runs."""
    for skew in (2e-4, -2e-4):
        source = random.Random(2)
        delays = [source.choice((50_000, 3_000_000)) for _ in range(20_000)]
        true, found, _ = _run(delays, skew)
        assert max(abs(f - t) for t, f in zip(true[100:], found[100:], strict=True)) < 1_000_000


def test_never_after_the_callback_and_never_out_of_order() -> None:
    """An arrival is at or before its callback, and no earlier than the one before it."""
    source = random.Random(3)
    clock = ArrivalClock()
    now, last = 0, 0
    for _ in range(5000):
        now += source.randrange(0, 30_000_000)
        arrival = clock.arrival(source.choice((0.0, 0.001, 0.02, 0.5)), now)
        assert last <= arrival <= now
        last = arrival


def test_stamps_that_make_no_sense_begin_anew() -> None:
    """Negative, infinite or far too small differences give the callback's own time, counted as a restart."""
    clock = ArrivalClock()
    clock.arrival(0.0, 10**9)
    assert clock.arrival(float("nan"), 2 * 10**9) == 2 * 10**9
    assert clock.arrival(-1.0, 3 * 10**9) == 3 * 10**9
    assert clock.arrival(0.001, 4 * 10**9) == 4 * 10**9
    assert clock.restarts == 3
