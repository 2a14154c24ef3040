"""`takewright takes`: what has been recorded."""

from __future__ import annotations

import json

import click

from runner.cli.options import json_option


@click.command("takes")
@click.argument("folder", default="takes", type=click.Path(file_okay=False))
@json_option
def command(folder: str, as_json: bool) -> int:
    """List the takes under FOLDER (default: takes), oldest first. A damaged one is listed as such."""
    from pathlib import Path

    from runner.errors import UsageError
    from runner.takes.store import Store

    if not Path(folder).is_dir():
        raise UsageError(f"no folder {folder}; name the takes folder of your session")
    entries = Store(folder).takes()
    if as_json:
        click.echo(json.dumps([entry.to_dict() for entry in entries], indent=2))
        return 0
    if not entries:
        click.echo(f"no takes in {folder}")
        return 0
    head = ("started", "song", "pass", "take", "verdict", "session")
    rows = [
        (
            entry.started_at.replace("T", " ")[:19],
            entry.song,
            entry.pass_name,
            str(entry.number),
            entry.verdict or "not closed",
            entry.session,
        )
        for entry in entries
    ]
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]
    for row in [head, *rows]:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    return 0
