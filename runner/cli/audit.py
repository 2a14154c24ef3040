"""`takewright audit`: what happened in a take."""

from __future__ import annotations

import json

import click

from runner.cli.options import json_option


@click.command("audit")
@click.argument("take", default="last")
@click.option("--takes-folder", default="takes", show_default=True, metavar="DIR", help="Where takes lie.")
@json_option
def command(take: str, takes_folder: str, as_json: bool) -> int:
    """Say what happened in TAKE: a folder, a name such as 'Ropewalk/7', or 'last'.

    Exits 0 if the take was clean, 1 if not.
    """
    from runner.audit.text import audit_take, audit_text
    from runner.takes.reader import read_take
    from runner.takes.store import Store

    folder = Store(takes_folder).find(take)
    summary = audit_take(read_take(folder))
    if as_json:
        click.echo(json.dumps(summary, indent=2, ensure_ascii=False))
    else:
        click.echo(audit_text(summary))
    return 0 if summary["verdict"] == "clean" else 1
