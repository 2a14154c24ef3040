"""Musical time: positions, meters, tempo, moments and spans. Pure."""

from runner.music.meter import Meter, MeterMap
from runner.music.moment import (
    BarBeat,
    Edge,
    Moment,
    Point,
    SectionName,
    SongTime,
    Span,
    Unit,
    check_section_name,
    parse_moment,
    parse_span,
)
from runner.music.position import Position
from runner.music.tempo import TempoChange, TempoMap, TempoSegment
from runner.music.timecode import FrameRate, TimeCode, TimeCodeOffset

__all__ = [
    "BarBeat",
    "Edge",
    "FrameRate",
    "Meter",
    "MeterMap",
    "Moment",
    "Point",
    "Position",
    "SectionName",
    "SongTime",
    "Span",
    "TempoChange",
    "TempoMap",
    "TempoSegment",
    "TimeCode",
    "TimeCodeOffset",
    "Unit",
    "check_section_name",
    "parse_moment",
    "parse_span",
]
