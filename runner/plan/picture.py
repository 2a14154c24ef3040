"""A song drawn in characters: sections, meters, tempos, cues and how busy its parts are, bar by bar.

Every row has a name in front and one scale below the ruler of bars; nothing is said by colour. A label is cut
where the next one begins, so that each change is seen even where there is no room to name it.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from runner.music import SongTime
from runner.plan.compile import CompiledSong
from runner.plan.cues import is_record
from runner.plan.messages import CONTINUE, START, STOP
from runner.plan.score import Action, CueEvent, Score, Voice
from runner.plan.timeline import EventOrder

NAME_COLUMNS = 11  #: of each row, for what it shows
_MOST_PER_BAR = 6  #: columns that a bar takes at most
_STEPS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048, 4096, 8192)
_RULER_GAP = 4  #: columns that a bar's number has at least

_CUE_MARKS = {
    Action.PROGRAM: ("p", "program"),
    Action.CONTROL: ("c", "control, bend or pressure"),
    Action.NOTE: ("n", "note"),
    Action.SYSEX: ("x", "system exclusive"),
    Action.SELECT: ("s", "song select"),
    Action.RAW: ("r", "raw bytes"),
}
_TRANSPORT_MARKS = {START: ("+", "start"), STOP: ("-", "stop"), CONTINUE: (">", "continue")}
_RECORD_MARK = ("o", "record")
_SEVERAL = ("*", "several cues")


@dataclass(frozen=True, slots=True)
class Pen:
    """The characters to draw with; `shades` go from nothing to the busiest bar."""

    shades: str
    rule: str
    ramp: str
    first: str
    last: str
    span: str


UNICODE = Pen(" ·▁▂▃▄▅▆▇", "┄", "↝", "╶", "╴", "─")
ASCII = Pen(" .:-=+*%#", ".", "~", "[", "]", "=")


def pen_for(encoding: str | None) -> Pen:
    """Return the pen that a terminal of this encoding can show."""
    try:
        "".join(
            (UNICODE.shades, UNICODE.rule, UNICODE.ramp, UNICODE.first, UNICODE.last, UNICODE.span)
        ).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return UNICODE


@dataclass(frozen=True, slots=True)
class _Scale:
    """Which bars a column stands for: `per_bar` columns to a bar, a fraction if a column has several bars."""

    time: SongTime
    first_bar: int
    columns: int
    per_bar: Fraction
    room: int  #: columns that there are, for the last label to run on

    def column(self, quarters: Fraction) -> int:
        """Return the column of a position; what lies outside goes to the nearest end."""
        at = (self.time.meters.bars_at(quarters) - self.first_bar) * self.per_bar
        return max(0, min(self.columns - 1, math.floor(at)))

    def quarters(self, column: int) -> Fraction:
        """Return where a column begins."""
        return self.time.meters.quarters_of_bars(self.first_bar + Fraction(column) / self.per_bar)


def song_picture(
    song: CompiledSong, width: int = 80, pen: Pen = UNICODE, muted: Iterable[str] = ()
) -> list[str]:
    """Return the lines of a song's picture, `width` columns wide at most.

    `muted` names machines whose notes are not played; their parts have no row.
    """
    score = song.score
    if score is None:
        return []
    scale = _scale(score, song, max(10, width - NAME_COLUMNS))
    rows = [
        ("bars", _ruler(scale)),
        ("sections", _labels(scale, _sections(score.time), pen)),
        ("meter", _labels(scale, _meters(score.time), pen)),
        ("tempo", _labels(scale, _tempos(score.time, pen), pen)),
        *_played(song, scale, pen),
    ]
    cues, marks = _cue_rows(score, scale)
    last_part = {voice.name: number for number, voice in enumerate(score.voices)}
    for number, voice in enumerate(score.voices):
        rows.append((voice.name, _density(voice, scale, pen)))
        if voice.name in cues and last_part[voice.name] == number:
            rows.append(("  cues", cues.pop(voice.name)))
    rows += [(f"{_cut(name, NAME_COLUMNS - 6)} cues", row) for name, row in cues.items()]
    lines = [f"{_cut(name, NAME_COLUMNS - 1):<{NAME_COLUMNS}}{row}".rstrip() for name, row in rows]
    notes = [_scale_text(scale, pen if score.voices else None)]
    if any(change.over for change in score.time.tempo.changes):
        notes[0] += f"; {pen.ramp} goes there gradually"
    if marks:
        notes.append("cues: " + ", ".join(f"{mark} {text}" for mark, text in marks))
    quiet = sorted(muted)
    if quiet:
        notes.append(f"notes not played: {', '.join(quiet)}")
    return [*lines, *notes]


def _scale(score: Score, song: CompiledSong, columns: int) -> _Scale:
    time = score.time
    last = max(
        time.end_quarters, *(Fraction(leg.timeline.exit_quarters) for leg in song.course.legs if leg.timeline)
    )
    first_bar = min(1, math.floor(time.meters.bars_at(time.start_quarters)))
    bars = max(1, math.ceil(time.meters.bars_at(last)) - first_bar)
    if bars <= columns:
        per_bar = Fraction(min(_MOST_PER_BAR, columns // bars))
    else:
        per_bar = Fraction(1, next(step for step in _STEPS if math.ceil(Fraction(bars, step)) <= columns))
    return _Scale(time, first_bar, math.ceil(bars * per_bar), per_bar, columns)


def _ruler(scale: _Scale) -> str:
    """Return the numbers of bars at even distances, from bar 1."""
    widest = len(str(scale.first_bar + math.ceil(scale.columns / scale.per_bar)))
    step = next(step for step in _STEPS if step * scale.per_bar >= max(_RULER_GAP, widest + 1))
    row = [" "] * scale.columns
    bar = 1
    while (at := math.floor((bar - scale.first_bar) * scale.per_bar)) < scale.columns:
        text = str(bar)
        if at + len(text) <= scale.columns:
            row[at : at + len(text)] = text
        bar += step
    return "".join(row)


def _labels(scale: _Scale, items: Sequence[tuple[Fraction, str]], pen: Pen) -> str:
    """Return labels at their columns, each cut where the next begins, with a thin rule between them."""
    row = [" "] * scale.room
    places = [(scale.column(quarters), text) for quarters, text in items]
    for index, (at, text) in enumerate(places):
        last = index + 1 == len(places)
        until = scale.columns if last else places[index + 1][0]
        label = _cut(text, max(1, (scale.room if last else until - 1) - at))
        row[at : at + len(label)] = label
        for column in range(at + len(label) + 1, until if last else until - 1):
            row[column] = pen.rule
    return "".join(row)


def _sections(time: SongTime) -> list[tuple[Fraction, str]]:
    named: dict[int, list[str]] = {}
    for name, bar in time.sections.items():
        named.setdefault(bar, []).append(name)
    return [(time.meters.bar_start(bar), "/".join(names)) for bar, names in sorted(named.items())]


def _meters(time: SongTime) -> list[tuple[Fraction, str]]:
    changes = [(time.meters.bar_start(bar), str(meter)) for bar, meter in time.meters.changes]
    return [(time.start_quarters, str(time.meters.first)), *changes]


def _tempos(time: SongTime, pen: Pen) -> list[tuple[Fraction, str]]:
    found = [(time.start_quarters, _bpm(time.tempo.first_bpm))]
    for change in time.tempo.changes:
        found.append((change.at, (pen.ramp if change.over else "") + _bpm(change.bpm)))
    return found


def _bpm(bpm: Fraction) -> str:
    return f"{float(bpm):.4g}"


def _played(song: CompiledSong, scale: _Scale, pen: Pen) -> list[tuple[str, str]]:
    """Return a row for each stretch that is played, if it is not simply the whole song once."""
    legs = song.course.legs
    entry = Fraction(legs[0].timeline.entry_quarters)
    if len(legs) == 1 and entry <= 0 and legs[0].timeline.exit_quarters >= scale.time.end_quarters:
        return []
    rows: list[tuple[str, str]] = []
    for leg in legs:
        first = scale.column(Fraction(leg.timeline.entry_quarters))
        last = max(first + 1, scale.column(Fraction(leg.timeline.exit_quarters) - Fraction(1, 1000)))
        row = [" "] * (max(last + 1, scale.columns) + 8)
        row[first : last + 1] = pen.first + pen.span * (last - first - 1) + pen.last
        name = "played"
        if leg.repeats != 1:
            name = "held" if leg.repeats == 0 else "again"
            times = "until told" if leg.repeats == 0 else f"{leg.repeats} times"
            if last - first > len(times) + 1:
                begin = first + 1 + (last - first - len(times)) // 2
                row[begin : begin + len(times)] = times
            else:
                name = _cut("held" if leg.repeats == 0 else f"again x{leg.repeats}", NAME_COLUMNS - 1)
        rows.append((name, "".join(row[: scale.columns])))
    return rows


def _density(voice: Voice, scale: _Scale, pen: Pen) -> str:
    """Return how many notes begin in each column, against the fullest column of the same part."""
    edges = [
        bisect_left(voice.ticks, math.ceil(scale.quarters(column) * voice.ppq))
        for column in range(scale.columns + 1)
    ]
    counts = [voice.order.count(EventOrder.NOTE_ON, first, last) for first, last in itertools.pairwise(edges)]
    most = max(counts, default=0)
    top = len(pen.shades) - 1
    return "".join(pen.shades[-(-count * top // most)] if count else " " for count in counts)


def _cue_rows(score: Score, scale: _Scale) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """Return a row of marks for each machine or port that has cues, and what the marks mean."""
    rows: dict[str, list[str]] = {}
    used: dict[str, str] = {}
    names = [machine.name for machine in score.machines]
    for cue in score.cues:
        mark, text = _mark(cue)
        place = names[cue.machine] if cue.machine < len(names) else score.ports[cue.port].name
        row = rows.setdefault(place, [" "] * scale.columns)
        column = scale.column(cue.point.quarters)
        if row[column] not in (" ", mark):
            mark, text = _SEVERAL
        row[column] = mark
        used[mark] = text
    shown = {mark for row in rows.values() for mark in row}
    marks = [(mark, text) for mark, text in used.items() if mark in shown]
    return {name: "".join(row) for name, row in rows.items()}, marks


def _mark(cue: CueEvent) -> tuple[str, str]:
    if is_record(cue):
        return _RECORD_MARK
    if cue.action is Action.TRANSPORT:
        return _TRANSPORT_MARKS[cue.messages[0]]
    return _CUE_MARKS[cue.action]


def _scale_text(scale: _Scale, pen: Pen | None) -> str:
    if scale.per_bar >= 1:
        text = "a column is a bar" if scale.per_bar == 1 else f"{scale.per_bar} columns are a bar"
    else:
        text = f"a column is {1 / scale.per_bar} bars"
    if pen is None:
        return text
    return f"{text}; parts: notes begun, from few {pen.shades[1]} to many {pen.shades[-1]}"


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[:most]
