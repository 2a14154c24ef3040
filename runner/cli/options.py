"""Options and arguments that several commands share."""

from __future__ import annotations

import click

session_argument = click.argument("session", type=click.Path(dir_okay=False), metavar="SESSION")
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")
song_option = click.option("--song", default="", metavar="SONG", help="Only this song.")
from_option = click.option(
    "--from", "from_moment", default="", metavar="MOMENT", help="Begin there: 'bar 17', 'refrain'."
)
folder_option = click.option(
    "--takes-folder", default="", metavar="DIR", help="Keep takes there, not where the session says."
)
