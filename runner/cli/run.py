"""`takewright run`: the daemon; with --song or --roll it rolls that and exits."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import folder_option, rehearsal_options, session_argument, song_option
from runner.cli.wording import say
from runner.errors import UsageError

if TYPE_CHECKING:
    from runner.plan.rehearsal import Rehearsal


@click.command("run")
@session_argument
@song_option
@click.option("--roll", is_flag=True, help="Roll the running order at once, and exit after its last song.")
@click.option(
    "--takes", type=click.IntRange(1, 10_000), default=1, show_default=True, help="Takes of each song."
)
@rehearsal_options
@click.option(
    "--pass", "pass_name", default="", metavar="PASS", help="What is being recorded: 'bass overdub'."
)
@folder_option
@click.option("--socket-group", default="", metavar="GROUP", help="Let this group use `tell` and `watch`.")
def command(
    session: str,
    song: str,
    roll: bool,
    takes: int,
    rehearsal: Rehearsal,
    pass_name: str,
    takes_folder: str,
    socket_group: str,
) -> int:
    """Be ready for SESSION, and roll when told to: by a pedal, by `takewright tell roll`, by its schedule.

    With --song takes of that song are rolled at once, with --roll the running order, and it exits after
    the last. Ctrl-C stops the machines, silences them and closes the take.

    Exits 0 if every take was clean, 1 if one was not, 2 for a bad session, 3 if a port is missing, 130
    after Ctrl-C.
    """
    from runner.desk.job import Job
    from runner.desk.socket_path import socket_path
    from runner.keeper.keeper import Keeper, new_run_name

    if roll and song:
        raise UsageError("--roll rolls the running order, --song one song: give one of them")
    if not song and (rehearsal.from_ or rehearsal.to or rehearsal.loops):
        raise UsageError("--from, --to and --loop name places of one song: say which with --song")
    if takes > 1 and not (song or roll):
        raise UsageError("--takes goes with --song or --roll; the daemon rolls one take when it is told to")
    job = Job(
        session_file=os.path.abspath(session),
        run=new_run_name(),
        mode="song" if song else "order" if roll else "stay",
        song=song,
        takes=takes,
        rehearsal=rehearsal.to_dict(),
        pass_name=pass_name,
        takes_folder=str(Path(takes_folder).absolute()) if takes_folder else "",
        socket=str(socket_path(session, os.environ, os.getuid())),
        socket_group=socket_group,
    )
    if job.mode == "stay" and not sys.stdout.isatty():  # a service: for the journal, or for a log file
        from runner.cli.service_view import ServiceView

        with ServiceView(session) as service:
            return int(Keeper(job, service).run())
    from runner.cli.view import RunView

    with RunView() as view:
        code = Keeper(job, view).run()
    for text in view.errors:
        say(f"takewright: {text}", sys.stderr)
    return int(code)
