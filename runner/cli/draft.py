"""`takewright draft`: a session from a Standard MIDI File."""

from __future__ import annotations

import os
from pathlib import Path

import click


@click.command("draft")
@click.argument("file", type=click.Path(dir_okay=False))
@click.option("--write", "target", default="", metavar="SESSION", help="Write there, not to the terminal.")
def command(file: str, target: str) -> int:
    """Draft a session from the Standard MIDI FILE: tempo, meters, sections, machines, programs, parts.

    The draft is commented and passes check; its machines hang on a port to be named by you. A session
    that is there already is not overwritten.
    """
    from runner.desk.prepare import read_part
    from runner.errors import UsageError
    from runner.plan.draft import draft_session
    from runner.plan.smf import read_smf

    # a session names its parts as seen from itself
    seen_from = Path(target).parent if target else Path()
    part = os.path.relpath(file, seen_from)
    text = draft_session(read_smf(read_part(Path(file)), file), part)
    if not target:
        click.echo(text, nl=False)
        return 0
    try:
        with Path(target).open("x", encoding="utf-8") as session:
            session.write(text)
    except FileExistsError:
        raise UsageError(f"{target} is there already; name another file, or move it away") from None
    except OSError as error:
        raise UsageError(f"{target} cannot be written: {error.strerror or error}") from None
    click.echo(f"written: {target}; next: takewright check {target}")
    return 0
