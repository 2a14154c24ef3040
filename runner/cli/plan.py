"""`takewright plan`: everything that would be sent, in order."""

from __future__ import annotations

import json
import sys
from collections.abc import Collection, Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import json_option, rehearsal_options, session_argument, song_option
from runner.cli.wording import clock_text, width, wrapped

if TYPE_CHECKING:
    from runner.music.moment import Span
    from runner.plan.compile import CompiledSong
    from runner.plan.rehearsal import Rehearsal
    from runner.plan.score import Score

_HEAD = f"{'seconds':>10}  {'moment':<22}  {'to':<12}  what"


@click.command("plan")
@session_argument
@song_option
@rehearsal_options
@json_option
@click.option("--all", "show_all", is_flag=True, help="Show each clock and note, not summed up.")
def command(session: str, song: str, rehearsal: Rehearsal, as_json: bool, show_all: bool) -> int:
    """Show everything that a roll of SESSION would send, song by song.

    First a picture of the song bar by bar and its parts in figures, then what is sent, in order. Seconds
    count from bar 1 beat 1, machine offsets applied. Clocks and the notes of parts are summed up in the
    text; --all has a line for each message, --json has them all for programs.
    """
    from runner.desk.prepare import read_session

    prepared = read_session(session)
    names = [song] if song else [spec.song for spec in prepared.session.songs]
    songs = ((name, prepared.compile(name, rehearsal=rehearsal)) for name in names)
    if as_json:
        click.echo(json.dumps([row for _, compiled in songs for row in compiled.rows()]))
        return 0
    for number, (name, compiled) in enumerate(songs):
        if number:
            click.echo("")
        if show_all:
            click.echo(name)
        else:
            sounding = prepared.song(name)[1].sounding
            _draw(compiled, sounding & rehearsal.silent(sounding))
        _show(compiled, show_all)
    return 0


def _draw(compiled: CompiledSong, silent: Collection[str]) -> None:
    """Show the song as a picture, and its parts in figures; the notes of `silent` machines are not played."""
    from runner.plan.part_facts import part_facts
    from runner.plan.picture import pen_for, song_picture

    time, score = compiled.time, compiled.score
    assert score is not None
    seconds = time.tempo.ns_at(time.end_quarters) / 1e9
    bars = time.meters.position(time.end_quarters).bar - 1
    edges = [f"{name} {span}" for name, span in _edges(score) if span.amount]
    click.echo(wrapped(", ".join([f"{score.song}: {bars} bars, {clock_text(seconds)}", *edges])))
    click.echo("")
    pen = pen_for(getattr(sys.stdout, "encoding", None))
    for line in song_picture(compiled, width(), pen, silent):
        click.echo(wrapped(line, "", "  ") if len(line) > width() else line)
    click.echo("")
    facts = part_facts(score)
    for part in facts:
        click.echo(wrapped(f"{part.machine}: {part.text}", "  ", "    "))
    if facts:
        click.echo("")


def _edges(score: Score) -> list[tuple[str, Span]]:
    return [("lead", score.lead), ("pre-roll", score.pre_roll), ("tail", score.tail)]


def _show(compiled: CompiledSong, show_all: bool) -> None:
    for left_out in compiled.left_out:
        click.echo(wrapped(f"{left_out.machine} {left_out.text}", "  ", "    "))
    click.echo(_HEAD)
    rows = compiled.rows()
    for line in (_line(row) for row in rows) if show_all else _summed(rows):
        click.echo(line)


def _line(row: dict[str, Any]) -> str:
    return _columns(row["t_ns"], row["at"], row["machine"] or row["port"], row["what"])


def _columns(t_ns: int | None, at: str, place: str, what: str) -> str:
    seconds = f"{t_ns / 1e9:>10.4f}" if t_ns is not None else " " * 10
    return wrapped(what, f"{seconds}  {at:<22}  {place:<12}  ", " " * 50)


def _summed(rows: Iterator[dict[str, Any]]) -> Iterator[str]:
    """Yield a line for each message; runs of clocks and of parts' notes as a line for each receiver."""
    for is_mass, group in groupby(rows, key=_is_mass):
        if not is_mass:
            yield from (_line(row) for row in group)
            continue
        counts: dict[tuple[str, str], int] = {}
        first: dict[str, Any] | None = None
        for row in group:
            clock = row["bytes"] == "F8"
            key = (row["port"], "clock") if clock else (row["machine"] or row["port"], "message of its parts")
            counts[key] = counts.get(key, 0) + 1
            first = first or row
            last = row
        assert first is not None
        until = f"to {last['at']}" if last["at"] != first["at"] else ""
        for number, ((place, what), count) in enumerate(counts.items()):
            noun = what.replace("clock", "clocks").replace("message ", "messages ") if count != 1 else what
            if number == 0:
                yield _columns(first["t_ns"], first["at"], place, f"{count} {noun}")
            else:
                yield _columns(None, until if number == 1 else "", place, f"{count} {noun}")
        if len(counts) == 1 and until:
            yield f"{'':>10}  {until}"


def _is_mass(row: dict[str, Any]) -> bool:
    return row["bytes"] == "F8" or ".parts[" in str(row["source"])
