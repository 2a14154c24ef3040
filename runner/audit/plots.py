"""What the plots of a take show, as plain data: panels over one axis of time that is labelled in bars. Pure.

Panels are drawn by the page's script (`runner.audit.page_script`). Kinds: "spans" (rows of stretches and
marks), "lines", "ticks" (a lane for each port; every clock is in it), "points", "histogram" (of the ticks in
view). Times are seconds from the anchor, deviations ms.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Any

from runner.audit.bar_axis import BarMark, bar_marks, declared_tempo, time_span
from runner.audit.packing import packed_times, packed_values
from runner.audit.verdict import Limits
from runner.music.moment import SongTime
from runner.takes.model import IDLE_FROM, NO_DUE, Event, Take, TickTrack

NEIGHBOURS = 12  #: clocks on either side that an incoming clock is held against: half a beat
NS_PER_MINUTE = 60_000_000_000
MOST_MARKS = 2_000  #: of one kind in one row; more would hide each other on any screen
SEVERITY_SIGNS: Mapping[str, str] = {"error": "✕", "warning": "▲", "note": "●"}


@dataclass(frozen=True, slots=True)
class CueRow:
    """A cue's message: when it was due and sent (None: never), ns from the anchor; late in ms."""

    at: str
    machine: str
    port: str
    what: str
    due_ns: int
    sent_ns: int | None

    @property
    def late_ms(self) -> float | None:
        """How late it was; None if it never went out."""
        return None if self.sent_ns is None else (self.sent_ns - self.due_ns) / 1e6


def seconds(t_ns: int) -> float:
    """Return a time in s, to 0.1 ms."""
    return round(t_ns / 1e9, 4)


def plot_data(
    take: Take, summary: Mapping[str, Any], cues: Sequence[CueRow], places: Sequence[tuple[int, str]] = ()
) -> dict[str, Any]:
    """Return the plots of a take; `places` are those that a person marked: ns from the anchor, and text."""
    limits = Limits.from_mapping(take.header.limits)
    marks = bar_marks(take)
    begin, end = time_span(take) or (0, 1_000_000_000)
    times = {"": take.declared.song_time(), **take.declared.song_times(take.header.song)}
    panels = [
        _sections(take, marks, times, end),
        _findings(summary, places),
        _tempo(take, marks, times),
        _ticks(take, "out", begin, limits),
        _ticks(take, "in", begin, limits),
        _cues(cues, limits),
        _machines(take, begin, end),
        _histogram(take, limits),
    ]
    return {
        "from": seconds(begin),
        "to": max(seconds(end), seconds(begin) + 0.1),
        "bars": [[seconds(mark.t_ns), mark.bar] for mark in marks],
        "panels": [panel for panel in panels if panel is not None],
    }


def _sections(
    take: Take, marks: Sequence[BarMark], times: Mapping[str, SongTime | None], end: int
) -> dict[str, Any] | None:
    spans: list[list[Any]] = []
    for mark in marks:
        time = times.get(mark.song)
        if time is None:
            continue
        begins = [name for name, bar in time.sections.items() if bar == mark.bar]
        after = time.meters.bar_start(mark.bar) >= time.end_quarters
        name = "tail" if after else "pre-roll" if mark.bar < 1 else begins[0] if begins else ""
        if not name and spans and not spans[-1][3]:
            continue
        plain = "" if name in ("pre-roll", "tail") else mark.song
        label = f"{plain}: {name}" if plain else name
        if spans and spans[-1][2] == label and not begins:
            continue
        if spans:
            spans[-1][1] = seconds(mark.t_ns)
        spans.append([seconds(mark.t_ns), seconds(end), label, name in ("pre-roll", "tail")])
    if not spans:
        return None
    rows = [{"name": "", "spans": [span[:3] for span in spans], "marks": []}]
    return {"id": "sections", "kind": "spans", "title": "Sections", "rows": rows}


def _findings(summary: Mapping[str, Any], places: Sequence[tuple[int, str]]) -> dict[str, Any] | None:
    found = [finding for finding in summary["findings"] if type(finding.get("t_ns")) is int]
    rows = [
        {
            "name": f"{sign} {severity}s",
            "spans": [],
            "marks": [
                [seconds(finding["t_ns"]), sign, f"{finding['code']}: {finding['text']}", severity]
                for finding in found
                if finding["severity"] == severity
            ],
        }
        for severity, sign in SEVERITY_SIGNS.items()
    ]
    if places:
        marked = [[seconds(t_ns), "◆", text or "marked", "mark"] for t_ns, text in places]
        rows.append({"name": "◆ marked", "spans": [], "marks": marked})
    rows = [row for row in rows if row["marks"]]
    return {"id": "found", "kind": "spans", "title": "Findings", "rows": rows} if rows else None


def _tempo(take: Take, marks: list[BarMark], times: dict[str, SongTime | None]) -> dict[str, Any] | None:
    series = []
    declared = declared_tempo(marks, times)
    if declared:
        series.append({"name": "declared", "style": "declared", "points": _points(declared)})
    for direction, style in (("out", "measured"), ("in", "other")):
        tracks = [track for (_, way), track in take.tracks.items() if way == direction]
        if tracks:
            longest = max(tracks, key=len)
            name = f"measured, {'sent to' if direction == 'out' else 'from'} {longest.port}"
            points = _points(measured_tempo(longest))
            if points:
                series.append({"name": name, "style": style, "points": points})
    if not series:
        return None
    return {
        "id": "tempo", "kind": "lines", "title": "Tempo, declared and measured beat by beat",
        "unit": "quarter notes a minute", "series": series,
    }  # fmt: skip


def _points(rows: Sequence[tuple[int, float]]) -> list[list[float]]:
    return [[seconds(t_ns), round(value, 3)] for t_ns, value in rows]


def measured_tempo(track: TickTrack) -> list[tuple[int, float]]:
    """Return the tempo of each beat of a clock, by clocks counted: (ns of its middle, quarters a minute)."""
    rows: list[tuple[int, float]] = []
    for (first, _), (after, _) in pairwise([*track.beats, (len(track) - 1, None)]):
        if not 0 <= first < after < len(track):
            continue
        clocks = track.number[after] - track.number[first]
        span = track.t_ns[after] - track.t_ns[first]
        if 6 <= clocks <= 48 and span > 0:
            rows.append((track.t_ns[first] + span // 2, NS_PER_MINUTE * clocks / 24 / span))
    return rows


def _ticks(take: Take, direction: str, begin: int, limits: Limits) -> dict[str, Any] | None:
    lanes = []
    for (port, way), track in sorted(take.tracks.items()):
        if way != direction or not len(track):
            continue
        t_ns, deviation = deviations(track)
        if len(t_ns):
            lanes.append({
                "name": port, "origin": begin / 1e9, "count": len(t_ns),
                "t": packed_times(t_ns, begin), "y": packed_values(deviation), "gaps": _gaps(track),
            })  # fmt: skip
    if not lanes:
        return None
    title = (
        "Clocks sent: how late each went out"
        if direction == "out"
        else "Clocks received: how far off each came"
    )
    return {
        "id": f"ticks-{direction}", "kind": "ticks", "title": title, "unit": "ms",
        "limit": limits.clock_ns / 1e6, "lanes": lanes,
    }  # fmt: skip


def _gaps(track: TickTrack) -> list[float]:
    """Return where numbers are missing in a clock that was sent: s, in the middle of the silence."""
    if track.direction != "out":
        return []
    pairs = zip(pairwise(track.number), pairwise(track.t_ns), strict=True)
    gaps = [seconds((a + b) // 2) for (one, next_), (a, b) in pairs if 1 < next_ - one < IDLE_FROM // 2]
    return gaps[:: len(gaps) // MOST_MARKS + 1]


def deviations(track: TickTrack) -> tuple[Sequence[int], Sequence[int]]:
    """Return (time, deviation) of a clock's ticks in ns, in order of time.

    Where a tick was due, its deviation is how late it was. Clocks that nothing was said about are held
    against the mean of the half beat on either side, which a steady clock meets exactly.
    """
    known = [index for index, due in enumerate(track.due_ns) if due != NO_DUE]
    if len(known) == len(track):
        return track.t_ns, track.lateness_ns()
    if known and len(known) * 2 > len(track):
        return array("q", (track.t_ns[i] for i in known)), track.lateness_ns()
    return track.t_ns, against_neighbours(track.t_ns)


def against_neighbours(t_ns: Sequence[int]) -> array[int]:
    """Return each time less the mean of the times around it, as many before as after; 0 at both ends."""
    sums = [0, *accumulate(t_ns)]
    last = len(t_ns) - 1
    result = array("q")
    for index, t in enumerate(t_ns):
        reach = min(NEIGHBOURS, index, last - index)
        count = 2 * reach + 1
        result.append(t - (sums[index + reach + 1] - sums[index - reach]) // count)
    return result


def cue_rows(take: Take) -> list[CueRow]:
    """Return the messages of the session's cues, sent or not, in order of their due times."""
    what = {(row.get("port"), row.get("bytes")): str(row.get("what", "")) for row in take.plan or ()}
    rows = [
        CueRow(
            event.at or "", event.machine, event.port,
            what.get((event.port, _hex(event.data)), _hex(event.data)),
            event.due_ns if event.due_ns is not None else event.t_ns, event.t_ns,
        )
        for event in take.of_kind("sent")
        if "cues[" in event.source
    ]  # fmt: skip
    rows += _never_sent(take)
    return sorted(rows, key=lambda row: row.due_ns)


def _never_sent(take: Take) -> Iterator[CueRow]:
    """Yield what the plan says of cues and the log has not, of a take that came to its end."""
    end = take.end
    if end is None or end.detail.get("why") not in ("end", "end of the song"):
        return
    sent = Counter((event.port, _hex(event.data)) for event in take.of_kind("sent", "cut"))
    for row in take.plan or ():
        key = (row.get("port"), row.get("bytes"))
        t_ns = row.get("t_ns")
        sent[key] -= 1  # type: ignore[index]
        if sent[key] < 0 and "cues[" in str(row.get("source")) and type(t_ns) is int:  # type: ignore[index]
            yield CueRow(
                str(row.get("at") or ""), str(row.get("machine") or ""), str(row.get("port") or ""),
                str(row.get("what") or ""), t_ns, None,
            )  # fmt: skip


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _cues(cues: Sequence[CueRow], limits: Limits) -> dict[str, Any] | None:
    if not cues:
        return None
    points = [
        [
            seconds(cue.due_ns),
            None if cue.late_ms is None else round(cue.late_ms, 4),
            f"{cue.what} to {cue.machine}",
        ]
        for cue in cues
    ]
    return {
        "id": "cues", "kind": "points", "title": "Cues: sent against due", "unit": "ms",
        "limit": limits.cue_ns / 1e6, "points": points, "gone": "never sent",
    }  # fmt: skip


def _machines(take: Take, begin: int, end: int) -> dict[str, Any] | None:
    names: dict[str, list[str]] = {port: [] for port in take.header.ports}
    for machine in take.declared.machines:
        names.setdefault(machine.port, []).append(machine.name)
    rows = []
    for port, machines in names.items():
        there = present_spans(take, port, begin, end)
        rows.append({
            "name": ", ".join(machines) or port,
            "spans": [[seconds(since), seconds(until), f"{port} there"] for since, until in there],
            "marks": _port_marks(take, port),
        })  # fmt: skip
    return (
        {"id": "machines", "kind": "spans", "title": "Machines: port there", "rows": rows} if rows else None
    )


def present_spans(take: Take, port: str, begin: int, end: int) -> list[tuple[int, int]]:
    """Return when a port was there; it was from the beginning, if its first news is not that it came."""
    news = [event for event in take.of_kind("presence") if _port_of(event) == port]
    spans: list[tuple[int, int]] = []
    since: int | None = begin if not news or news[0].detail.get("present") is False else None
    for event in news:
        if event.detail.get("present") is False:
            if since is not None:
                spans.append((since, event.t_ns))
            since = None
        elif since is None:
            since = event.t_ns
    return [*spans, (since, end)] if since is not None else spans


def _port_of(event: Event) -> str:
    return event.port or str(event.detail.get("port", ""))


def _port_marks(take: Take, port: str) -> list[list[Any]]:
    kinds = {
        "send_failed": "refused a message",
        "slow_send": "held the engine up",
        "bad_input": "sent no MIDI",
    }
    marks = [
        [
            seconds(event.t_ns),
            "✕" if event.kind == "send_failed" else "▲",
            f"{port} {kinds[event.kind]}",
            "warning",
        ]
        for event in take.of_kind(*kinds)
        if _port_of(event) == port
    ]
    return marks[:: len(marks) // MOST_MARKS + 1]


def _histogram(take: Take, limits: Limits) -> dict[str, Any] | None:
    if not any(way == "out" and len(track) for (_, way), track in take.tracks.items()):
        return None
    return {
        "id": "histogram", "kind": "histogram", "title": "How late the clocks in view went out",
        "unit": "clocks", "of": "ticks-out", "limit": limits.clock_ns / 1e6,
    }  # fmt: skip
