"""The clock of a take in figures: how many, how late, what tempo, by port and direction.

Pure. Tempo is measured by least squares over all ticks. With one tempo declared, arrival is regressed on
the tick's number; with tempo changes, on the time that the tempo map gives it, and the declared mean tempo
is divided by the slope.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from runner.audit.grid import Grid, place_on_grid
from runner.audit.statistics import Line, Spread, least_squares
from runner.audit.steadiness import beat_errors, steadiness
from runner.takes.declared import Declared
from runner.takes.model import IDLE_FROM, NO_DUE, Take, TickTrack

NS_PER_MINUTE = 60_000_000_000
CLOCKS_PER_QUARTER = 24
MIN_TICKS = 12  #: half a beat; a tempo from fewer clocks would say nothing


@dataclass(slots=True)
class TrackFigures:
    """The clocks of one port in one direction. Times in ns; `expected` is None where nobody said."""

    track: TickTrack
    expected: int | None
    missing: int
    extra: int
    lateness: Spread | None
    line: Line | None
    measured_bpm: float | None
    declared_bpm: float | None
    grid: Grid | None
    sorted_lateness_ns: array[int]
    pauses: int = 0
    beat_errors_ns: Sequence[float] = ()  #: against the line, one a beat

    @property
    def port(self) -> str:
        """The port's name."""
        return self.track.port

    @property
    def direction(self) -> str:
        """ "out" or "in"."""
        return self.track.direction

    def late_times(self, limit_ns: int) -> list[int]:
        """Return when ticks were off their due time by more than a limit, either way."""
        if self.lateness is None or max(self.lateness.max, -self.lateness.min) * 1000 <= limit_ns:
            return []
        pairs = zip(self.track.t_ns, self.track.due_ns, strict=True)
        return [t for t, due in pairs if due != NO_DUE and abs(t - due) > limit_ns]

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        jitter = round(self.line.residual_sd / 1000, 3) if self.line is not None else None
        return {
            "port": self.port,
            "direction": self.direction,
            "expected": self.expected,
            "count": len(self.track),
            "missing": self.missing,
            "extra": self.extra,
            "pauses": self.pauses,
            "lateness_us": self.lateness.to_dict() if self.lateness is not None else None,
            "residual_us": jitter,
            "tempo": {"declared": _round(self.declared_bpm), "measured": _round(self.measured_bpm)},
        }


@dataclass(slots=True)
class ClockFigures:
    """All clocks of a take; `source` is the track that the take's time came from."""

    tracks: list[TrackFigures]
    source: TrackFigures | None
    role: str
    source_name: str
    settling: Mapping[str, Any] | None  #: the follower's own report, as its "settled" state has it

    @property
    def locked_after_beats(self) -> float | None:
        """After how many beats of clock the follower was locked, if it said so."""
        beats = (self.settling or {}).get("locked_after_beats")
        if not isinstance(beats, int | float) or isinstance(beats, bool):
            return None
        return round(float(beats), 3)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, the part "clock" of take.json."""
        out = [figures for figures in self.tracks if figures.direction == "out"]
        incoming = [figures for figures in self.tracks if figures.direction == "in"]
        late = _joined_lateness(out if out or self.source is None else [self.source])
        follows = self.role == "follower"
        counted = out
        if follows:
            counted = incoming = [self.source] if self.source is not None else []
        expected = [figures.expected for figures in counted if figures.expected is not None]
        return {
            "role": self.role,
            "source": self.source_name,
            "expected": sum(expected) if expected else None,
            "sent": sum(len(figures.track) for figures in out),
            "received": sum(len(figures.track) for figures in incoming),
            "missing": sum(figures.missing for figures in counted),
            "extra": sum(figures.extra for figures in counted),
            "lateness_us": late.to_dict() if late is not None else None,
            "tempo": {
                "declared": _round(self.source.declared_bpm) if self.source else None,
                "measured": _round(self.source.measured_bpm) if self.source else None,
            },
            "locked_after_beats": self.locked_after_beats,
            "settling": dict(self.settling) if self.settling is not None else None,
            "steadiness": steadiness(self.source.beat_errors_ns) if self.source is not None else [],
            "ports": [figures.to_dict() for figures in self.tracks],
        }


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 6)


def _joined_lateness(tracks: Sequence[TrackFigures]) -> Spread | None:
    if len(tracks) == 1:
        return tracks[0].lateness
    values: list[int] = []
    for figures in tracks:
        values.extend(figures.sorted_lateness_ns)
    values.sort()  # a merge of sorted runs, so nearly free
    return Spread.of_sorted_ns(values)


def clock_figures(take: Take, declared: Declared) -> ClockFigures:
    """Return the figures of all clocks of a take."""
    figures = [
        _sent(track, declared, take) if track.direction == "out" else _received(track, declared, take)
        for _, track in sorted(take.tracks.items())
        if len(track)
    ]
    source: TrackFigures | None = None
    if declared.role == "follower":
        source = next((f for f in figures if f.direction == "in" and f.port == declared.source), None)
    else:
        source = max((f for f in figures if f.direction == "out"), key=lambda f: len(f.track), default=None)
    return ClockFigures(figures, source, declared.role, declared.source or "internal", _settling(take))


def _sent(track: TickTrack, declared: Declared, take: Take) -> TrackFigures:
    whole_track, track = track, _without_idle(track)
    if not len(track):
        return TrackFigures(whole_track, None, 0, 0, None, None, None, declared.steady_bpm, None, array("q"))
    first, after = min(track.number), max(track.number) + 1
    expected = after - first
    if track.port in declared.clocks and take.end is not None and take.end.detail.get("why") in _WHOLE:
        low, high = declared.clocks[track.port]
        low = max(low, first) if declared.source else low  # a master may start in mid-song
        if high is not None:  # else it went on until it was told: its last clock is all that is known
            expected = max(expected, high - low)
    ordered = array("q", sorted(track.lateness_ns()))
    distinct = len(set(track.number))
    declared_bpm = declared.steady_bpm
    line = measured = None
    xs: Sequence[int] = track.number if declared_bpm is not None else track.due_ns
    if len(track) >= MIN_TICKS:
        if declared_bpm is not None:
            line = least_squares(track.number, track.t_ns)
            measured = _bpm(line.slope) if line is not None else None
        else:
            declared_bpm, line, measured = _against_due(track)
    figures = TrackFigures(
        whole_track, expected, expected - distinct, len(track) - distinct,
        Spread.of_sorted_ns(ordered), line, measured, declared_bpm, None, ordered,
    )  # fmt: skip
    if line is not None and NO_DUE not in xs:
        figures.beat_errors_ns = beat_errors(track.number, xs, track.t_ns, line)
    return figures


_WHOLE = ("end", "end of the song")


def _without_idle(track: TickTrack) -> TickTrack:
    """Return the track without the clocks that were passed on while the master's transport stood."""
    if not len(track) or max(track.number) < IDLE_FROM:
        return track
    kept = [index for index, number in enumerate(track.number) if number < IDLE_FROM]
    number, t_ns, due_ns = (
        array("q", (column[index] for index in kept)) for column in (track.number, track.t_ns, track.due_ns)
    )
    return TickTrack(track.port, track.direction, number, t_ns, due_ns)


def _bpm(period_ns: float) -> float | None:
    return NS_PER_MINUTE / (CLOCKS_PER_QUARTER * period_ns) if period_ns > 0 else None


def _against_due(track: TickTrack) -> tuple[float | None, Line | None, float | None]:
    """Return (mean tempo due, line of sent on due, tempo measured) of clocks whose tempo changes."""
    rows = [row for row in zip(track.due_ns, track.t_ns, track.number, strict=True) if row[0] != NO_DUE]
    if len(rows) < MIN_TICKS or rows[-1][0] <= rows[0][0]:
        return None, None, None
    declared = _bpm((rows[-1][0] - rows[0][0]) / max(1, rows[-1][2] - rows[0][2]))
    line = least_squares([row[0] for row in rows], [row[1] for row in rows])
    if line is None or declared is None or line.slope <= 0:
        return declared, line, None
    return declared, line, declared / line.slope


def _received(track: TickTrack, declared: Declared, take: Take) -> TrackFigures:
    bpm = declared.steady_bpm
    first_bpm = declared.tempo_map[0][1] if declared.has_tempo else None
    errors: Sequence[float] = ()
    grid = place_on_grid(track.t_ns, NS_PER_MINUTE / (CLOCKS_PER_QUARTER * first_bpm) if first_bpm else None)
    _drop_pauses_while_stopped(grid, track, take)
    line = measured = None
    if len(track) >= MIN_TICKS:
        if bpm is not None or not declared.has_tempo:
            first = _song_begin(track, take)
            numbers, times = grid.number[first:], track.t_ns[first:]
            line = least_squares(numbers, times)
            measured = _bpm(line.slope) if line is not None else None
            errors = beat_errors(numbers, numbers, times, line) if line is not None else ()
        else:
            bpm, line, measured, errors = _against_song(track, grid, declared, take)
    pauses = sum(1 for fault in grid.faults if fault.kind == "pause")
    ordered = array("q", sorted(track.lateness_ns()))
    return TrackFigures(
        track,
        len(track) + grid.missing - grid.extra,
        grid.missing,
        grid.extra,
        Spread.of_sorted_ns(ordered),
        line,
        measured,
        bpm,
        grid,
        ordered,
        pauses,
        errors,
    )


def _song_begin(track: TickTrack, take: Take) -> int:
    """Return the index of the first clock after Start; 0 if too few would be left.

    A master may begin its clock anew with Start: what came before lies on another grid.
    """
    start = next(
        (e for e in take.of_kind("received") if e.port == track.port and e.data[:1] in (b"\xfa", b"\xfb")),
        None,
    )
    first = 0 if start is None else bisect_left(track.t_ns, start.t_ns)
    return first if len(track) - first >= MIN_TICKS else 0


def _drop_pauses_while_stopped(grid: Grid, track: TickTrack, take: Take) -> None:
    """Forget silences of a clock whose transport was stopped then: it may rest, and begin anew with Start."""
    moves = [
        (event.t_ns, event.data[0])
        for event in take.of_kind("received")
        if event.port == track.port and event.data[:1] in (b"\xfa", b"\xfb", b"\xfc")
    ]
    kept = []
    for fault in grid.faults:
        silent_from = track.t_ns[fault.index - 1]
        last = next((status for t, status in reversed(moves) if t <= silent_from), 0xFC)
        stopped = [t for t, status in moves if status == 0xFC and silent_from - 10**9 <= t <= fault.t_ns]
        resting = fault.kind != "extra" and (bool(stopped) or (bool(moves) and last == 0xFC))
        if not resting:
            kept.append(fault)
    grid.faults[:] = kept


def _against_song(
    track: TickTrack, grid: Grid, declared: Declared, take: Take
) -> tuple[float | None, Line | None, float | None, Sequence[float]]:
    """Return (mean tempo declared, line, tempo measured, errors by beat) of a clock with a Start."""
    tempo = declared.tempo()
    start = next(
        (e for e in take.of_kind("received") if e.port == track.port and e.data[:1] in (b"\xfa", b"\xfb")),
        None,
    )
    if tempo is None or start is None:
        return None, None, None, ()
    rows = [(k, t) for k, t in zip(grid.number, track.t_ns, strict=True) if t >= start.t_ns]
    if len(rows) < MIN_TICKS:
        return None, None, None, ()
    entry = Fraction(declared.entry_quarters).limit_denominator(100_000)
    length = rows[-1][0] - rows[0][0] + 1
    song = tempo.ns_of_grid(entry, Fraction(1, CLOCKS_PER_QUARTER), length)
    expected = [song[k - rows[0][0]] for k, _ in rows]
    mean = _bpm((expected[-1] - expected[0]) / max(1, length - 1))
    times = [t for _, t in rows]
    line = least_squares(expected, times)
    if line is None or mean is None or line.slope <= 0:
        return mean, line, None, ()
    return mean, line, mean / line.slope, beat_errors([k for k, _ in rows], expected, times, line)


def _settling(take: Take) -> Mapping[str, Any] | None:
    """Return the last report of how the follower settled; None of a take that followed nothing."""
    reports = [event.detail for event in take.of_kind("state") if "locked_after_beats" in event.detail]
    if not reports:
        return None
    return {key: value for key, value in reports[-1].items() if key != "state"}
