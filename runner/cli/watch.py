"""`takewright watch`: what the daemon is doing, live."""

from __future__ import annotations

import contextlib
import json
import os
import select
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option
from runner.cli.tell import session_option, socket_option
from runner.errors import ExitCode, NoDaemonError

if TYPE_CHECKING:
    from rich.console import Console, ScreenContext
    from rich.text import Text

    from runner.desk.client import ControlClient
    from runner.desk.status import Status

_QUIET_S = 3.0  #: without news for so long, the view says so; the daemon sends a sign of life each second
_RETRY_S = 1.0
_TURN_S = 0.5
_LEAVE = ("q", "Q", "\x1b", "\x04")  #: q, escape, Ctrl-D


@click.command("watch")
@session_option
@socket_option
@click.option("--once", is_flag=True, help="Print what it does now, and exit.")
@json_option
def command(session_file: str, socket_file: str, once: bool, as_json: bool) -> int:
    """Show what the daemon is doing: song, bar and beat, next cue, clock, ports, takes, alarms.

    On a terminal the view stays and follows; q leaves it, and the daemon goes on. Elsewhere a line is
    printed for each thing that changes, with --json one for each status.

    Exits 0 when left, 3 if no daemon answers.
    """
    from runner.desk.client import ControlClient, find_socket

    path = find_socket(socket_file, session_file, os.environ, os.getuid())
    with ControlClient(path) as client:
        if once:
            _print_once(client, as_json)
            return int(ExitCode.OK)
        if as_json or not (sys.stdout.isatty() and sys.stdin.isatty()):
            return _follow_in_lines(client, as_json)
    return _live(path)


def _print_once(client: ControlClient, as_json: bool) -> None:
    from runner.cli.watch_text import snapshot
    from runner.cli.wording import width

    status = client.status()
    click.echo(json.dumps(status.to_dict()) if as_json else "\n".join(snapshot(status, width())))


def _follow_in_lines(client: ControlClient, as_json: bool) -> int:
    """Print until the daemon ends; its end is no error of ours."""
    from runner.cli.watch_text import changes

    client.watch()
    before: Status | None = None
    while True:
        try:
            status = client.next_status(_QUIET_S)
        except NoDaemonError as error:
            click.echo(str(error), err=True)
            return int(ExitCode.OK)
        if status is None:
            continue
        if as_json:
            click.echo(json.dumps(status.to_dict()))
        else:
            for line in changes(before, status):
                click.echo(f"{time.strftime('%H:%M:%S')}  {line}")
        before = status
        sys.stdout.flush()


# ---------------------------------------------------------------------- the live view


def _live(path: Path) -> int:
    """Show the view until a key leaves it; a daemon that ends is looked for until it is back."""
    from rich.console import Console

    from runner.desk.client import ControlClient

    console = Console(highlight=False)
    with _raw_keys(), console.screen(hide_cursor=True) as area:
        view = _View(console, area)
        while True:
            try:
                with ControlClient(path, timeout_s=2.0) as client:
                    client.watch()
                    if view.follow(client):
                        return int(ExitCode.OK)
            except NoDaemonError as error:
                if view.wait(str(error)):
                    return int(ExitCode.OK)


class _View:
    """Draws a status, and only when there is something else to be seen."""

    def __init__(self, console: Console, area: ScreenContext) -> None:
        from runner.desk.status import Status

        self._console = console
        self._area = area
        self._status = Status()
        self._drawn: object = None

    def follow(self, client: ControlClient) -> bool:
        """Show what comes, until a key leaves (True)."""
        heard = time.monotonic()
        while True:
            ready, _, _ = select.select([client.fileno(), sys.stdin], [], [], _TURN_S)
            if sys.stdin in ready and _leaves():
                return True
            while (status := client.next_status(0.0)) is not None:  # only the newest is worth drawing
                self._status, heard = status, time.monotonic()
            silent_s = time.monotonic() - heard
            self.draw(f"no news for {silent_s:.0f} s" if silent_s > _QUIET_S else "")

    def wait(self, why: str) -> bool:
        """Show that there is no daemon for a while; True if a key leaves."""
        from runner.cli.watch_view import absent_screen
        from runner.desk.status import Status

        width, height = self._console.size
        self._status = Status(session=self._status.session)  # what it did last is over
        self._show(absent_screen(self._status.session, why, width, height))
        ready, _, _ = select.select([sys.stdin], [], [], _RETRY_S)
        return bool(ready) and _leaves()

    def draw(self, note: str) -> None:
        """Draw the status, if what is to be seen has changed."""
        from runner.cli.watch_view import screen

        width, height = self._console.size
        self._show(screen(self._status, width, height, note))

    def _show(self, rows: Sequence[Text]) -> None:
        from rich.control import Control
        from rich.text import Text

        seen = (self._console.size, tuple((row.plain, tuple(row.spans), row.style) for row in rows))
        if seen == self._drawn:
            return
        self._drawn = seen
        self._console.control(Control.home())
        self._area.update(Text("\n", no_wrap=True, overflow="crop").join(rows))


def _leaves() -> bool:
    return any(key in _LEAVE for key in os.read(sys.stdin.fileno(), 64).decode("ascii", "ignore") or "q")


@contextlib.contextmanager
def _raw_keys() -> Iterator[None]:
    """Have keys come at once and unseen; the terminal is put back as it was."""
    import termios
    import tty

    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    try:
        tty.setcbreak(fd)
        yield
    finally:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)
