"""The clock of one port under another machine's clock."""

from __future__ import annotations

from dataclasses import dataclass, field

from runner.play.relay import PortRelay
from runner.play.streams import NEVER
from runner.sync.states import LockState


@dataclass
class _Predicting:
    """A follower that is locked; `moments` are its predictions by count, which a test may mend."""

    moments: dict[int, int] = field(default_factory=dict)
    state: LockState = LockState.LOCKED
    carrying_on: bool = False
    next_count: int = 0

    def time_of(self, count: int) -> int | None:
        """Return when a count is predicted."""
        return self.moments.get(count)


def test_no_clock_is_due_before_the_one_that_went_before_it() -> None:
    """Their numbers stay in order in the record, though a prediction jumps back."""
    follower = _Predicting({0: 100, 1: 120, 2: 140})
    relay = PortRelay(0, 0, follower, straight=False)  # type: ignore[arg-type]
    relay.begin(0)
    first = relay.take(0.0)
    follower.moments = {1: 120, 2: 95, 3: 115, 4: 135}
    second = relay.take(0.0)
    third = relay.take(0.0)
    fourth = relay.take(0.0)
    sent = [*first, *second, *third, *fourth]
    assert [send.tick for send in sent] == [0, 1, 2, 3]
    assert [send.due_ns for send in sent] == [100, 120, 120, 120]
    assert relay.due_ns == 135


def test_what_goes_out_as_the_master_stops_holds_nothing_back_at_the_next_start() -> None:
    """A clock that had no moment yet leaves none behind."""
    follower = _Predicting()
    relay = PortRelay(0, 0, follower, straight=False)  # type: ignore[arg-type]
    relay.begin(0)
    assert relay.due_ns == NEVER
    relay.take(0.0)
    relay.halt()
    follower.moments = {5: 500}
    relay.begin(5)
    assert relay.due_ns == 500
