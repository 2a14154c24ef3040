"""A file's tempo, meters and markers as the song's: what `tempo: from parts/x.mid` takes over.

Positions in a file are ticks from its start, which is bar 1 beat 1. A file that names no tempo or no
meter has 120 quarter notes a minute and 4/4 until the first one it names (RP-001, Standard MIDI Files 1.0).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import ceil

from runner.errors import PartFileError, Problem
from runner.music.meter import Meter, MeterMap
from runner.music.moment import check_section_name
from runner.music.position import Position
from runner.music.tempo import TempoChange, TempoMap
from runner.plan.smf import DEFAULT_US_PER_QUARTER
from runner.plan.smf_file import MARKER, SmfFile, SmfText

_US_PER_MINUTE = 60_000_000
_DEFAULT_METER = Meter(4, 4)
_MAX_NAME = 100  #: characters of a section's name


def bpm_of(us_per_quarter: int) -> Fraction:
    """Return the tempo in quarter notes a minute, exactly."""
    return Fraction(_US_PER_MINUTE, us_per_quarter)


def tempo_from(smf: SmfFile) -> tuple[Fraction, list[tuple[int, int]]]:
    """Return the file's first tempo (quarter notes a minute) and its changes, (tick, µs per quarter).

    Changes are sorted by tick, from above 0; of several at one tick the last counts, and what changes
    nothing is left out.
    """
    at_tick = {tempo.tick: tempo.us_per_quarter for tempo in smf.tempos}
    first = now = at_tick.pop(0, DEFAULT_US_PER_QUARTER)
    changes: list[tuple[int, int]] = []
    for tick, us_per_quarter in at_tick.items():
        if us_per_quarter != now:
            changes.append((tick, us_per_quarter))
            now = us_per_quarter
    return bpm_of(first), changes


def tempo_map_from(smf: SmfFile) -> TempoMap:
    """Return the file's tempo as a tempo map; all its changes are steps."""
    first, changes = tempo_from(smf)
    return TempoMap(first, [TempoChange(Fraction(tick, smf.ppq), bpm_of(us)) for tick, us in changes])


@dataclass(frozen=True, slots=True)
class RefusedMeter:
    """A meter that changes within a bar of the meters before it: `at` says where, `offset` is its byte."""

    meter: Meter
    within: Meter
    at: Position
    offset: int

    def __str__(self) -> str:
        return f"the meter changes to {self.meter} within a bar of {self.within}, at {self.at}"


def meters_from(smf: SmfFile) -> MeterMap:
    """Return the file's meters by bar.

    Raises PartFileError, naming bar and beat, for a meter that changes within a bar: then bars of the file
    cannot be counted.
    """
    found, refused = read_meters(smf)
    if refused:
        text = f"{refused[0]}; a meter can change only where a bar begins"
        raise PartFileError(text, file=smf.file, offset=refused[0].offset)
    return found


def read_meters(smf: SmfFile) -> tuple[MeterMap, list[RefusedMeter]]:
    """Return the file's meters by bar without those that change within a bar, and these."""
    at_tick = {event.tick: event for event in smf.meters}
    start = at_tick.pop(0, None)
    first = now = Meter(start.numerator, start.denominator) if start else _DEFAULT_METER
    changes: list[tuple[int, Meter]] = []
    refused: list[RefusedMeter] = []
    bar, bar_at = 1, Fraction(0)  # where the meter in force began
    for tick, event in at_tick.items():
        meter = Meter(event.numerator, event.denominator)
        if meter == now:
            continue
        place = Fraction(tick, smf.ppq)
        bars, rest = divmod(place - bar_at, now.quarters_per_bar)
        if rest:
            position = Position(bar + bars, 1 + rest / now.quarters_per_beat)
            refused.append(RefusedMeter(meter, now, position, event.offset))
            continue
        bar, bar_at, now = bar + bars, place, meter
        changes.append((bar, meter))
    return MeterMap(first, changes), refused


def bars_to(smf: SmfFile, meters: MeterMap, tick: int) -> int:
    """Return how many bars it takes from the file's start to `tick`; 1 at least."""
    return max(1, ceil(meters.bars_at(Fraction(tick, smf.ppq))) - 1)


@dataclass(frozen=True, slots=True)
class FileSections:
    """Sections by name and bar, in the order of the bars, and what could not become one."""

    bars: dict[str, int]
    notices: tuple[Problem, ...]


def sections_from(smf: SmfFile, meters: MeterMap | None = None) -> FileSections:
    """Return the file's markers and cue points as sections of a song.

    A section begins at a bar, so a marker within a bar is left out and told. A name that comes again gets
    a number (``verse``, ``verse 2``); one that already means a moment gets ``mark`` in front. `meters` are
    the song's, where they are not the file's own.
    """
    meters = meters or meters_from(smf)
    bars: dict[str, int] = {}
    notices: list[Problem] = []
    taken: set[tuple[str, int]] = set()
    for mark in _in_order((*smf.markers, *smf.cue_points)):
        name = " ".join(mark.text.split())[:_MAX_NAME].strip()
        position = meters.position(Fraction(mark.tick, smf.ppq))
        kind = "marker" if mark.kind == MARKER else "cue point"
        if not name:
            continue
        if position.beat != 1:
            text = (
                f"the {kind} {name!r} is at {position}, within a bar; left out, as sections begin with a bar"
            )
            notices.append(Problem(text, path=f"byte {mark.offset}", file=smf.file, severity="warning"))
        elif (name, position.bar) not in taken:
            taken.add((name, position.bar))
            bars[_free_name(name, bars)] = position.bar
    return FileSections(bars, tuple(notices))


def _in_order(marks: Iterable[SmfText]) -> list[SmfText]:
    return sorted(marks, key=lambda mark: mark.tick)


def _free_name(name: str, used: dict[str, int]) -> str:
    try:
        check_section_name(name)
    except ValueError:
        name = f"mark {name}"
    if name not in used:
        return name
    number = 2
    while f"{name} {number}" in used:
        number += 1
    return f"{name} {number}"
