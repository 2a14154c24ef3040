"""The status goes over the control socket and comes back as it was."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.desk.status import _READERS, Alarm, NextCue, PortStatus, Status, TakeStatus

_numbers = st.none() | st.floats(allow_nan=False, allow_infinity=False)
_statuses = st.builds(
    Status,
    left_s=_numbers,
    tempo_bpm=_numbers,
    next_cue=st.none() | st.builds(NextCue, in_s=_numbers),
    ports=st.lists(st.builds(PortStatus), max_size=3).map(tuple),
    takes=st.lists(st.builds(TakeStatus), max_size=3).map(tuple),
    alarms=st.lists(st.builds(Alarm), max_size=3).map(tuple),
)


@settings(deadline=None)
@given(_statuses)
def test_goes_through_json_and_back(status: Status) -> None:
    """Any status is the same after it has been JSON."""
    assert Status.from_dict(json.loads(json.dumps(status.to_dict()))) == status


def test_every_field_can_be_read() -> None:
    """There is a reader for the type of each field, also of the rows."""
    for kind in (Status, NextCue, PortStatus, TakeStatus, Alarm):
        for field in fields(kind):
            assert str(field.type) in _READERS, f"{kind.__name__}.{field.name}"


def test_newer_and_older_sides_understand_each_other() -> None:
    """Unknown fields are left, missing ones have their defaults, in rows as well."""
    data = {"state": "ready", "moon": "full", "ports": [{"name": "front", "colour": "red"}]}
    assert Status.from_dict(data) == Status(state="ready", ports=(PortStatus("front"),))


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ({"state": 3}, "state must be text, got 3"),
        ({"place": "two"}, "place must be a whole number"),
        ({"place": True}, "place must be a whole number"),
        ({"hold": 1}, "hold must be true or false"),
        ({"left_s": "long"}, "left_s must be a number"),
        ({"muted": "bass"}, "muted must be a list"),
        ({"muted": ["bass", 2]}, r"muted\[1\] must be text"),
        ({"next_cue": []}, "next_cue must be a mapping"),
        ({"takes": [{"song": "Ropewalk", "number": None}]}, r"takes\[0\].number must be a whole"),
        ({"ports": [{"present": True}]}, r"ports\[0\] lacks name"),
    ],
)
def test_nonsense_is_named(data: dict[str, Any], text: str) -> None:
    """A field that holds what it cannot hold is named, with the value seen."""
    with pytest.raises(ValueError, match=text):
        Status.from_dict(data)
