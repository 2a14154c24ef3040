"""The places of a running order: each roll of it, repeats one by one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Literal

from runner.session.model import OrderItem


@dataclass(frozen=True, slots=True)
class Place:
    """One roll of the running order. `round_` counts the repeats of a song at this place, from 1."""

    song: str
    between: int | Literal["wait", "straight-on"] | None = None  #: an `int` is ns
    number: int = 1
    round_: int = 1
    rounds: int = 1

    def __str__(self) -> str:
        return self.song if self.rounds == 1 else f"{self.song} ({self.round_} of {self.rounds})"


def places_of(order: Sequence[OrderItem]) -> tuple[Place, ...]:
    """Return the places of a running order, each repeat one by one."""
    places: list[Place] = []
    for number, item in enumerate(order, 1):
        between = item.between
        span = between if between is None or isinstance(between, str) else between.ns
        places += [Place(item.song, span, number, at, item.repeat) for at in range(1, item.repeat + 1)]
    return tuple(places)


def rows_of(places: Sequence[Place]) -> list[list[Any]]:
    """Return places as plain data for `places_of_rows`; the rounds of one place are one row."""
    rows: list[list[Any]] = []
    for first, group in groupby(places, lambda place: replace(place, round_=1)):
        rounds = [place.round_ for place in group]
        rows.append([first.song, first.between, first.number, first.rounds, rounds])
    return rows


def places_of_rows(rows: Iterable[Sequence[Any]]) -> tuple[Place, ...]:
    """Return the places that `rows_of` gave."""
    return tuple(
        Place(song, between, number, round_, rounds_in_all)
        for song, between, number, rounds_in_all, rounds in rows
        for round_ in rounds
    )
