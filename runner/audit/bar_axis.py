"""When each bar of a take began: the axis that all its plots share, and what takes are compared on. Pure.

The log says it itself: a line of clock.jsonl begins at each quarter note, with its position. A take without
clock gets its bars from the declared tempo.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from runner.music.moment import SongTime
from runner.takes.declared import Declared
from runner.takes.model import NO_DUE, Take, TickTrack

BAR_AT = re.compile(
    r"(?:(?P<song>.*), )?bar (?P<bar>-?\d+) beat 1"
)  #: the position of a bar, as the log writes it
MOST_BARS = 100_000  #: a damaged declaration must not make a page that never ends


@dataclass(frozen=True, slots=True)
class BarMark:
    """The beginning of a bar: ns from the anchor, the bar's number, and the song if it is another one."""

    t_ns: int
    bar: int
    song: str = ""


def bar_marks(take: Take) -> list[BarMark]:
    """Return the beginnings of a take's bars in order of time, as they were due where that is known."""
    tracks = sorted(take.tracks.values(), key=lambda track: (track.direction != "out", -len(track)))
    for track in tracks:
        marks = _of_track(track)
        if marks:
            return marks
    return _of_declaration(take.declared, take)


def _of_track(track: TickTrack) -> list[BarMark]:
    marks: list[BarMark] = []
    for index, at in track.beats:
        found = BAR_AT.fullmatch(at) if at is not None else None
        if found is None or index >= len(track):
            continue
        due = track.due_ns[index]
        t_ns = due if due != NO_DUE else track.t_ns[index]
        marks.append(BarMark(t_ns, int(found["bar"]), found["song"] or ""))
    return sorted(marks, key=lambda mark: mark.t_ns)


def _of_declaration(declared: Declared, take: Take) -> list[BarMark]:
    time = declared.song_time()
    span = time_span(take)
    if time is None or span is None:
        return []
    marks: list[BarMark] = []
    bar = time.meters.position(time.start_quarters).bar
    while len(marks) < MOST_BARS:
        quarters = time.meters.bar_start(bar)
        t_ns = time.tempo.ns_at(quarters)
        if quarters >= time.end_quarters or t_ns > span[1]:
            break
        if t_ns >= span[0]:
            marks.append(BarMark(t_ns, bar))
        bar += 1
    return marks


def time_span(take: Take) -> tuple[int, int] | None:
    """Return when a take's first and last record were, in ns from the anchor; None of an empty take."""
    times = [event.t_ns for event in take.events if event.kind != "log"]
    for track in take.tracks.values():
        if len(track):
            times += [track.t_ns[0], track.t_ns[-1]]
    return (min(times), max(times)) if times else None


def declared_tempo(marks: list[BarMark], times: dict[str, SongTime | None]) -> list[tuple[int, float]]:
    """Return the declared tempo as (ns, quarter notes a minute), to be joined by straight lines.

    `times` says of each song ("" for the take's own) where its moments lie. Between two marks the
    bar's positions are taken as spread evenly, which is exact at its ends.
    """
    points: list[tuple[int, float]] = []
    for mark, after in pairwise([*marks, None]):
        if mark is None:
            break
        time = times.get(mark.song)
        if time is None:
            continue
        begin, end = time.meters.bar_start(mark.bar), time.meters.bar_start(mark.bar + 1)
        length_ns = (
            after.t_ns - mark.t_ns if after is not None else time.tempo.ns_at(end) - time.tempo.ns_at(begin)
        )
        changes = [change for change in time.tempo.changes if begin < change.at < end]
        places = {begin, begin + (end - begin) / 4, begin + (end - begin) / 2, *(c.at for c in changes)}
        for quarters in sorted(places):
            t_ns = mark.t_ns + round(length_ns * (quarters - begin) / (end - begin))
            before = points[-1][1] if points else None
            bpm = round(time.tempo.bpm_at(quarters), 6)
            jumps = any(c.at == quarters and not c.over for c in time.tempo.changes)
            if before is not None and jumps:
                points.append((t_ns, before))
            points.append((t_ns, bpm))
        if after is None:
            points.append((mark.t_ns + length_ns, points[-1][1]))
    return _without_middles(points)


def _without_middles(points: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Leave out points between two of the same value: they change no line."""
    kept: list[tuple[int, float]] = []
    for point in points:
        if len(kept) >= 2 and kept[-1][1] == kept[-2][1] == point[1]:
            kept[-1] = point
        else:
            kept.append(point)
    return kept
