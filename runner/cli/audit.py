"""`takewright audit`: what happened in a take."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option, takes_folder
from runner.errors import UsageError

if TYPE_CHECKING:
    from runner.takes.store import Store


@click.command("audit")
@click.argument("take", default="last")
@click.option(
    "--takes-folder", "folder", default="", metavar="DIR", help="Where takes lie, or the session file."
)
@json_option
def command(take: str, folder: str, as_json: bool) -> int:
    """Say what happened in TAKE: a folder, a name such as 'Ropewalk/7', or 'last'.

    Names are looked up in `takes` in the current folder, or where --takes-folder says. Exits 0 if the
    take was clean, 1 if not.
    """
    from runner.audit.text import audit_take, audit_text
    from runner.takes.reader import read_take

    path = take_store(folder).find(take)
    summary = audit_take(read_take(path))
    if as_json:
        click.echo(json.dumps(summary, indent=2, ensure_ascii=False))
    else:
        click.echo(audit_text(summary), nl=False)
    return 0 if summary["verdict"] == "clean" else 1


def take_store(given: str) -> Store:
    """Return the takes under a folder or of a session; a take that is named by its own folder needs none."""
    from runner.takes.store import Store

    try:
        return Store(takes_folder(given))
    except UsageError:
        if given:
            raise
        return Store("takes")
