"""A roll before it rolls: a song, or several straight on, as one course; and what its take says of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from runner.desk.prepare import Prepared
from runner.errors import Problem
from runner.plan.compile import CompiledSong
from runner.plan.joining import join_legs
from runner.plan.rehearsal import Rehearsal
from runner.plan.stretch import LegState
from runner.plan.timeline import Course, Stage, Timeline
from runner.session.model import Session
from runner.takes.declared import Declared, MachineFacts
from runner.takes.legs import LegFacts, LegText


@dataclass(frozen=True, slots=True)
class Roll:
    """What is rolled as one take. `songs` are compiled one after the other; the first names the take."""

    prepared: Prepared
    pass_name: str
    songs: tuple[CompiledSong, ...]
    names: tuple[str, ...]
    course: Course
    run: str

    @property
    def song(self) -> str:
        """The song that the take is named after."""
        return self.names[0]

    @property
    def problems(self) -> list[Problem]:
        """All that there is to be said about it before it rolls."""
        return [problem for song in self.songs for problem in song.problems]

    def compiled(self, name: str) -> CompiledSong:
        """Return one of its songs; the first if it has no such song."""
        return self.songs[self.names.index(name)] if name in self.names else self.songs[0]

    def number_at(self, leg: int) -> int:
        """Return which of its songs a leg of the course is of, from 0."""
        for number, song in enumerate(self.songs):
            leg -= len(song.course.legs)
            if leg < 0:
                return number
        return len(self.songs) - 1

    def rows(self) -> Iterator[dict[str, Any]]:
        """Yield everything that is sent, in order; the rows of songs after the first name their song."""
        for number, song in enumerate(self.songs):
            for row in song.rows():
                yield {**row, "song": self.names[number]} if number else row

    def text(self) -> LegText:
        """Return what turns positions into text while the take is written."""
        times = {name: song.time for name, song in zip(self.names, self.songs, strict=True)}
        return LegText(self.song, leg_facts(self.course), times)


def compile_roll(
    prepared: Prepared, names: Sequence[str], rehearsal: Rehearsal, *, pass_name: str, run: str
) -> Roll:
    """Return the songs compiled as one roll, each straight on from the one before.

    Raises:
        UsageError: no such song, or `rehearsal` asks for what it does not have.
        PlanError: something of it cannot be played as written.
    """
    songs: list[CompiledSong] = []
    follows: LegState | None = None
    for number, name in enumerate(names):
        more = number + 1 < len(names)
        song = prepared.compile(name, rehearsal=rehearsal, follows=follows, straight_on=more)
        follows = song.after
        songs.append(song)
    course = join_legs(leg for song in songs for leg in song.course.legs)
    return Roll(prepared, pass_name, tuple(songs), tuple(names), course, run)


def leg_facts(course: Course) -> tuple[LegFacts, ...]:
    """Return what a take's header says of each leg."""
    return tuple(
        LegFacts(leg.timeline.song, leg.timeline.entry_quarters, leg.timeline.exit_quarters, leg.repeats)
        for leg in course.legs
    )


def declared_facts(roll: Roll) -> dict[str, Any]:
    """Return what the session says about the songs of a roll, for the take's header."""
    session = roll.prepared.session
    first = roll.course.legs[0].timeline
    # the clock that is made from time code is our own: counted by the song's grid, sent at predicted times
    follows = session.clock.source == "beat-clock"
    source = session.clock.port or ""
    if session.clock.source == "time-code":
        source = f"time code from {source}"
    lead_ns = max(0, first.stages[1].t_ns - first.stages[0].t_ns) if len(first.stages) > 1 else 0
    others = {
        name: Declared.of_song(song.time)
        for name, song in zip(roll.names, roll.songs, strict=True)
        if name != roll.song
    }
    declared = Declared.of_song(
        roll.songs[0].time,
        lead_ns=lead_ns,
        entry_quarters=first.entry_quarters,
        clocks=clock_spans(roll.course, follows=follows),
        machines=machine_facts(session),
        role="follower" if follows else "master",
        source=source if session.clock.source != "internal" else "",
        legs=leg_facts(roll.course),
        others=others,
    )
    return declared.to_dict()


def machine_facts(session: Session) -> tuple[MachineFacts, ...]:
    """Return what the session says of its machines."""
    return tuple(
        MachineFacts(
            name=name,
            port=spec.port,
            channel=spec.channel,
            kind=spec.kind,
            follows=tuple(spec.follows),
            offset_ns=spec.offset_ns,
            settle_ns=spec.settle_ns,
            starts=spec.starts or "",
            link=spec.link or session.ports[spec.port].link,
        )
        for name, spec in session.machines.items()
    )


def clock_spans(course: Course, *, follows: bool) -> dict[str, tuple[int, int | None]]:
    """Return the numbers of the first clock and after the last that each port gets in a whole roll.

    Clocks are numbered through all legs and passes. There is no last one in a roll with a hold. Under
    another machine's clock they are its counts, which begin at its Start; the lead is our own.
    """
    lead = _lead_clocks(course.legs[0].timeline) if follows else 0
    spans: dict[str, tuple[int, int | None]] = {}
    before = 0
    endless = False
    for leg in course.legs:
        timeline = leg.timeline
        endless = endless or leg.repeats == 0
        last_pass = before + (max(1, leg.repeats) - 1) * len(timeline.clock_ns)
        for role in timeline.clocks:
            port = timeline.ports[role.port]
            first = spans[port][0] if port in spans else max(0, before + role.first - lead)
            spans[port] = (first, None if endless else last_pass + role.last - lead)
        before = last_pass + len(timeline.clock_ns)
    return spans


def _lead_clocks(timeline: Timeline) -> int:
    marks = [mark.quarters for mark in timeline.stages if mark.stage >= Stage.PRE_ROLL]
    return round((min(0.0, *marks) - timeline.clock_quarters0) * 24)


def unloaded(rehearsal: Rehearsal) -> Rehearsal:
    """Return what of a rehearsal holds for every song: tempo, mute and solo, but no place of one song."""
    return replace(rehearsal, from_=None, to=None, loops=(), sustained=False)
