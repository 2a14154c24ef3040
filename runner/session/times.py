"""Where a song's bars, beats and moments lie: from its mapping to the exact maps of `runner.music`."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from runner.music.meter import Meter, MeterMap
from runner.music.moment import Edge, Moment, SectionName, SongTime, Span, Unit
from runner.music.tempo import TempoChange, TempoMap
from runner.session.fields_file import FromFile
from runner.session.model import SongSpec
from runner.session.readers import MAX_BARS, without_value
from runner.session.wording import near_match
from runner.session.yaml_tree import Path


@dataclass(frozen=True, slots=True)
class TimeProblem:
    """Something in a song that has no sensible time; `path` is within the song."""

    path: Path
    message: str
    hint: str = ""


class SongTimeError(ValueError):
    """A song whose maps cannot be made; carries every problem found."""

    def __init__(self, problems: list[TimeProblem]) -> None:
        self.problems = problems
        super().__init__("; ".join(problem.message for problem in problems))


def song_time(song: SongSpec) -> SongTime:
    """Return where the moments of a song lie.

    Raises:
        SongTimeError: a meter or tempo change that is out of place, or a file that was not read. Never for
            the song of a loaded session that takes nothing from files.
    """
    time, problems = song_time_problems(song)
    if problems:
        raise SongTimeError(problems)
    return time


def song_time_problems(song: SongSpec) -> tuple[SongTime, list[TimeProblem]]:
    """Return where the moments of a song lie, leaving out the changes that are out of place, and those."""
    taken = song.taken_from
    if isinstance(song.tempo, FromFile) or taken:
        text = " and ".join(f"{key} {value}" for key, value in taken.items())
        raise SongTimeError([TimeProblem((), f"is not known before its files are read: {text}")])
    bars = song.bar_count
    problems: list[TimeProblem] = []
    meters = _meters(song, bars, problems)
    end = meters.bar_start(bars + 1)
    pre_roll = -meters.bar_start(1 - int(song.pre_roll.amount))
    time = SongTime(meters, TempoMap(song.tempo), song.section_bars, pre_roll, end)
    changes = _tempo_changes(song, time, problems)
    return SongTime(meters, TempoMap(song.tempo, changes), song.section_bars, pre_roll, end), problems


def meters_alone(song: SongSpec) -> MeterMap:
    """Return the meters that a song itself says, whatever its length; changes out of place are left out."""
    return _meters(song, MAX_BARS, [])


def unknown_section(moment: Moment, song: SongSpec) -> tuple[str, str] | None:
    """Return message and hint if a moment names a section that the song does not have."""
    if not isinstance(moment.base, SectionName) or moment.base.name in song.section_bars:
        return None
    hint = near_match(moment.base.name, [*song.section_bars, "start", "end"]) if song.section_bars else ""
    return (
        "names neither a moment nor a section of the song",
        hint or "such as `bar 17 beat 3`, `start` or `end`",
    )


def _meters(song: SongSpec, bars: int, problems: list[TimeProblem]) -> MeterMap:
    """Take the meter changes in the order of the file; they are placed by counting bars alone."""
    changes: list[tuple[int, Meter]] = []
    for index, change in enumerate(song.meter_changes):
        path: Path = ("meter-changes", index, "at")
        bar = _bar_of(change.at, song, bars)
        unknown = unknown_section(change.at, song)
        if unknown:
            problems.append(TimeProblem(path, *unknown))
        elif bar is None:
            hint = "write `bar N`, a section, or whole bars before or after one"
            problems.append(TimeProblem(path, "must be the start of a bar", hint))
        elif not 1 <= bar <= bars:
            problems.append(TimeProblem(path, f"must lie in bars 1 to {bars}, and is bar {bar}"))
        elif changes and bar <= changes[-1][0]:
            message = f"must come after the change before it, at bar {changes[-1][0]}"
            problems.append(TimeProblem(path, message))
        else:
            changes.append((bar, change.meter))
    return MeterMap(song.meter, changes)


def _bar_of(moment: Moment, song: SongSpec, bars: int) -> int | None:
    """Return the bar that a moment is the start of, if it says so without counting beats."""
    shift = 0
    if moment.shift is not None:
        if moment.shift.unit is not Unit.BARS or moment.shift.amount.denominator != 1:
            return None
        shift = moment.sign * int(moment.shift.amount)
    base = moment.base
    if isinstance(base, SectionName):
        return song.section_bars.get(base.name, 0) + shift
    if isinstance(base, Edge):
        return (bars + 1 if base is Edge.END else 1 - int(song.pre_roll.amount)) + shift
    return base.bar + shift if base.beat == 1 else None


def _tempo_changes(song: SongSpec, time: SongTime, problems: list[TimeProblem]) -> list[TempoChange]:
    changes: list[TempoChange] = []
    free_from = Fraction(0)  #: where the last change, or its ramp, is over
    for index, change in enumerate(song.tempo_changes):
        path: Path = ("tempo-changes", index, "at")
        unknown = unknown_section(change.at, song)
        if unknown:
            problems.append(TimeProblem(path, *unknown))
            continue
        try:
            point = time.resolve(change.at)
        except ValueError as error:
            problems.append(TimeProblem(path, without_value(error)))
            continue
        at = point.quarters
        if point.shift_ns:
            problems.append(TimeProblem(path, "must be given in bars, beats or quarters, not in seconds"))
        elif not 0 <= at < time.end_quarters:
            message = f"must lie in bars 1 to {song.bar_count}, and is {time.at_text(at)}"
            problems.append(TimeProblem(path, message))
        elif changes and at <= changes[-1].at:
            message = f"must come after the change before it, at {time.at_text(changes[-1].at)}"
            problems.append(TimeProblem(path, message))
        elif at < free_from:
            message = f"lies in the ramp before it, which ends at {time.at_text(free_from)}"
            problems.append(TimeProblem(path, message))
        else:
            over = _over(change.over, at, time, index, problems)
            changes.append(TempoChange(at, change.tempo, over))
            free_from = at + over
    return changes


def _over(
    span: Span | None, at: Fraction, time: SongTime, index: int, problems: list[TimeProblem]
) -> Fraction:
    if span is None:
        return Fraction(0)
    path: Path = ("tempo-changes", index, "over")
    if not span.is_musical:
        problems.append(TimeProblem(path, "must be in bars, beats or quarters: a ramp is counted in beats"))
        return Fraction(0)
    over = time.span_quarters(span, at)
    if at + over > time.end_quarters:
        problems.append(TimeProblem(path, f"must end within the song, and ends at {time.at_text(at + over)}"))
        return Fraction(0)
    return over
