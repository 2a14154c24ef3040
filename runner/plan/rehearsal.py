"""Compiles a song as a `Rehearsal` asks; what that is stands in `runner.music.rehearsal`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from runner.errors import UsageError
from runner.music.rehearsal import MAX_PERCENT, MIN_PERCENT, Rehearsal, parse_percent, percent_text
from runner.plan.compile import CompiledSong, compile_song
from runner.plan.parts import PartNotes
from runner.plan.stretch import LegState
from runner.session.marks import Marks
from runner.session.model import Session, SongSpec
from runner.session.wording import near_match


def check_machines(session: Session, names: Iterable[str], what: str) -> None:
    """Raise `UsageError` for the first of `names` that is no machine of the session; `what` asked for it."""
    for name in names:
        if name not in session.machines:
            raise UsageError(f"{what} {name}: no machine of this name; {near_match(name, session.machines)}")


def compile_rehearsal(
    session: Session,
    song: SongSpec,
    parts: Mapping[int, PartNotes],
    rehearsal: Rehearsal,
    *,
    follows: LegState | None = None,
    straight_on: bool = False,
    marks: Marks | None = None,
    strict: bool = True,
) -> CompiledSong:
    """Return `song` compiled as `rehearsal` asks.

    The other parameters are those of `compile_song`.

    Raises:
        UsageError: the rehearsal asks for what the song or the session does not have.
        PlanError: something of the song cannot be played as written.
    """
    check_machines(session, rehearsal.muted, "mute")
    check_machines(session, rehearsal.soloed, "solo")
    return compile_song(
        session,
        song,
        parts,
        from_=rehearsal.from_,
        to=rehearsal.to,
        loops=rehearsal.loops,
        tempo_scale=rehearsal.tempo_scale,
        muted=rehearsal.silent(song.sounding),
        restart_notes=rehearsal.sustained,
        follows=follows,
        straight_on=straight_on,
        marks=marks,
        strict=strict,
    )


__all__ = [
    "MAX_PERCENT",
    "MIN_PERCENT",
    "Rehearsal",
    "check_machines",
    "compile_rehearsal",
    "parse_percent",
    "percent_text",
]
