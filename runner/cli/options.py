"""Options and arguments that several commands share, and what they stand for."""

from __future__ import annotations

from pathlib import Path

import click

from runner.errors import UsageError

TAKES = "takes"  #: where takes lie, from the session's folder, if the session does not say otherwise

session_argument = click.argument("session", type=click.Path(dir_okay=False), metavar="SESSION")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")
song_option = click.option("--song", default="", metavar="SONG", help="Only this song.")
from_option = click.option(
    "--from", "from_moment", default="", metavar="MOMENT", help="Begin there: 'bar 17', 'refrain'."
)
folder_option = click.option(
    "--takes-folder", default="", metavar="DIR", help="Keep takes there, not where the session says."
)


def takes_folder(given: str) -> Path:
    """Return the folder of takes that a user means: a folder, or the one that a session file names.

    Nothing given means ``takes`` in the current folder.

    Raises:
        UsageError: there is no such folder; the text names folders of takes that are near.
    """
    path = Path(given or TAKES)
    if path.is_file():
        from runner.desk.prepare import read_session

        prepared = read_session(path)
        path = prepared.file.parent / prepared.session.takes.folder
        if not path.is_dir():
            raise UsageError(f"{given} keeps its takes in {path}, and there are none yet")
    if not path.is_dir():
        near = sorted({str(take.parents[3]) for take in path.parent.glob(f"*/{TAKES}/*/*/*/take-*")})[:3]
        hint = f"there is {' and '.join(near)}" if near else "name the takes folder, or the session file"
        raise UsageError(f"no folder {path}; {hint}")
    return path
