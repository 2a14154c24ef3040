"""`takewright run`: the daemon; with --song it rolls that song and exits."""

from __future__ import annotations

import os
from pathlib import Path

import click

from runner.cli.options import folder_option, from_option, session_argument, song_option


@click.command("run")
@session_argument
@song_option
@click.option(
    "--takes", type=click.IntRange(1, 10_000), default=1, show_default=True, help="Takes of each song."
)
@from_option
@click.option(
    "--pass", "pass_name", default="", metavar="PASS", help="What is being recorded: 'bass overdub'."
)
@folder_option
def command(session: str, song: str, takes: int, from_moment: str, pass_name: str, takes_folder: str) -> int:
    """Roll takes of SESSION: the named song, or every song of its running order, one after the other.

    Ctrl-C stops the machines, silences them and closes the take. Exits 0 if every take was clean, 1 if
    one was not, 2 for a bad session, 3 if a port is missing, 130 after Ctrl-C.
    """
    from runner.cli.view import RunView
    from runner.desk.job import Job
    from runner.keeper.keeper import Keeper, new_run_name

    job = Job(
        session_file=os.path.abspath(session),
        run=new_run_name(),
        song=song,
        takes=takes,
        from_moment=from_moment,
        pass_name=pass_name,
        takes_folder=str(Path(takes_folder).absolute()) if takes_folder else "",
    )
    with RunView() as view:
        code = Keeper(job, view).run()
    for text in view.errors:
        for number, line in enumerate(text.splitlines()):
            click.echo(line if number else f"takewright: {line}", err=True)
    return int(code)
