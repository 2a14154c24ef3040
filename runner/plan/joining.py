"""Joins legs into one course: several songs straight on, or the passes of a loop. Pure."""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from dataclasses import replace

from runner.plan.timeline import Course, Leg, Timeline


def join_legs(legs: Iterable[Leg]) -> Course:
    """Return a course of `legs` whose events all index one table of sources.

    A record says where a message came from by a number alone, and the take's header holds one table.
    """
    table: dict[str, int] = {}
    joined: list[Leg] = []
    for leg in legs:
        numbers = [table.setdefault(text, len(table)) for text in leg.timeline.sources]
        joined.append(Leg(_renumbered(leg.timeline, numbers), leg.repeats))
    sources = tuple(table)
    return Course(tuple(Leg(replace(leg.timeline, sources=sources), leg.repeats) for leg in joined))


def _renumbered(timeline: Timeline, numbers: list[int]) -> Timeline:
    """Return a timeline whose events have the sources that `numbers` gives for theirs."""
    if numbers == list(range(len(numbers))):
        return timeline
    source = array("I", (numbers[number] for number in timeline.events.source))
    return replace(timeline, events=replace(timeline.events, source=source))
