"""Which cases of the campaigns a bounded run plays: some of each, spread, and always the same. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from itertools import zip_longest

_GOLDEN = 0.618_033_988_749_895  #: its multiples fill the unit interval evenly wherever one stops


def campaigns(names: Iterable[str]) -> list[list[str]]:
    """Return the cases of each test by name, in an order in which any number of them is spread over all."""
    cases: dict[str, list[str]] = {}
    for name in sorted(names):
        cases.setdefault(name.partition("[")[0], []).append(name)
    return [_spread(of_one) for of_one in cases.values()]


def in_turn(names: Iterable[str]) -> list[str]:
    """Return all names: the first case of each test, then a second one of each that has more, and so on."""
    rounds = zip_longest(*campaigns(names))
    return [name for each in rounds for name in each if name is not None]


def first_of_each(names: Iterable[str]) -> frozenset[str]:
    """Return the names that are played whatever the time."""
    return _firsts(tuple(names))


@cache
def _firsts(names: tuple[str, ...]) -> frozenset[str]:
    return frozenset(cases[0] for cases in campaigns(names))


def _spread(cases: list[str]) -> list[str]:
    """Return the cases so that each next one lies in a wide gap between those before it."""
    places = sorted(range(len(cases)), key=lambda index: index * _GOLDEN % 1)
    order = sorted(range(len(cases)), key=lambda index: places[index])
    return [cases[index] for index in order]
