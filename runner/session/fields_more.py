"""Types of values that stand outside the music: raw bytes, schedule, order, disk."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import PlainValidator, WithJsonSchema

from runner.music.moment import Span
from runner.session.fields import value_schema
from runner.session.readers import read_hex, read_span, read_text, refuse

_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_SYSTEM_DATA_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0, 0xFF: 0}
_NOT_RAW = {
    0xF8: ("is the clock, which Takewright alone may send", ""),
    0xFA: ("is Start", "use `start: true`"),
    0xFB: ("is Continue", "use `continue: true`"),
    0xFC: ("is Stop", "use `stop: true`"),
    0xFE: ("is Active Sensing", "a machine that hears it once falls silent when no more follow"),
    0xF7: ("ends a system exclusive message that has not begun", ""),
}

FRAME_RATES = ("24", "25", "29.97-drop", "30")


@dataclass(frozen=True, slots=True)
class TimeOfDay:
    """A time on the wall."""

    hour: int
    minute: int
    second: int = 0

    def __str__(self) -> str:
        text = f"{self.hour:02d}:{self.minute:02d}"
        return f"{text}:{self.second:02d}" if self.second else text


def _raw(value: Any) -> bytes:
    """Read whole MIDI messages; each has its status byte (running status is never sent)."""
    data = read_hex(value, 'whole MIDI messages such as "B0 07 64"')
    at = 0
    while at < len(data):
        at = _message_end(data, at)
    return data


def _message_end(data: bytes, at: int) -> int:
    status = data[at]
    if status < 0x80:
        raise refuse(f"byte {at + 1} is {status:02X}, but a message begins with a status byte (80 to FF)")
    if status in (0xF4, 0xF5, 0xF9, 0xFD):
        raise refuse(f"byte {at + 1} is {status:02X}, which MIDI leaves undefined and forbids to send")
    if status in _NOT_RAW:
        what, hint = _NOT_RAW[status]
        raise refuse(f"byte {at + 1} is {status:02X}, which {what}", hint)
    if status == 0xF0:
        end = at + 1
        while end < len(data) and data[end] < 0x80:
            end += 1
        if end == len(data) or data[end] != 0xF7:
            raise refuse(f"the system exclusive message at byte {at + 1} does not end with F7")
        if end == at + 1:
            raise refuse(f"the system exclusive message at byte {at + 1} is empty")
        return end + 1
    wanted = _DATA_BYTES.get(status & 0xF0, 0) if status < 0xF0 else _SYSTEM_DATA_BYTES[status]
    following = data[at + 1 : at + 1 + wanted]
    if len(following) < wanted or any(byte >= 0x80 for byte in following):
        plural = "s" if wanted > 1 else ""
        raise refuse(f"{status:02X} at byte {at + 1} needs {wanted} data byte{plural} (00 to 7F)")
    return at + 1 + wanted


def _between(value: Any) -> Span | Literal["wait", "straight-on"]:
    if value == "wait":
        return "wait"
    if value == "straight-on":
        return "straight-on"
    what = "must be wait, straight-on or a time such as 8 s"
    if not isinstance(value, str) or not value[:1].isdigit():
        raise refuse(what)
    return read_span(value)


def _clock_time(value: Any) -> TimeOfDay:
    what = 'a time of day such as "19:30"'
    match = re.match(r"(\d{1,2}):(\d{2})(?::(\d{2}))?\Z", read_text(value, what).strip())
    if match is None:
        raise refuse(f"must be {what}")
    time = TimeOfDay(int(match[1]), int(match[2]), int(match[3] or 0))
    if time.hour > 23 or time.minute > 59 or time.second > 59:
        raise refuse("is no time of day")
    return time


def _days(value: Any) -> frozenset[int]:
    """Read days of the week into numbers from 0, Monday."""
    what = "days such as mon-fri, daily, or a list such as [mon, wed]"
    items = value if isinstance(value, list) else read_text(value, what).split(",")
    days: set[int] = set()
    for item in items:
        text = read_text(item, what).strip().lower()
        first, dash, last = (part.strip() for part in text.partition("-"))
        if text == "daily":
            days.update(range(7))
        elif first in _WEEK and not dash:
            days.add(_WEEK.index(first))
        elif first in _WEEK and last in _WEEK:
            start, end = _WEEK.index(first), _WEEK.index(last)
            days.update(day % 7 for day in range(start, end + 1 + (7 if end < start else 0)))
        else:
            raise refuse(f"must be {what} (mon, tue, wed, thu, fri, sat, sun)")
    if not days:
        raise refuse(f"must be {what}")
    return frozenset(days)


def _disk_size(value: Any) -> int:
    """Read an amount of disk space into bytes."""
    what = "an amount of disk space such as 2 GB or 500 MB"
    match = re.match(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*(MB|GB|TB)\s*\Z", read_text(value, what))
    if match is None:
        raise refuse(f"must be {what}")
    return round(Fraction(match[1]) * {"MB": 10**6, "GB": 10**9, "TB": 10**12}[match[2]])


def _time_code(value: Any) -> str:
    what = 'a time code such as "01:00:00:00" (hours, minutes, seconds, frames)'
    text = read_text(value, what).strip()
    match = re.match(r"(\d{2}):(\d{2}):(\d{2})[:;](\d{2})\Z", text)
    if match is None:
        raise refuse(f"must be {what}")
    hours, minutes, seconds, frames = (int(part) for part in match.groups())
    if hours > 23 or minutes > 59 or seconds > 59 or frames > 29:
        raise refuse("is no time code")
    return text


def _frame_rate(value: Any) -> str:
    if isinstance(value, bool) or str(value) not in FRAME_RATES:
        raise refuse(f"must be one of {', '.join(FRAME_RATES)}")
    return str(value)


def _format(value: Any) -> int:
    if isinstance(value, (bool, Decimal)) or value != 1:
        raise refuse("must be 1, the only format that this version of Takewright reads")
    return 1


FormatNumber = Annotated[
    Literal[1], PlainValidator(_format), value_schema("integer", "The file format's version.", const=1)
]
RawBytes = Annotated[
    bytes, PlainValidator(_raw), value_schema("string", "Whole MIDI messages in hex.", "B0 07 64", "C0 05")
]
Between = Annotated[
    Span | Literal["wait", "straight-on"],
    PlainValidator(_between),
    value_schema("string", "`wait`, `straight-on` or a time.", "wait", "8 s"),
]
ClockTime = Annotated[
    TimeOfDay,
    PlainValidator(_clock_time),
    value_schema("string", "A time of day.", "19:30", pattern=r"^\d{1,2}:\d{2}(:\d{2})?$"),
]
Days = Annotated[
    frozenset[int],
    PlainValidator(_days),
    value_schema(
        ["string", "array"], "Days of the week.", "mon-fri", ["mon", "wed"], items={"type": "string"}
    ),
]
DiskSize = Annotated[
    int,
    PlainValidator(_disk_size),
    value_schema("string", "Disk space.", "2 GB", pattern=r"^\s*\d+(\.\d+)?\s*(MB|GB|TB)\s*$"),
]
TimeCodeText = Annotated[
    str,
    PlainValidator(_time_code),
    value_schema("string", "Hours, minutes, seconds, frames.", "01:00:00:00"),
]
FrameRate = Annotated[
    Literal["24", "25", "29.97-drop", "30"],
    PlainValidator(_frame_rate),
    WithJsonSchema({"enum": [24, 25, 30, "29.97-drop"]}),
]
