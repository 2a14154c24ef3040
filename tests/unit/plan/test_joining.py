"""Legs joined into one course share one table of sources."""

from __future__ import annotations

from array import array
from dataclasses import replace

from timelines import timeline

from runner.plan.joining import join_legs
from runner.plan.timeline import Leg

ON = bytes((0x90, 60, 100))


def test_each_event_keeps_its_own_source_through_the_joint_table() -> None:
    """Two legs with tables of their own: what number a message has now still leads to its own text."""
    first = replace(timeline(events=[(0, 0, ON), (1, 0, ON)]), sources=("cue 1", "part bass"))
    first.events.source[:] = array("I", (0, 1))
    second = replace(timeline(events=[(0, 0, ON), (1, 0, ON)]), sources=("part bass", "cue 9"))
    second.events.source[:] = array("I", (0, 1))
    course = join_legs((Leg(first), Leg(second, 4)))
    texts = [[leg.timeline.sources[number] for number in leg.timeline.events.source] for leg in course.legs]
    assert texts == [["cue 1", "part bass"], ["part bass", "cue 9"]]
    assert course.legs[0].timeline.sources == course.legs[1].timeline.sources
    assert [leg.repeats for leg in course.legs] == [1, 4]
    assert list(second.events.source) == [0, 1]  # what was given is left as it was
