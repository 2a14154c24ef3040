"""Options and arguments that several commands share, and what they stand for."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from runner.errors import TakewrightError, UsageError

TAKES = "takes"  #: where takes lie, from the session's folder, if the session does not say otherwise

session_argument = click.argument("session", type=click.Path(dir_okay=False), metavar="SESSION")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")
song_option = click.option("--song", default="", metavar="SONG", help="Only this song.")


folder_option = click.option(
    "--takes-folder", default="", metavar="DIR", help="Keep takes there, not where the session says."
)


def _read(read: Callable[[str], Any], text: str) -> Any:
    """Return what `read` makes of an option's words; its ValueError is in words for the user."""
    try:
        return read(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


def moment(text: str) -> Any:
    """Read a moment."""
    from runner.music.moment import parse_moment

    return _read(parse_moment, text)


def loop(text: str) -> Any:
    """Read a loop."""
    from runner.music.loops import parse_loop

    return _read(parse_loop, text)


def percent(text: str) -> Any:
    """Read a tempo in percent."""
    from runner.music.rehearsal import parse_percent

    return _read(parse_percent, text)


_REHEARSAL = (
    click.option("--from", "from_", type=moment, help="Begin there: 'bar 17', 'refrain'."),
    click.option("--to", type=moment, help="Stop there, without the tail."),
    click.option(
        "--loop",
        "loops",
        multiple=True,
        type=loop,
        help="Go round: 'bar 9 to bar 17, 4 times'; without a count until told.",
    ),
    click.option("--tempo", type=percent, help="Of the song's own tempo: 80 is four fifths."),
    click.option("--mute", multiple=True, metavar="MACHINE", help="Leave out the notes of this machine."),
    click.option("--solo", multiple=True, metavar="MACHINE", help="Only the notes of this machine."),
    click.option("--sustained", is_flag=True, help="With --from: strike again the notes that sound there."),
)


def rehearsal_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command --from, --to, --loop, --tempo and the like; it gets one `Rehearsal` for them."""

    @functools.wraps(function)
    def wrapper(
        *args: Any,
        from_: Any,
        to: Any,
        loops: Any,
        tempo: Any,
        mute: Any,
        solo: Any,
        sustained: bool,
        **others: Any,
    ) -> Any:
        from fractions import Fraction

        from runner.music.rehearsal import Rehearsal

        if sustained and from_ is None:
            raise UsageError("--sustained strikes again what sounds at --from: give both")
        rehearsal = Rehearsal(
            from_=from_,
            to=to,
            loops=loops,
            tempo_scale=tempo or Fraction(1),
            muted=mute,
            soloed=solo,
            sustained=sustained,
        )
        return function(*args, rehearsal=rehearsal, **others)

    decorated: Callable[..., Any] = wrapper
    for option in reversed(_REHEARSAL):
        decorated = option(decorated)
    return decorated


def takes_folder(given: str) -> Path:
    """Return the folder of takes that a user means: a folder, or the one that a session file names.

    Nothing given means ``takes`` in the current folder.

    Raises:
        UsageError: there is no such folder; the text names folders of takes that are near.
    """
    path = Path(given or TAKES)
    if path.is_file():
        path = _folder_of_session(path)
    if not path.is_dir():
        near = sorted({str(take.parents[3]) for take in path.parent.glob(f"*/{TAKES}/*/*/*/take-*")})[:3]
        hint = f"there is {' and '.join(near)}" if near else "name the takes folder, or the session file"
        raise UsageError(f"no folder {path}; {hint}")
    return path


def _folder_of_session(path: Path) -> Path:
    """Return where the takes of a session file lie; of one that cannot be read, `takes` beside it."""
    if path.suffix.lower() not in (".yaml", ".yml"):
        raise UsageError(f"{path} is a file: name a folder of takes, or a session file (.yaml)")
    from runner.desk.prepare import read_session

    beside = path.parent / TAKES
    try:
        prepared = read_session(path)
    except TakewrightError as error:
        if not beside.is_dir():
            raise
        problem = str(error).splitlines()[0]
        click.echo(f"takewright: {problem}; these are the takes in {beside}", err=True)
        return beside
    folder = prepared.file.parent / prepared.session.takes.folder
    if not folder.is_dir():
        what = "that is a file, no folder" if folder.exists() else "there are none yet"
        raise UsageError(f"{path} keeps its takes in {folder}, and {what}")
    return folder
