"""Which cases of the campaigns a bounded run plays."""

from __future__ import annotations

from itertools import pairwise

from campaign_share import first_of_each, in_turn

KILLS = [f"tests/fault/test_kills.py::test_kill[{number}-desk]" for number in range(200)]
NAMES = [*KILLS, "tests/fault/test_month.py::test_month", "tests/sim/test_many.py::test_many[0]"]


def test_every_campaign_comes_once_before_any_comes_twice() -> None:
    """The first cases are one of each test, whatever the order in which they were collected."""
    order = in_turn(reversed(NAMES))
    assert sorted(order) == sorted(NAMES)
    assert {name.partition("[")[0] for name in order[:3]} == {name.partition("[")[0] for name in NAMES}
    assert set(order[:3]) == first_of_each(NAMES)


def test_the_choice_is_the_same_each_time() -> None:
    """It depends on the names alone."""
    assert in_turn(NAMES) == in_turn(reversed(NAMES)) == in_turn(set(NAMES))


def test_a_few_cases_are_spread_over_all_of_a_campaign() -> None:
    """Of two hundred cases any ten first ones leave no gap of more than forty."""
    numbers = [sorted(KILLS).index(name) for name in in_turn(KILLS)[:10]]
    places = [*sorted(numbers), len(KILLS)]
    assert max(after - before for before, after in pairwise(places)) <= 40
