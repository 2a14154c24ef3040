"""What must agree within one song, and between it and the rig."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from runner.errors import Severity
from runner.music.moment import Moment, SongTime, Span, check_section_name
from runner.session.findings import Findings
from runner.session.model import CHANNEL_ACTIONS, CueSpec, PartSpec, Session, SongSpec
from runner.session.readers import without_value
from runner.session.times import TimeProblem, song_time_problems, unknown_section
from runner.session.wording import counting, program_range
from runner.session.yaml_tree import Path

MAX_QUARTERS = 100_000  #: of one song: 2.4 million clocks, at 120 quarters a minute 14 hours
MAX_LEAD_NS = 600 * 10**9
MAX_NOTE_NS = 600 * 10**9

#: what may be unreadable of a song while its bars can be counted all the same
_NOT_THE_BARS = {"tempo", "tempo-changes", "lead", "tail", "sections"}
_TAKEN_WITH = {"tempo": ("tempo", "meter"), "length": ("length",), "sections": ("sections",)}
_TOO_EARLY = ("lies before the lead begins", "give the song a longer lead or pre-roll")
_TOO_LATE = ("lies after the tail ends", "give the song a longer length or tail")


def check_song(session: Session, index: int, findings: Findings) -> None:
    """Add what is wrong with one song."""
    song = session.songs[index]
    checker = _SongChecker(session, song, ("songs", index), findings)
    checker.sections()
    if not checker.unknown:
        checker.times()
    elif checker.unknown <= _NOT_THE_BARS and not song.taken_from:  # files are looked at when they are read
        checker.bars()
    else:
        checker.names_of_changes()
    checker.parts()
    checker.cues()
    checker.click()


class _SongChecker:
    """Checks one song; `time` stays None if it cannot be known when its bars are."""

    def __init__(self, session: Session, song: SongSpec, path: Path, findings: Findings) -> None:
        self.session = session
        self.song = song
        self.path = path
        self.findings = findings
        taken = {key for name in song.taken_from for key in _TAKEN_WITH[name]}
        #: keys of its times that were refused, or that a file says
        self.unknown = findings.rest.songs.get(int(path[1]), set()) | taken
        self.time: SongTime | None = None
        self.first_ns = self.last_ns = 0
        self.in_bars: SongTime | None = None  #: with a tempo that means nothing, if the bars can be counted

    def add(self, path: Path, message: str, hint: str = "", severity: Severity = "error") -> None:
        self.findings.add((*self.path, *path), message, hint, severity)

    # -- bars and times -------------------------------------------------------------------------------

    def sections(self) -> None:
        for name, bar in self.song.section_bars.items():
            try:
                check_section_name(name)
            except ValueError as error:
                self.findings.add((*self.path, "sections", name), without_value(error), key=True)
            if "length" not in self.unknown and self.song.bar_count < bar:
                self.add(("sections", name), f"lies after the song's last bar, {self.song.bar_count}")

    def times(self) -> None:
        if self.is_huge():
            return
        time, problems = song_time_problems(self.song)
        self.add_all(problems)
        self.time = time if not problems else None
        self.in_bars = _countable(time, problems)
        lead_ns = self.edge_span("lead", self.song.lead, time)
        tail_ns = self.edge_span("tail", self.song.tail, time)
        self.first_ns = time.tempo.ns_at(time.start_quarters) - lead_ns
        self.last_ns = time.tempo.ns_at(time.end_quarters) + tail_ns

    def is_huge(self) -> bool:
        """Refuse a song with too many quarter notes; its maps are not made."""
        meters = [self.song.meter, *(change.meter for change in self.song.meter_changes)]
        longest = max(meters, key=lambda meter: meter.quarters_per_bar)
        huge = self.song.bar_count * longest.quarters_per_bar > MAX_QUARTERS
        if huge:
            self.add(("length",), f"is more than {MAX_QUARTERS:,} quarter notes in {longest}")
        return huge

    def bars(self) -> None:
        """Check what only depends on bars and beats, of a song whose tempo or sections could not be read."""
        if not self.is_huge():
            time, problems = song_time_problems(self.song)
            self.add_all([problem for problem in problems if not self.follows_from_sections(problem)])
            self.in_bars = _countable(time, problems)

    def follows_from_sections(self, problem: TimeProblem) -> bool:
        """Whether a change is only out of place because a section it may have meant could not be read."""
        if "sections" not in self.unknown or problem.path[-1] != "at":
            return False
        key, number = problem.path[:2]
        changes = self.song.tempo_changes if key == "tempo-changes" else self.song.meter_changes
        return unknown_section(changes[int(number)].at, self.song) is not None

    def names_of_changes(self) -> None:
        """Check the sections that changes refer to, of a song whose bars cannot be known."""
        if "sections" not in self.unknown:
            for key in ("tempo-changes", "meter-changes"):
                for number, change in enumerate(getattr(self.song, key.replace("-", "_"))):
                    unknown = unknown_section(change.at, self.song)
                    if unknown:
                        path = self.findings.item_path((*self.path, key), number)
                        self.findings.add((*path, "at"), *unknown)

    def add_all(self, problems: Sequence[TimeProblem]) -> None:
        """Add what is wrong with the song's maps; refused changes do not shift the numbers of the others."""
        for problem in problems:
            path = problem.path
            if len(path) > 1 and isinstance(path[1], int):
                whole = self.findings.item_path((*self.path, path[0]), path[1])
                path = (*whole[len(self.path) :], *path[2:])
            self.add(path, problem.message, problem.hint)

    def edge_span(self, key: str, span: Span, time: SongTime) -> int:
        """Return the length of lead or tail in ns; refuse one that is too long."""
        if span.is_musical and span.amount > MAX_QUARTERS:
            length_ns = MAX_LEAD_NS + 1
        elif span.is_musical:
            backward = key == "lead"
            at = time.start_quarters if backward else time.end_quarters
            quarters = time.span_quarters(span, at, backward)
            ends = (at - quarters, at) if backward else (at, at + quarters)
            length_ns = time.tempo.ns_at(ends[1]) - time.tempo.ns_at(ends[0])
        else:
            length_ns = time.span_ns(span)
        if length_ns > MAX_LEAD_NS:
            self.add((key,), f"must be {MAX_LEAD_NS // 60 // 10**9} minutes at most")
            return 0
        return length_ns

    def moment(self, path: Path, moment: Moment) -> int | None:
        """Check that a moment lies within the roll; return its time in ns if it does."""
        unknown = unknown_section(moment, self.song)
        if unknown:
            if "sections" not in self.unknown:
                self.add(path, *unknown)
            return None
        if self.time is None:
            self.moment_in_bars(path, moment)
            return None
        try:
            point = self.time.resolve(moment)
            if abs(point.quarters) > 2 * MAX_QUARTERS:
                raise ValueError("lies far outside the song")
            time_ns = self.time.ns_of(point)
        except ValueError as error:
            self.add(path, without_value(error))
            return None
        if time_ns < self.first_ns:
            self.add(path, *_TOO_EARLY)
        elif time_ns > self.last_ns:
            self.add(path, *_TOO_LATE)
        else:
            return time_ns
        return None

    def moment_in_bars(self, path: Path, moment: Moment) -> None:
        """Check a moment of a song whose tempo is not known: whether it lies outside, whatever the tempo."""
        time = self.in_bars
        if time is None or (moment.shift is not None and not moment.shift.is_musical):
            return
        try:
            at = time.resolve(moment).quarters
        except ValueError as error:
            self.add(path, without_value(error))
            return
        first, last = time.start_quarters, time.end_quarters
        lead, tail = self.song.lead, self.song.tail
        if "lead" not in self.unknown and (lead.is_musical or not lead.amount):
            before = time.span_quarters(lead, first, backward=True) if lead.amount else Fraction(0)
            if at < first - before:
                self.add(path, *_TOO_EARLY)
        if "tail" not in self.unknown and (tail.is_musical or not tail.amount):
            after = time.span_quarters(tail, last) if tail.amount else Fraction(0)
            if at > last + after:
                self.add(path, *_TOO_LATE)

    # -- what is sent ---------------------------------------------------------------------------------

    def parts(self) -> None:
        for number, part in enumerate(self.song.parts):
            path = self.findings.item_path((*self.path, "parts"), number)[2:]
            self.findings.machine((*self.path, *path, "machine"), part.machine, self.session)
            self.part_bars(path, part)

    def part_bars(self, path: Path, part: PartSpec) -> None:
        if "length" in self.unknown:
            return
        bars = self.song.bar_count
        if part.from_ is not None and part.from_ > bars:
            self.add((*path, "from"), f"lies after the song's last bar, {bars}")
        if part.to is not None and part.to > bars + 1:
            self.add((*path, "to"), f"lies after the song's end, bar {bars + 1}")

    def cues(self) -> None:
        for number, cue in enumerate(self.song.cues):
            path = self.findings.item_path((*self.path, "cues"), number)[2:]
            time_ns = self.moment((*path, "at"), cue.at)
            if cue.machine is not None:
                if self.findings.machine((*self.path, *path, "machine"), cue.machine, self.session):
                    self.cue_for_machine(path, cue, cue.machine)
            elif cue.port is not None:
                self.findings.port((*self.path, *path, "port"), cue.port, self.session, "out")
                if cue.program is not None and not 1 <= cue.program <= 128:
                    self.add((*path, "program"), *program_range("", ""))
            if cue.length is not None:
                self.note_length(path, cue.length)
            if cue.song_select is not None and time_ns is not None and self.time is not None:
                self.song_select(path, cue, time_ns)

    def cue_for_machine(self, path: Path, cue: CueSpec, name: str) -> None:
        machine = self.session.machines[name]
        action = cue.action
        if action in CHANNEL_ACTIONS and cue.channel is None and machine.channel is None:
            key = action.replace("_", "-")
            self.add((*path, key), f"needs a channel, and machine {name} has none", "give either a channel")
        numbering = machine.numbering if "numbering" in machine.model_fields_set else ""
        try:
            if cue.program is not None:
                machine.program_byte(cue.program)
        except ValueError:
            self.add((*path, "program"), *program_range(name, numbering))
        try:
            if cue.bank is not None:
                machine.bank_bytes(cue.bank)
        except ValueError as error:
            self.add((*path, "bank"), *counting(str(error), name, numbering))
        if cue.record is not None and machine.kind != "recorder":
            self.add(
                (*path, "record"), f"needs a machine of kind: recorder, and {name} is of kind: {machine.kind}"
            )

    def note_length(self, path: Path, span: Span) -> None:
        if span.amount == 0:
            self.add((*path, "length"), "must be more than 0")
        elif span.is_musical:
            if span.amount > 1_000:
                self.add((*path, "length"), "must be 1,000 at most")
        elif self.time is not None and self.time.span_ns(span) > MAX_NOTE_NS:
            self.add((*path, "length"), "must be 10 minutes at most")

    def song_select(self, path: Path, cue: CueSpec, time_ns: int) -> None:
        """Song Select may only be sent while nothing plays (MIDI 1.0 Detailed Specification 4.2.1, p. 29)."""
        assert self.time is not None
        if time_ns > self.time.tempo.ns_at(self.time.start_quarters):
            message = "is sent while the song plays, when machines ignore a Song Select"
            self.add((*path, "song-select"), message, "set it at `start`", "warning")

    def click(self) -> None:
        click = self.song.click
        if click is None:
            return
        known = self.findings.machine((*self.path, "click", "machine"), click.machine, self.session)
        if known and click.channel is None and self.session.machines[click.machine].channel is None:
            self.add(("click",), f"needs a channel, and machine {click.machine} has none")
        if click.every is not None and (not click.every.is_musical or click.every.amount < Fraction(1, 16)):
            self.add(("click", "every"), "must be at least 1/16 of a bar, beat or quarter, and not a time")


def _countable(time: SongTime, problems: Sequence[TimeProblem]) -> SongTime | None:
    """Return the maps of a song if its bars can be counted: wrong changes of tempo do not shift them."""
    return time if all(problem.path[:1] == ("tempo-changes",) for problem in problems) else None


__all__ = ["MAX_QUARTERS", "check_song"]
