"""From a session file on disk to what the engine needs: rig, and songs compiled with their parts."""

from __future__ import annotations

import contextlib
import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from runner.errors import PartFileError, PlanError, Problem, Severity, UsageError
from runner.music.moment import Moment, Unit, parse_moment
from runner.plan.compile import CompiledSong
from runner.plan.parts import PartNotes, select_part
from runner.plan.rehearsal import Rehearsal, compile_rehearsal
from runner.plan.smf import MAX_FILE_BYTES, read_smf
from runner.plan.smf_file import SmfFile
from runner.plan.stretch import LegState
from runner.plan.take_over import files_wanted, with_files
from runner.play.commands import ClockPolicy, RigConfig, RigMachine
from runner.ports.base import Medium, PortConfig
from runner.session.load import LoadedSession, load_session
from runner.session.model import Session
from runner.session.model_rig import PortSpec
from runner.session.model_song import SongSpec

_CLOCKS = {Unit.BARS: 96, Unit.BEATS: 24, Unit.QUARTERS: 24}  #: of a freewheel span; a bar is four quarters


@dataclass(frozen=True, slots=True)
class Prepared:
    """A session that was read from `file`; `files` are part files that were read for it already, by name.

    `held` are the bytes of part files as they were when the session was accepted; others are on the disk.
    """

    file: Path
    loaded: LoadedSession
    files: Mapping[str, SmfFile] = field(default_factory=dict)
    held: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def session(self) -> Session:
        """The session's model."""
        return self.loaded.session

    def song(self, name: str) -> tuple[int, SongSpec]:
        """Return a song and its place in the file; `UsageError` names the near matches."""
        for index, song in enumerate(self.session.songs):
            if song.song == name:
                return index, song
        names = [song.song for song in self.session.songs]
        near = difflib.get_close_matches(name, names, n=2, cutoff=0.4)
        hint = f"did you mean {' or '.join(near)}?" if near else f"it has {', '.join(names)}"
        raise UsageError(f"{self.file}: no song {name!r}; {hint}")

    def compile(
        self,
        name: str,
        from_moment: str = "",
        rehearsal: Rehearsal | None = None,
        *,
        follows: LegState | None = None,
        straight_on: bool = False,
    ) -> CompiledSong:
        """Compile a song with its parts: the whole, from a moment, or as a rehearsal asks.

        A song that goes straight on to another is compiled with `straight_on`, the other with what the
        first left behind (`follows`).

        Raises:
            UsageError: no such song, or something asked for that it does not have.
            PlanError: everything in the song that cannot be played, part files included.
        """
        index, song = self.song(name)
        if rehearsal is None:
            rehearsal = Rehearsal(from_=moment_of(from_moment) if from_moment else None)
        parts, problems = self.parts(index, song)
        if any(problem.severity == "error" for problem in problems):
            raise PlanError(problems)
        return compile_rehearsal(
            self.session,
            song,
            parts,
            rehearsal,
            follows=follows,
            straight_on=straight_on,
            marks=self.loaded.marks,
        )

    def parts(self, index: int, song: SongSpec) -> tuple[dict[int, PartNotes], list[Problem]]:
        """Read the part files of a song, each once; the problems are errors and notices."""
        files = dict(self.files)
        parts: dict[int, PartNotes] = {}
        problems: list[Problem] = []
        notices: list[Problem] = []
        for number, spec in enumerate(song.parts):
            try:
                if spec.file not in files:
                    files[spec.file] = read_smf(
                        self.held.get(spec.file) or read_part(self.file.parent / spec.file), spec.file
                    )
                machine = self.session.machines[spec.machine]
                if spec.to_channel is None and machine.channel is not None:
                    spec = spec.model_copy(update={"to_channel": machine.channel})
                parts[number] = select_part(files[spec.file], spec, programs=spec.programs)
                for notice in (*files[spec.file].notices, *parts[number].notices):
                    path = ("songs", index, "parts", number, "file")
                    severity: Severity = "warning" if notice.severity == "error" else notice.severity
                    told = self.loaded.marks.problem(path, notice.message, severity=severity)
                    notices.append(told)
            except PartFileError as error:
                path = ("songs", index, "parts", number, "file")
                problems.append(self.loaded.marks.problem(path, str(error)))
        return parts, [*problems, *dict.fromkeys(notices)]


def read_session(file: str | Path, *, hold: bool = False) -> Prepared:
    """Read and check a session file; with `hold` its part files too, to stay as they are now.

    Raises:
        UsageError: it cannot be read.
        SessionError: it is bad.
    """
    path = Path(file)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(f"session file {path} cannot be read: {error.strerror or error}") from None
    loaded = load_session(data, str(path))
    return prepare(path, loaded, _parts_there(path, loaded) if hold else {})


def _parts_there(path: Path, loaded: LoadedSession) -> dict[str, bytes]:
    """Return the bytes of all part files that can be read; the others are missed when they are needed."""
    names = [*files_wanted(loaded), *(part.file for song in loaded.session.songs for part in song.parts)]
    there: dict[str, bytes] = {}
    for name in dict.fromkeys(names):
        with contextlib.suppress(PartFileError):
            there[name] = read_part(path.parent / name)
    return there


def prepare(path: Path, loaded: LoadedSession, held: Mapping[str, bytes] | None = None) -> Prepared:
    """Return a loaded session that lies at `path` with what its songs take from part files filled in.

    `held` are part files by name that are not to be read from the disk.

    Raises:
        SessionError: a file that is not there or does not fit; carries every problem.
    """
    held = held or {}
    wanted = files_wanted(loaded)
    if not wanted:
        return Prepared(path, loaded, held=held)
    files: dict[str, SmfFile | PartFileError] = {}
    for name in wanted:
        try:
            files[name] = read_smf(held.get(name) or read_part(path.parent / name), name)
        except PartFileError as error:
            files[name] = error
    filled = with_files(loaded, files)
    read = {name: each for name, each in files.items() if isinstance(each, SmfFile)}
    return Prepared(path, filled, read, held)


def read_part(path: Path) -> bytes:
    """Return the bytes of a part file; `PartFileError` if it cannot be read or is too large."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PartFileError(f"larger than {MAX_FILE_BYTES // 2**20} MiB", file=str(path))
        return path.read_bytes()
    except OSError as error:
        raise PartFileError(f"cannot be read: {error.strerror or error}", file=str(path)) from None


def moment_of(text: str) -> Moment:
    """Return the moment that a command line names; `UsageError` says how one is written."""
    try:
        return parse_moment(text)
    except ValueError as error:
        raise UsageError(f"{text!r}: {error}") from None


def rig_of(session: Session, *, wait: bool = False) -> RigConfig:
    """Return the rig as the engine needs it: ports and machines numbered in the order of the file.

    Ports that no roll must wait for may come later; with `wait` all may.
    """
    numbers = {name: index for index, name in enumerate(session.ports)}
    optional = session.optional_ports
    return RigConfig(
        ports=tuple(
            replace(
                port_config(name, spec), wait=wait or name in optional, required=name not in optional
            ).to_dict()
            for name, spec in session.ports.items()
        ),
        machines=tuple(
            RigMachine(
                name=name,
                port=numbers[spec.port],
                channel=spec.channel,
                follows=tuple(spec.follows),
                all_notes_off=spec.silence.all_notes_off,
                reset_controllers=spec.silence.reset_controllers,
                all_sound_off=spec.silence.all_sound_off,
            )
            for name, spec in session.machines.items()
        ),
        clock=clock_policy(session, numbers),
    )


def clock_policy(session: Session, numbers: Mapping[str, int]) -> ClockPolicy:
    """Return whose clock rules; `numbers` are the ports' numbers by name."""
    clock = session.clock
    if clock.source == "internal" or clock.port is None:
        return ClockPolicy()
    span = clock.on_dropout.freewheel
    on_port = [name for name, machine in session.machines.items() if machine.port == clock.port]
    straight = {numbers[machine.port] for machine in session.machines.values() if machine.relay == "straight"}
    return ClockPolicy(
        source=clock.source,
        port=numbers[clock.port],
        machine=", ".join(on_port) or clock.port,
        freewheel_clocks=max(1, round(span.amount * _CLOCKS[span.unit])) if span.is_musical else 48,
        freewheel_ns=None if span.is_musical else max(1, span.ns),
        then=clock.on_dropout.then,
        straight_ports=tuple(sorted(straight)),
        tempo_limit_percent=float(session.limits.tempo_percent),
        frame_rate=clock.frame_rate or "",
    )


def port_config(name: str, spec: PortSpec) -> PortConfig:
    """Return the settings by which a port of the session is opened."""
    medium: Medium = "system" if spec.match else "virtual" if spec.create else "simulated"
    if spec.simulate == "sink":
        medium = "null"
    return PortConfig(
        name=name,
        medium=medium,
        match=spec.match or "",
        create=spec.create or "",
        simulate=spec.simulate or "",
        direction=spec.direction,
        raw=spec.raw,
        faults={**spec.settings, **spec.faults},
    )
