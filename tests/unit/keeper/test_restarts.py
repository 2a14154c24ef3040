"""When a child that died is started again."""

from __future__ import annotations

from itertools import pairwise

from runner.keeper.restarts import ALLOWED, DELAYS_S, LONGEST_S, LOOP_S, SPAN_S, Restarts


def test_a_single_death_is_answered_at_once() -> None:
    """Deaths that lie far apart are each the first."""
    restarts = Restarts()
    assert [restarts.died(now * (SPAN_S + 1)) for now in range(20)] == [0.0] * 20
    assert not restarts.looping


def test_deaths_close_together_wait_longer_and_then_are_a_loop() -> None:
    """The delays grow; one death more than is allowed makes a crash loop, whose waits double to a limit."""
    restarts = Restarts()
    waits = [restarts.died(second) for second in range(ALLOWED)]
    assert waits == list(DELAYS_S[:ALLOWED])
    assert not restarts.looping
    now, loop = float(ALLOWED), []
    for _ in range(10):
        loop.append(restarts.died(now))
        now += loop[-1] + 1
    assert restarts.looping
    assert loop[0] == LOOP_S
    assert all(later == min(LONGEST_S, 2 * sooner) for sooner, later in pairwise(loop))
    assert loop[-1] == LONGEST_S


def test_a_child_that_lasts_ends_the_loop_once() -> None:
    """Signs of life right after a start do not; a long life does, and the next death is a first one."""
    restarts = Restarts()
    for second in range(ALLOWED + 1):
        wait = restarts.died(second)
    start = ALLOWED + wait
    assert not restarts.lives(start + 1)
    assert restarts.lives(start + SPAN_S + 2 * wait)
    assert not restarts.lives(start + SPAN_S + 2 * wait + 1)
    assert restarts.died(start + 10 * SPAN_S) == 0.0
