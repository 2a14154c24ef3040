"""Takes of one song against each other: will what was recorded with them sit together? Pure.

A recorder that plays back runs by its own crystal from the moment it was started. Two passes line up if,
counted from that moment, the same bars came at the same time in both. So each take's bars are timed from a
common kind of event (`compare_place.REFERENCES`) and the place in the song that the recorder had then
(`runner.audit.compare_place`), and a take is held against the first one bar by bar.

The limit is the session's `limits: cue` (6 ms if it says nothing: the smallest displacement in a regular
run that listeners notice, Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995). Drift is the slope of a
straight line by least squares through the differences.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from runner.audit.bar_axis import BAR_AT
from runner.audit.compare_place import Run, references, shared_runs
from runner.audit.grid import place_on_grid
from runner.audit.statistics import least_squares
from runner.audit.verdict import Limits
from runner.errors import UsageError
from runner.takes.declared import Declared
from runner.takes.model import Take, TickTrack

NS_PER_MINUTE = 60_000_000_000
TOGETHER, IF_MOVED, APART, UNKNOWN = "together", "together-if-moved", "apart", "unknown"
_START = b"\xfa"
BarKey = tuple[str, int, int]  #: song ("" for the take's own), bar, which time round
CueKey = tuple[str, str, str, int]  #: position, machine, bytes in hex, which of those that are alike


@dataclass(frozen=True, slots=True)
class Timeline:
    """When a take's bars came, in ns from its `reference`, as they really went out (or came in)."""

    name: str
    take: str
    pass_name: str
    reference: str
    bars: Mapping[BarKey, int]
    cues: Mapping[CueKey, int]
    limit_ns: int
    declared: Declared
    zero_ns: int = 0  #: what `bars` and `cues` are counted from, in ns from the take's anchor
    number: int = 0
    aside: str = ""  #: why what was recorded does not lie in its place, where that is so


@dataclass(frozen=True, slots=True)
class MovedCue:
    """A cue's message that came earlier or later against its own take's bars, ns; None: only in one take."""

    at: str
    machine: str
    bytes: str
    moved_ns: int | None
    only_in: str = ""
    in_first: bool = True  #: whether the first take has it; two takes folders may hold takes of one name
    t_ns: int = 0  #: where it lies, in ns as the bars of the first take

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "at": self.at,
            "machine": self.machine,
            "bytes": self.bytes,
            "moved_ms": None if self.moved_ns is None else round(self.moved_ns / 1e6, 4),
            "only_in": self.only_in or None,
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """One take against the first. Times in ns; positive: a bar came later in this take than in the first."""

    first: Timeline
    other: Timeline
    sits: str
    offsets: Sequence[
        tuple[BarKey, int, int]
    ]  #: bar, its time in the first take, how much later in the other
    start_offset_ns: int = 0
    drift_ns: int = 0  #: from the first common bar to the last, along the line
    tempo_percent: float = 0.0  #: how much faster the other was
    bpm: tuple[float, float] | None = None  #: mean tempo of both over the common bars
    move_ns: int = 0  #: to be added to the other take, so that the worst bar is as good as can be
    left_ns: int = 0  #: what the worst bar is then off
    worst: tuple[BarKey, int] | None = None
    cues: Sequence[MovedCue] = ()
    cues_compared: int = 0
    notes: Sequence[str] = ()

    @property
    def limit_ns(self) -> int:
        """The smaller of both takes' limits."""
        return min(self.first.limit_ns, self.other.limit_ns)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, as in `compare --json`."""
        return {
            "take": self.other.take,
            "against": self.first.take,
            "sits": self.sits,
            "limit_ms": self.limit_ns / 1e6,
            "measured_from": [self.first.reference, self.other.reference],
            "start_offset_ms": _ms(self.start_offset_ns),
            "drift_ms": _ms(self.drift_ns),
            "tempo": {
                "first_bpm": round(self.bpm[0], 6) if self.bpm else None,
                "other_bpm": round(self.bpm[1], 6) if self.bpm else None,
                "percent": round(self.tempo_percent, 6),
            },
            "worst": None
            if self.worst is None
            else {"bar": self.worst[0][1], "song": self.worst[0][0] or None, "offset_ms": _ms(self.worst[1])},
            "move_ms": _ms(self.move_ns),
            "left_ms": _ms(self.left_ns),
            "bars": [
                {"bar": key[1], "song": key[0] or None, "round": key[2], "offset_ms": _ms(offset)}
                for key, _, offset in self.offsets
            ],
            "cues": {"compared": self.cues_compared, "moved": [cue.to_dict() for cue in self.cues]},
            "notes": list(self.notes),
        }


def _ms(ns: int) -> float:
    return round(ns / 1e6, 4)


def compare_takes(takes: Sequence[Take]) -> list[Comparison]:
    """Hold each further take against the first.

    Raises:
        UsageError: fewer than two takes, or takes of different songs.
    """
    if len(takes) < 2:
        raise UsageError("two takes or more are wanted, the first is what the others are held against")
    songs = {take.header.song for take in takes}
    if len(songs) > 1:
        raise UsageError(f"these are takes of different songs ({', '.join(sorted(songs))}): nothing lines up")
    bars = [_bar_times(take) for take in takes]
    found = [references(take, _pace(take, came)) for take, came in zip(takes, bars, strict=True)]
    runs = shared_runs(found)
    timelines = [
        _timeline(take, came, run, runs[0]) for take, came, run in zip(takes, bars, runs, strict=True)
    ]
    return [_compare(timelines[0], other) for other in timelines[1:]]


def _pace(take: Take, bars: Mapping[BarKey, int]) -> float:
    """Return how many times as long as declared the bars took, of a plain run through one song; else 1."""
    time = take.declared.song_time()
    if time is None or len(bars) < 2 or any(key[0] or key[2] > 1 for key in bars):
        return 1.0
    first, last = min(bars), max(bars)
    begin, end = (time.tempo.ns_at(time.meters.bar_start(key[1])) for key in (first, last))
    return (bars[last] - bars[first]) / (end - begin) if end > begin else 1.0


def _timeline(take: Take, bars: Mapping[BarKey, int], run: Run, first: Run) -> Timeline:
    header, zero_ns = take.header, run.zero_ns(first)
    cues: dict[CueKey, int] = {}
    seen: Counter[tuple[str, str, str]] = Counter()
    for event in take.of_kind("sent"):
        if "cues[" not in event.source:
            continue
        key = (event.at or "", event.machine or event.port, event.data.hex(" ").upper())
        seen[key] += 1
        cues[(*key, seen[key])] = event.t_ns - zero_ns
    return Timeline(
        f"{header.pass_name}, take {header.number}", header.take, header.pass_name, run.what,
        {key: t - zero_ns for key, t in bars.items()}, cues, Limits.from_mapping(header.limits).cue_ns,
        take.declared, zero_ns, header.number, run.aside,
    )  # fmt: skip


def _bar_times(take: Take) -> dict[BarKey, int]:
    """Return when the first clock of each bar went out, or came in where none went out."""
    tracks = sorted(
        take.tracks.values(), key=lambda track: (track.direction != "out", -len(track), track.port)
    )
    for track in tracks:
        times: dict[BarKey, int] = {}
        rounds: Counter[tuple[str, int]] = Counter()
        for index, at in track.beats:
            found = BAR_AT.fullmatch(at) if at is not None else None
            if found is not None and index < len(track):
                bar = (found["song"] or "", int(found["bar"]))
                rounds[bar] += 1
                times[(*bar, rounds[bar])] = track.t_ns[index]
        if times:
            return times
    source = take.tracks.get((take.declared.source, "in"))
    return _followed_bars(take, source) if source is not None else {}


def _followed_bars(take: Take, track: TickTrack) -> dict[BarKey, int]:
    """Return when each bar came by a master's clock: counted from its Start on the audit's own grid."""
    time = take.declared.song_time()
    start = next((e for e in take.of_kind("received") if e.port == track.port and e.data == _START), None)
    if time is None or start is None:
        return {}
    grid = place_on_grid(track.t_ns)
    first = next((i for i, t in enumerate(track.t_ns) if t >= start.t_ns), None)
    if first is None:
        return {}
    came = {number - grid.number[first]: t for number, t in zip(grid.number, track.t_ns, strict=True)}
    times: dict[BarKey, int] = {}
    bar = time.meters.position(time.start_quarters).bar
    while True:
        quarters = time.meters.bar_start(bar) - time.start_quarters
        clock = quarters * 24
        if clock > max(came):
            return times
        if clock == Fraction(int(clock)) and int(clock) in came:
            times["", bar, 1] = came[int(clock)]
        bar += 1


def _compare(first: Timeline, other: Timeline) -> Comparison:
    notes = []
    if _plan_of(first.declared) != _plan_of(other.declared):
        notes.append("the takes were rolled with different tempo, meter or pre-roll")
    if first.declared.entry_quarters != other.declared.entry_quarters:
        notes += [f"{one.name}: {one.aside}" for one in (first, other) if one.aside]
    keys = sorted((key for key in first.bars if key in other.bars), key=lambda key: first.bars[key])
    offsets = [(key, first.bars[key], other.bars[key] - first.bars[key]) for key in keys]
    if len(offsets) < 2:
        notes.append("they have fewer than two bars in common")
        return Comparison(first, other, UNKNOWN, offsets, notes=notes)
    limit = min(first.limit_ns, other.limit_ns)
    sizes = [offset for _, _, offset in offsets]
    line = least_squares([t for _, t, _ in offsets], sizes)
    span = offsets[-1][1] - offsets[0][1]
    other_span = other.bars[keys[-1]] - other.bars[keys[0]]
    move, left = -(max(sizes) + min(sizes)) // 2, -(-(max(sizes) - min(sizes)) // 2)
    worst = max(offsets, key=lambda row: abs(row[2]))
    cues, compared = _moved_cues(first, other, offsets, limit)
    sits = TOGETHER if abs(worst[2]) <= limit else IF_MOVED if left <= limit else APART
    return Comparison(
        first, other, sits, offsets, _at_start(offsets), round(line.slope * span) if line is not None else 0,
        (span / other_span - 1) * 100 if other_span > 0 else 0.0, _tempos(first, span, other_span, keys),
        move, left, (worst[0], worst[2]), cues, compared, notes,
    )  # fmt: skip


def _plan_of(declared: Declared) -> tuple[object, ...]:
    return declared.tempo_map, declared.meters, declared.pre_roll_quarters


def _at_start(offsets: Sequence[tuple[BarKey, int, int]]) -> int:
    """Return the offset at bar 1, or at the first common bar."""
    return next((offset for key, _, offset in offsets if key[1] == 1), offsets[0][2])


def _tempos(
    first: Timeline, span: int, other_span: int, keys: Sequence[BarKey]
) -> tuple[float, float] | None:
    """Return the mean tempo of both over the common bars, of a plain run through one song."""
    time = first.declared.song_time()
    if time is None or any(key[2] > 1 or key[0] for key in keys) or min(span, other_span) <= 0:
        return None
    quarters = float(time.meters.bar_start(keys[-1][1]) - time.meters.bar_start(keys[0][1]))
    return quarters * NS_PER_MINUTE / span, quarters * NS_PER_MINUTE / other_span


def _moved_cues(
    first: Timeline, other: Timeline, offsets: Sequence[tuple[BarKey, int, int]], limit_ns: int
) -> tuple[list[MovedCue], int]:
    """Return the cues that lie elsewhere against their own take's bars, and how many were compared."""
    times = [t for _, t, _ in offsets]
    moved: list[MovedCue] = []
    common = 0
    for key, t in sorted(first.cues.items(), key=lambda row: row[1]):
        after = other.cues.get(key)
        if after is None:
            moved.append(MovedCue(*key[:3], None, first.take, True, t))
            continue
        common += 1
        offset = offsets[max(0, bisect_right(times, t) - 1)][2]
        if abs(after - t - offset) > limit_ns:
            moved.append(MovedCue(*key[:3], after - t - offset, t_ns=t))
    moved += [
        MovedCue(*key[:3], None, other.take, False, t)
        for key, t in other.cues.items()
        if key not in first.cues
    ]
    return moved, common
