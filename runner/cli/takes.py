"""`takewright takes`: what has been recorded."""

from __future__ import annotations

import json
from collections import Counter
from itertools import groupby
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option, takes_folder
from runner.cli.wording import clock_text, local_time, plural, shortened, table, width

if TYPE_CHECKING:
    from runner.takes.index import TakeEntry

_HEAD = ("started", "song", "pass", "take", "verdict", "length", "findings")
_LONGEST_NAME = 18
_NOT_CLOSED = "open"


@click.command("takes")
@click.argument("folder", default="")
@json_option
def command(folder: str, as_json: bool) -> int:
    """List the takes under FOLDER, oldest first. A damaged one is listed as such.

    FOLDER is a takes folder or a session file; without it, `takes` in the current folder.
    """
    from runner.takes.store import Store

    path = takes_folder(folder)
    entries = Store(path).takes()
    if as_json:
        click.echo(json.dumps([entry.to_dict() for entry in entries], indent=2))
        return 0
    if not entries:
        click.echo(f"no takes in {path}")
        return 0
    for session, group in groupby(entries, key=lambda entry: entry.session):
        click.echo(shortened(session, width()))
        for line in table([_HEAD, *map(_row, group)], right=(3, 5), indent="  "):
            click.echo(shortened(line, width()))
    verdicts = Counter(entry.verdict or _NOT_CLOSED for entry in entries)
    told = ", ".join(f"{count} {verdict}" for verdict, count in verdicts.most_common())
    click.echo(f"{plural(len(entries), 'take')} in {path}: {told}")
    return 0


def _row(entry: TakeEntry) -> tuple[str, ...]:
    codes = ", ".join(entry.codes)
    return (
        local_time(entry.started_at) if entry.started_at else "?",
        shortened(entry.song, _LONGEST_NAME),
        shortened(entry.pass_name, _LONGEST_NAME),
        str(entry.number),
        entry.verdict or _NOT_CLOSED,
        clock_text(entry.seconds) if entry.seconds else "-",
        codes,
    )
