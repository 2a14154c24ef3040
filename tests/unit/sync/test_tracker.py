"""The tracker's line where clocks came all askew: what cannot be a tempo predicts nothing."""

from __future__ import annotations

import pytest

from runner.sync.follower import Follower, FollowerConfig
from runner.sync.tracker import Tracker

JITTER_NS = 1e6
INTERVAL_NS = 20_000_000.0  #: 125 quarter notes a minute: 2.5 s / 125 (MIDI 1.0 4.2.1, p. 30: 24 a quarter)


@pytest.mark.parametrize("second_ns", [-INTERVAL_NS, 0.0, 0.001 * INTERVAL_NS])
def test_a_line_that_is_no_tempo_is_not_ready(second_ns: float) -> None:
    """A clock stamped before the one ahead of it, or at once after it: wait for the next ones."""
    tracker = Tracker(None, JITTER_NS)
    tracker.first(0.0)
    tracker.tick(second_ns)
    assert not tracker.ready


@pytest.mark.parametrize("second_ns", [-INTERVAL_NS, 0.0, 0.001 * INTERVAL_NS])
def test_the_next_clock_begins_such_a_line_anew(second_ns: float) -> None:
    """Whatever is not ready for prediction is not judged by either: one notion for both."""
    tracker = Tracker(None, JITTER_NS)
    tracker.first(0.0)
    tracker.tick(second_ns)
    assert tracker.tick(INTERVAL_NS) is None
    assert tracker.servo.samples == 1
    tracker.tick(2 * INTERVAL_NS)
    assert tracker.ready
    assert tracker.interval() == pytest.approx(INTERVAL_NS, rel=1e-4)


def test_it_begins_anew_with_the_clocks_that_come_then() -> None:
    """Some beats later the tempo is that of the clocks, and each has a number."""
    tracker = Tracker(None, JITTER_NS)
    tracker.first(0.0)
    tracker.tick(-INTERVAL_NS)
    for number in range(1, 49):
        tracker.tick(number * INTERVAL_NS)
    assert tracker.ready
    assert tracker.interval() == pytest.approx(INTERVAL_NS, rel=1e-6)
    assert tracker.slot == 49


def test_a_follower_with_such_a_line_predicts_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither a clock, nor a position, nor a tempo, until it has a line again."""
    follower = Follower(FollowerConfig())
    follower.start(0)
    for number in range(8):
        follower.clock(int(number * INTERVAL_NS))
    assert follower.time_of(9) == pytest.approx(9 * INTERVAL_NS, abs=10)
    line = follower._tracker.servo.line
    monkeypatch.setattr(line, "rate", -line.rate)
    assert follower.time_of(9) is None
    assert follower.clock_ahead() is None
    assert follower.count_at(int(8.5 * INTERVAL_NS)) is None
