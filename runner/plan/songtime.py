"""From a song's specification to its musical time: meters, tempo map and sections resolved."""

from __future__ import annotations

from fractions import Fraction

from runner.music import (
    Meter,
    MeterMap,
    Moment,
    Point,
    Position,
    SongTime,
    TempoChange,
    TempoMap,
)
from runner.plan.reporting import Path, Reporter
from runner.session.model_song import SongSpec, TempoChangeSpec

_DRAFT_TEMPO = TempoMap(Fraction(120))


def song_time(song: SongSpec, path: Path, report: Reporter, *, tempo_scale: Fraction = Fraction(1)) -> SongTime:
    """Return the musical time of `song`, which stands at `path` of the session.

    Problems go to `report`; whatever is wrong is left out, so that the rest can be checked as well.
    `tempo_scale` multiplies every tempo: 4/5 is rehearsing at 80 %.
    """
    meters = _meters(song, path, report)
    end = meters.bar_start(1 + int(song.length.amount))
    sections = dict(song.sections)
    pre_roll = -meters.bar_start(1 - int(song.pre_roll.amount))
    draft = SongTime(meters, _DRAFT_TEMPO, sections, pre_roll, end)
    last_bar = int(song.length.amount)
    for name, bar in sections.items():
        if bar > last_bar + 1:
            report.warn((*path, "sections", name), f"section {name} begins after the last bar, {last_bar}")
    tempo = _tempo(song, draft, path, report)
    if tempo_scale != 1:
        tempo = tempo.scaled(tempo_scale)
    return SongTime(meters, tempo, sections, pre_roll, end)


def _meters(song: SongSpec, path: Path, report: Reporter) -> MeterMap:
    """Resolve the meter changes in the file's order, each by the meters before it."""
    changes: list[tuple[int, Meter]] = []
    for index, change in enumerate(song.meter_changes):
        place = (*path, "meter_changes", index, "at")
        meters = MeterMap(song.meter, changes)
        draft = SongTime(meters, _DRAFT_TEMPO, song.sections, Fraction(0), meters.bar_start(_bars(song) + 1))
        point = resolve(draft, change.at, place, report, musical=True)
        if point is None:
            continue
        position = meters.position(point.quarters)
        if position.beat != 1:
            report.add(place, "a meter can only change at the start of a bar", seen=str(change.at))
        elif position.bar < 1:
            report.add(place, "a meter can change at bar 1 or later", seen=str(change.at))
        elif any(bar == position.bar for bar, _ in changes):
            report.add(place, f"another meter change is already at bar {position.bar}", seen=str(change.at))
        elif changes and position.bar < changes[-1][0]:
            report.add(place, "meter changes must stand in the order of their bars", seen=str(change.at))
        else:
            changes.append((position.bar, change.meter))
    return MeterMap(song.meter, changes)


def _bars(song: SongSpec) -> int:
    return int(song.length.amount)


def _tempo(song: SongSpec, time: SongTime, path: Path, report: Reporter) -> TempoMap:
    changes: list[TempoChange] = []
    tempo = TempoMap(song.tempo)
    for index, spec in enumerate(song.tempo_changes):
        place = (*path, "tempo_changes", index)
        change = _tempo_change(spec, time, place, report)
        if change is None:
            continue
        try:
            tempo = TempoMap(song.tempo, [*changes, change])
        except ValueError as error:
            report.add((*place, "at"), _with_position(str(error), time, change), seen=str(spec.at))
        else:
            changes.append(change)
    return tempo


def _with_position(text: str, time: SongTime, change: TempoChange) -> str:
    return f"{text} (this one is at {time.at_text(change.at)})"


def _tempo_change(spec: TempoChangeSpec, time: SongTime, path: Path, report: Reporter) -> TempoChange | None:
    point = resolve(time, spec.at, (*path, "at"), report, musical=True)
    if point is None:
        return None
    if point.quarters < 0:
        report.add((*path, "at"), "the tempo can change at bar 1 or later", seen=str(spec.at))
        return None
    over = Fraction(0)
    if spec.over is not None:
        if not spec.over.is_musical:
            report.add((*path, "over"), "a ramp is counted in bars, beats or quarters", seen=str(spec.over))
            return None
        over = time.span_quarters(spec.over, point.quarters)
    return TempoChange(point.quarters, spec.tempo, over)


def resolve(
    time: SongTime, moment: Moment, path: Path, report: Reporter, *, musical: bool = False
) -> Point | None:
    """Return the point that `moment` means, or report why it means none.

    With `musical`, a shift in seconds is refused: what is being built is the tempo map itself.
    """
    if isinstance(moment.base, Position) and moment.base.bar > 1_000_000:
        report.add(path, "is far beyond the song", seen=str(moment))
        return None
    if musical and moment.shift is not None and not moment.shift.is_musical:
        report.add(path, "must be a place in bars and beats: seconds depend on the tempo", seen=str(moment))
        return None
    try:
        return time.resolve(moment)
    except ValueError as error:
        report.add(path, str(error), seen=str(moment))
        return None
