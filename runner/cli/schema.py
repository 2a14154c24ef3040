"""`takewright schema`: the JSON Schema of session files."""

from __future__ import annotations

import click


@click.command("schema")
def command() -> None:
    """Print the JSON Schema of session files, for editors that complete and check as you type.

    Write it to a file, and name that file in the first line of a session:

    \b
    # yaml-language-server: $schema=session.schema.json
    """
    from runner.session.schema import schema_text

    click.echo(schema_text(), nl=False)
