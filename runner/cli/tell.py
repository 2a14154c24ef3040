"""`takewright tell`: gives the running daemon an order, and says what became of it."""

from __future__ import annotations

import difflib
import json
import os
import sys
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option, rehearsal_options
from runner.cli.wording import say
from runner.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from runner.music.rehearsal import Rehearsal

session_option = click.option(
    "--session", "session_file", default="", metavar="FILE", help="The daemon of this session file."
)
socket_option = click.option(
    "--socket", "socket_file", default="", metavar="PATH", help="The daemon at this control socket."
)


@click.command("tell")
@click.argument("order", nargs=-1, required=True, metavar="ORDER [NAME]")
@session_option
@socket_option
@rehearsal_options
@json_option
def command(
    order: tuple[str, ...], session_file: str, socket_file: str, rehearsal: Rehearsal, as_json: bool
) -> int:
    """Tell the daemon what to do.

    \b
    roll [SONG]      stop             again            go
    next             previous         song SONG        place N
    arm              order SONG, SONG, ...
    mark [TEXT]      keep             discard
    mute MACHINE     unmute MACHINE   solo MACHINE     panic
    check            reload           quit             status

    With roll, --from, --to, --loop, --tempo, --mute, --solo and --sustained say how the song is rehearsed:
    one take, after which the running order is where it was. `again` repeats it.

    With neither --session nor --socket it is the only daemon that runs. What makes no sense just now is
    refused, and not kept for later.

    Exits 0 if it is done, 1 if it is refused, 2 if there is no such order, 3 if no daemon answers.
    """
    from runner.desk.actions import read_order, with_rehearsal
    from runner.desk.client import ControlClient, find_socket

    wanted = " ".join(order).strip()
    try:
        meant = None if wanted == "status" else read_order(wanted)
    except ValueError as error:
        text = str(error).replace(
            "it is one of ", "it is one of status, "
        )  # which is no order, but is told here
        if "did you mean" not in text and difflib.get_close_matches(order[0], ["status"]):
            text = f"no order {wanted!r}; did you mean status?"
        raise UsageError(f"{text} (takewright tell --help lists them)") from None
    try:
        meant = meant and with_rehearsal(meant, rehearsal)
    except ValueError as error:
        raise UsageError(str(error)) from None
    if meant is None and not rehearsal.is_plain:
        raise UsageError(f"status takes no {rehearsal.text!r}: that goes with roll")
    path = find_socket(socket_file, session_file, os.environ, os.getuid())
    with ControlClient(path) as client:
        if meant is None:
            return _show_status(client, as_json)
        outcome = client.order(meant.word, meant.name, rehearsal=meant.rehearsal.words())
    if as_json:
        click.echo(json.dumps({"order": str(meant), "done": outcome.done, "text": outcome.text}))
    elif outcome.done:
        say(outcome.text or "done", sys.stdout)
    else:
        say(f"refused: {outcome.text}", sys.stderr)
    return int(ExitCode.OK if outcome.done else ExitCode.NOT_CLEAN)


def _show_status(client: object, as_json: bool) -> int:
    from runner.cli.watch_text import snapshot
    from runner.cli.wording import width
    from runner.desk.client import ControlClient

    assert isinstance(client, ControlClient)
    status = client.status()
    click.echo(json.dumps(status.to_dict()) if as_json else "\n".join(snapshot(status, width())))
    return int(ExitCode.OK)
