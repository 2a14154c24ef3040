"""Compiles a song of a session into the course that the player plays.

A plain song is one leg. A loop or a hold adds a leg that is repeated: the first pass is played as part of the
leg before it, so that the song runs on as written until the loop comes round for the first time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from runner.errors import Problem
from runner.music import Moment, SongTime
from runner.plan.chase import chase_groups, read_states
from runner.plan.click import click_voice
from runner.plan.cues import read_cues
from runner.plan.grid import CLOCKS_PER_QUARTER, on_grid
from runner.plan.joining import join_legs
from runner.plan.leg import CompiledLeg, LegState, Stretch, compile_leg, state_at
from runner.plan.loops import Loop
from runner.plan.parts import PartNotes
from runner.plan.recorder import check_places
from runner.plan.report import WireReport, rows_of
from runner.plan.reporting import Path, Reporter
from runner.plan.rig import rig_of
from runner.plan.score import Score, voice_of
from runner.plan.timecode_out import origins_of
from runner.plan.timeline import Course, Leg
from runner.plan.transport import LeftOut
from runner.session.marks import Marks, path_text
from runner.session.model import Session, SongSpec
from runner.session.times import SongTimeError, song_time


@dataclass(slots=True)
class CompiledSong:
    """A song ready to be played, and what is to be said about it.

    `wire` has a report for each port and leg; `problems` are warnings and notes (and errors, where they were
    not to be raised); `left_out` names the machines that cannot take part from the entry on.
    """

    course: Course
    time: SongTime
    wire: list[WireReport] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    score: Score | None = None
    after: LegState | None = None  #: of a song that goes straight on: how it leaves the rig

    def rows(self) -> Iterator[dict[str, Any]]:
        """Yield everything that is sent, in order, as `plan --json` shows it."""
        return rows_of(self.course, self.time)


def compile_song(
    session: Session,
    song: SongSpec,
    parts: Mapping[int, PartNotes],
    *,
    from_: Moment | None = None,
    to: Moment | None = None,
    loops: Sequence[Loop] = (),
    tempo_scale: Fraction = Fraction(1),
    muted: Iterable[str] = (),
    restart_notes: bool = False,
    follows: LegState | None = None,
    straight_on: bool = False,
    marks: Marks | None = None,
    strict: bool = True,
) -> CompiledSong:
    """Return `song` of `session` compiled for one roll.

    `parts` are the song's parts by their place in the file. The roll begins at `from_` (the start of the
    song if None) and stops at `to`, or after the tail. `muted` are machines whose notes are left out;
    `tempo_scale` multiplies the tempo. `restart_notes` strikes the notes again that sound at an entry in
    mid-song. `loops` take the place of the song's own, of which those outside the roll are passed over.
    With `strict`, an error raises; without, it is among the problems.

    Songs that go straight on, the clock unbroken: each but the last is compiled with `straight_on`, each but
    the first `follows` the `after` of the one before; lead, pre-roll and tail are left out between them.

    Raises:
        UsageError: `from_`, `to` or a loop is not a place of the song that can be played.
        PlanError: something of it cannot be played as written; carries every problem.
    """
    report = Reporter(marks)
    score = read_score(session, song, parts, report, tempo_scale=tempo_scale).without(muted)
    limit_ns = session.limits.wire_wait_ns
    ends = _ends(score, from_, to, follows, straight_on, report)
    loops = loops or _own_loops(score, song, ends, report)
    stretches = _stretches(score, ends, loops, restart_notes, report)
    report.raise_if_refused()
    legs: list[tuple[CompiledLeg, int]] = []
    for stretch, passes in stretches:
        legs.append((compile_leg(score, stretch, report, limit_ns=limit_ns), passes))
    _late_cues(score, report)
    left_out = _unique(item for leg, _ in legs for item in leg.left_out)
    for item in left_out:
        report.note(("machines", item.machine), f"{item.text}, when the roll begins there")
    if strict:
        report.raise_if_failed()
    course = join_legs(Leg(leg.timeline, passes) for leg, passes in legs)
    wire = [wire for leg, _ in legs for wire in leg.wire]
    return CompiledSong(course, score.time, wire, report.problems, left_out, score, legs[-1][0].after)


def read_score(
    session: Session,
    song: SongSpec,
    parts: Mapping[int, PartNotes],
    report: Reporter,
    *,
    tempo_scale: Fraction = Fraction(1),
) -> Score:
    """Return everything of a song that does not depend on where it is entered.

    Raises `PlanError` if the song has no sensible musical time, which a loaded session never has.
    """
    index = next((at for at, each in enumerate(session.songs) if each.song == song.song), 0)
    path: Path = ("songs", index)
    try:
        time = song_time(song)
    except SongTimeError as error:
        for problem in error.problems:
            report.add((*path, *problem.path), problem.message, hint=problem.hint)
        report.fail()
    if tempo_scale != 1:
        time = replace(time, tempo=time.tempo.scaled(tempo_scale))
    ports, machines = rig_of(session, report)
    score = Score(song.song, path, time, ports, machines, song.lead, song.pre_roll, song.tail)
    score.time_code = song.time_code or ""
    score.origins = origins_of(song.time_code, ports, path, report)
    check_places(session, song.time_code, path, report)
    by_name = {machine.name: machine for machine in machines}
    for number, part in enumerate(song.parts):
        if number in parts:
            place = (*path, "parts", number)
            voice = voice_of(parts[number], by_name[part.machine], time, place, f"{path_text(place)} note")
            score.voices.append(voice)
    score.cues = read_cues(session, song, path, time, ports, machines, report)
    if song.click is not None:
        place = (*path, "click")
        machine = by_name[song.click.machine]
        channel = song.click.channel if song.click.channel is not None else machine.channel
        if channel is None:
            report.add(place, f"needs a channel, and machine {machine.name} has none")
        else:
            score.click = click_voice(song.click, machine, channel, time, place, path_text(place))
    return score


def exit_of(score: Score) -> Fraction:
    """Return where a whole roll ends: after the tail, on a clock."""
    time, tail = score.time, score.tail
    end = time.end_quarters
    if tail.is_musical:
        last = end + time.span_quarters(tail, end)
    else:
        last = time.tempo.quarters_at(time.tempo.ns_at(end) + time.span_ns(tail))
    return Fraction(math.ceil(last * CLOCKS_PER_QUARTER), CLOCKS_PER_QUARTER)


def _point(score: Score, moment: Moment, what: str, report: Reporter) -> Fraction | None:
    """Return the position of a moment that a user named on the way, on a clock."""
    try:
        point = score.time.resolve(moment)
    except ValueError as error:
        report.refuse(f"{what}: {error}")
        return None
    quarters = point.quarters
    if point.shift_ns:
        quarters = score.time.tempo.quarters_at(score.time.ns_of(point))
    if quarters != on_grid(quarters):
        text = score.time.at_text(on_grid(quarters))
        report.note(
            score.path, f"{what} {moment} is not on a clock: {text} is taken, the last clock before it"
        )
    return on_grid(quarters)


@dataclass(frozen=True, slots=True)
class _Ends:
    """Where a roll of one song begins and ends, and whether it is joined to others."""

    entry: Fraction
    exit_: Fraction
    follows: LegState | None
    stops: bool


def _ends(
    score: Score,
    from_: Moment | None,
    to: Moment | None,
    follows: LegState | None,
    straight_on: bool,
    report: Reporter,
) -> _Ends:
    time = score.time
    entry = time.start_quarters if follows is None else Fraction(0)
    if from_ is not None:
        wanted = _point(score, from_, "from", report)
        entry = entry if wanted is None else wanted
        if entry >= time.end_quarters:
            text = time.at_text(time.end_quarters)
            report.refuse(f"cannot begin at {from_}: {score.song} ends at {text}")
            entry = time.start_quarters
        elif entry < time.start_quarters:
            text = time.at_text(time.start_quarters)
            what = "its pre-roll begins" if score.time.pre_roll_quarters else "it begins"
            report.refuse(f"cannot begin {score.song} at {from_}: {what} at {text}")
    exit_ = on_grid(time.end_quarters) if straight_on else exit_of(score)
    if to is not None:
        wanted = _point(score, to, "to", report)
        if wanted is not None and wanted <= max(entry, Fraction(0)):
            text = time.at_text(max(entry, Fraction(0)))
            report.refuse(f"cannot end at {to}: that is not after the beginning, {text}")
        elif wanted is not None:
            exit_ = min(exit_, wanted)
    return _Ends(entry, exit_, follows, not straight_on)


def _stretches(
    score: Score, ends: _Ends, loops: Sequence[Loop], restart_notes: bool, report: Reporter
) -> list[tuple[Stretch, int]]:
    """Return the stretches of a roll with how often each is played."""
    stretches: list[tuple[Stretch, int]] = []
    before, new_song, restart = ends.follows, ends.follows is not None, restart_notes
    at = ends.entry
    for first, last, passes in _loop_spans(score, loops, ends.entry, ends.exit_, report):
        stretches.append((Stretch(at, last, before, new_song, False, restart), 1))
        before, new_song, restart = state_at(score, last), False, True
        if passes != 1:
            stretches.append((Stretch(first, last, before, False, False, True), passes - 1 if passes else 0))
        at = last
    stretches.append((Stretch(at, ends.exit_, before, new_song, ends.stops, restart), 1))
    return stretches


def _loop_spans(
    score: Score, loops: Sequence[Loop], entry: Fraction, exit_: Fraction, report: Reporter
) -> list[tuple[Fraction, Fraction, int]]:
    spans: list[tuple[Fraction, Fraction, int]] = []
    at = max(entry, Fraction(0))
    for loop in loops:
        first, last = _point(score, loop.from_, "loop", report), _point(score, loop.to, "loop", report)
        if first is None or last is None:
            continue
        if not at <= first < last <= exit_:
            report.refuse(
                f"cannot loop from {loop.from_} to {loop.to}: loops lie within the roll, one after the other"
            )
            continue
        spans.append((first, last, loop.passes))
        at = last
    return spans


def _own_loops(score: Score, song: SongSpec, ends: _Ends, report: Reporter) -> list[Loop]:
    """Return the loops that the session writes and that lie within the roll; what is wrong is reported."""
    kept: list[Loop] = []
    at = Fraction(0)
    for index, loop in enumerate(song.loops):
        place = (*score.path, "loops", index)
        try:
            first, last = (score.time.resolve(moment).quarters for moment in (loop.from_, loop.to))
        except ValueError as error:
            report.add(place, str(error), seen=str(loop))
            continue
        if not at <= first < last <= score.time.end_quarters:
            report.add(
                place, "must lie within the song, after the loop before it, and have a length", seen=str(loop)
            )
            continue
        at = last
        if max(ends.entry, Fraction(0)) <= first and last <= ends.exit_:
            kept.append(loop)
    return kept


def _late_cues(score: Score, report: Reporter) -> None:
    """Say which parts go on after the roll has ended."""
    last = exit_of(score)
    for voice in score.voices:
        row = voice.row_to(last)
        early = sum(1 for on in voice.partner[row:] if -1 < on < row)  # Note Offs, sent at the end
        lost = len(voice.ticks) - row - early
        said = [f"{lost} message{' is' if lost == 1 else 's are'} not sent"] if lost else []
        said += [f"{early} note{' ends' if early == 1 else 's end'} there"] if early else []
        if said:
            report.warn(
                voice.path,
                f"goes on after the end at {score.time.at_text(last)}: {', '.join(said)}",
                hint="give the song a longer length or tail",
            )


def _unique(items: Iterable[LeftOut]) -> list[LeftOut]:
    return list(dict.fromkeys(items))


def opening_messages(song: CompiledSong) -> list[tuple[int, bytes]]:
    """Return (port, message) of what is in force when bar 1 begins: programs, controllers and the like.

    To be sent while a song is waited for, so that the machines have their sounds before it is rolled.
    """
    if song.score is None:
        return []
    states = read_states(song.score.state_messages(0, include=True))
    return [(port, message) for (port, _), group in chase_groups(states) for message in group]
