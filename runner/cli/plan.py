"""`takewright plan`: everything that would be sent, in order."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import from_option, json_option, session_argument, song_option

if TYPE_CHECKING:
    from runner.plan.compile import CompiledSong


@click.command("plan")
@session_argument
@song_option
@from_option
@json_option
@click.option("--all", "show_all", is_flag=True, help="Show each clock and note, not summed up.")
def command(session: str, song: str, from_moment: str, as_json: bool, show_all: bool) -> int:
    """Show everything that a roll of SESSION would send, song by song.

    Times are from bar 1 beat 1, machine offsets applied. Clocks and the notes of parts are summed up in
    the text; --json has every message.
    """
    from runner.desk.prepare import read_session

    prepared = read_session(session)
    names = [song] if song else [spec.song for spec in prepared.session.songs]
    rows: list[dict[str, Any]] = []
    for name in names:
        compiled = prepared.compile(name, from_moment)
        if as_json:
            rows += compiled.rows()
        else:
            _show(name, compiled, show_all)
    if as_json:
        click.echo(json.dumps(rows, indent=None))
    return 0


def _show(name: str, compiled: CompiledSong, show_all: bool) -> None:
    click.echo(name)
    for left_out in compiled.left_out:
        click.echo(f"  left out: {left_out}")
    rows = compiled.rows()
    for line in (_line(row) for row in rows) if show_all else _summed(rows):
        click.echo(f"  {line}")
    click.echo("")


def _line(row: dict[str, Any]) -> str:
    place = row["machine"] or row["port"]
    return f"{row['t_ns'] / 1e9:>10.4f} s  {row['at']:<22} {place:<14} {row['what']}"


def _summed(rows: Iterator[dict[str, Any]]) -> Iterator[str]:
    """Yield a line for each message, with runs of clocks and of a part's notes as one line."""
    pending: list[dict[str, Any]] = []
    for is_mass, group in groupby(rows, key=_is_mass):
        if not is_mass:
            yield from (_line(row) for row in group)
            continue
        pending = list(group)
        counts: dict[tuple[str, str], int] = {}
        for row in pending:
            key = ("clocks", row["port"]) if row["bytes"] == "F8" else ("part messages", row["machine"])
            counts[key] = counts.get(key, 0) + 1
        told = ", ".join(f"{count} {what} to {place}" for (what, place), count in counts.items())
        first, last = pending[0], pending[-1]
        until = f" .. {last['at']}" if last is not first else ""
        yield f"{first['t_ns'] / 1e9:>10.4f} s  {first['at']}{until}: {told}"


def _is_mass(row: dict[str, Any]) -> bool:
    return row["bytes"] == "F8" or ".parts[" in str(row["source"])
