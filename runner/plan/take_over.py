"""Fills in what songs take from part files: tempos, meters, length and sections.

A song may say `tempo: from parts/x.mid`. The session opens no files, so such a song is loaded as it stands,
and `with_files` gives it the rest once somebody has read them. What the song says itself is never touched:
a `meter` or `meter-changes` of its own is taken instead of the file's meters, `tempo-changes` of its own
instead of the file's changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from runner.errors import PartFileError, Problem, Severity
from runner.music.meter import MeterMap
from runner.music.moment import Moment, SectionName, Span, Unit
from runner.music.position import Position
from runner.plan.smf_file import SmfFile
from runner.plan.smf_maps import bars_to, bpm_of, meters_from, sections_from, tempo_from
from runner.session.fields_file import FromFile
from runner.session.load import LoadedSession, check_again
from runner.session.marks import Marks
from runner.session.model import MeterChangeSpec, SongSpec, TempoChangeSpec
from runner.session.readers import MAX_BARS, MAX_TEMPO_BPM, MIN_TEMPO_BPM
from runner.session.times import meters_alone
from runner.session.yaml_tree import Path

MAX_CHANGES = 20_000  #: of tempo, in one song
_MAX_BEATS, _MAX_DENOMINATOR = 64, 64  #: of a session's meters

#: a file's contents by its name in the session, or why it cannot be had
Files = Mapping[str, SmfFile | PartFileError]


def files_wanted(loaded: LoadedSession) -> list[str]:
    """Return the names of the files that songs take something from, each once."""
    return list(
        dict.fromkeys(value.file for song in loaded.session.songs for value in song.taken_from.values())
    )


def with_files(loaded: LoadedSession, files: Files) -> LoadedSession:
    """Return the session with every `from FILE` filled in, checked again as a whole.

    Raises:
        SessionError: with every problem, of the files and of what then does not fit them.
    """
    songs: list[SongSpec] = []
    problems: list[Problem] = []
    for index, song in enumerate(loaded.session.songs):
        if song.taken_from:
            filler = _Filler(song, ("songs", index), loaded.marks, files)
            song = filler.filled()
            problems += filler.problems
        songs.append(song)
    return check_again(loaded, loaded.session.model_copy(update={"songs": songs}), problems)


@dataclass(slots=True)
class _Filler:
    """Fills in one song; what cannot be had stays as it is and is among the problems."""

    song: SongSpec
    path: Path
    marks: Marks
    files: Files
    problems: list[Problem] = field(default_factory=list)
    update: dict[str, Any] = field(default_factory=dict)

    def filled(self) -> SongSpec:
        song = self.song
        meters = self._tempo(song.tempo) if isinstance(song.tempo, FromFile) else meters_alone(song)
        if meters is not None:
            if isinstance(song.length, FromFile):
                self._length(song.length, meters)
            if isinstance(song.sections, FromFile):
                self._sections(song.sections, meters)
        else:
            for key, value in song.taken_from.items():
                if key != "tempo":
                    self._file(key, value)  # at least say that it is not there
        self._drop_what_lies_behind()
        return song.model_copy(update=self.update)

    def _tell(self, key: str, message: str, hint: str = "", severity: Severity = "error") -> None:
        path = (*self.path, key)
        seen = self.marks.seen(path)
        self.problems.append(self.marks.problem(path, message, seen, hint, severity))

    def _file(self, key: str, value: FromFile) -> SmfFile | None:
        found = self.files.get(value.file)
        if isinstance(found, SmfFile):
            return found
        self._tell(key, str(found) if found is not None else f"{value.file} was not read")
        return None

    def _tempo(self, value: FromFile) -> MeterMap | None:
        """Take tempos and, if the song says none, meters; return the meters then in force."""
        smf = self._file("tempo", value)
        if smf is None:
            return None
        meters = self._meters(smf)
        if meters is None:
            return None
        first, changes = tempo_from(smf)
        slow_or_fast = [
            (tick, bpm)
            for tick, bpm in [(0, first), *((tick, bpm_of(us)) for tick, us in changes)]
            if not MIN_TEMPO_BPM <= bpm <= MAX_TEMPO_BPM
        ]
        if slow_or_fast:
            tick, bpm = slow_or_fast[0]
            at = meters.position(Fraction(tick, smf.ppq))
            text = f"the file has a tempo of {float(bpm):.2f} at {at}; songs have"
            self._tell("tempo", f"{text} {MIN_TEMPO_BPM} to {MAX_TEMPO_BPM}")
        elif len(changes) > MAX_CHANGES:
            text = f"the file has {len(changes):,} tempo changes; a song may have {MAX_CHANGES:,}"
            self._tell("tempo", text, "write `tempo` and `tempo-changes` in the session")
        else:
            self.update["tempo"] = first
            if "tempo_changes" not in self.song.model_fields_set:
                self.update["tempo_changes"] = [
                    TempoChangeSpec.model_construct(
                        at=Moment(meters.position(Fraction(tick, smf.ppq))), tempo=bpm_of(us), over=None
                    )
                    for tick, us in changes
                ]
        return meters

    def _meters(self, smf: SmfFile) -> MeterMap | None:
        if self.song.model_fields_set & {"meter", "meter_changes"}:
            return meters_alone(self.song)
        hint = "write `meter` and `meter-changes` in the session"
        try:
            meters = meters_from(smf)
        except PartFileError as error:
            self._tell("tempo", str(error), hint)
            return None
        for bar, meter in [(1, meters.first), *meters.changes]:
            if meter.numerator > _MAX_BEATS or meter.denominator > _MAX_DENOMINATOR:
                self._tell("tempo", f"the file has the meter {meter} at bar {bar}, which a song cannot", hint)
                return None
        self.update["meter"] = meters.first
        self.update["meter_changes"] = [
            MeterChangeSpec.model_construct(at=Moment(Position(bar)), meter=meter)
            for bar, meter in meters.changes
        ]
        return meters

    def _length(self, value: FromFile, meters: MeterMap) -> None:
        smf = self._file("length", value)
        if smf is None:
            return
        bars = bars_to(smf, meters, smf.end_tick)
        if bars > MAX_BARS:
            self._tell("length", f"the file has {bars:,} bars; a song may have {MAX_BARS:,}")
        else:
            self.update["length"] = Span(Fraction(bars), Unit.BARS)

    def _sections(self, value: FromFile, meters: MeterMap) -> None:
        if any(isinstance(change.at.base, SectionName) for change in self.song.meter_changes):
            text = "cannot come from a file where meter changes stand at sections: they say where bars begin"
            self._tell("sections", text, "write the meter changes as `bar N`")
            return
        smf = self._file("sections", value)
        if smf is None:
            return
        found = sections_from(smf, meters)
        for notice in found.notices:
            self._tell("sections", notice.message, severity="warning")
        self.update["sections"] = dict(found.bars)

    def _drop_what_lies_behind(self) -> None:
        """Leave out what the file has behind the song's last bar, and say so."""
        length = self.update.get("length", self.song.length)
        if not isinstance(length, Span):
            return
        bars = int(length.amount)
        sections = self.update.get("sections", {})
        behind = [name for name, bar in sections.items() if bar > bars]
        if behind:
            self.update["sections"] = {name: bar for name, bar in sections.items() if bar <= bars}
            text = f"the file has {', '.join(behind[:5])} behind the song's last bar, {bars}; left out"
            self._tell("sections", text, severity="note")
        late = 0
        for key in ("tempo_changes", "meter_changes"):
            changes = self.update.get(key, [])
            kept = [change for change in changes if change.at.base.bar <= bars]
            late += len(changes) - len(kept)
            self.update.update({key: kept} if changes else {})
        if late:
            text = f"the file has {late} changes of tempo or meter behind the song's last bar, {bars}"
            self._tell("tempo", f"{text}; left out", severity="note")
