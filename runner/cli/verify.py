"""`takewright verify`: are a take's files as they were when it was closed?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import json_option, takes_folder
from runner.cli.wording import plural

if TYPE_CHECKING:
    from runner.takes.verify import Verification

MOST_PLACES = 5  #: of a take, that are told one by one


@click.command("verify")
@click.argument("what", nargs=-1, metavar="[TAKE|SESSION|all]...")
@click.option(
    "--takes-folder", "folder", default="", metavar="DIR", help="Where takes lie, or the session file."
)
@json_option
def command(what: tuple[str, ...], folder: str, as_json: bool) -> int:
    """Hold the files of takes against the checksums recorded when they were closed.

    TAKE is a folder, a name such as 'Ropewalk/7', or 'last', which it is if nothing is named; SESSION a
    session's name. What is damaged is named, and how much can be read all the same. Nothing is changed.
    The checksums are in take.json; of that file itself it is seen only that it can be read.
    Exits 0 if every file is whole, 1 if not.
    """
    from runner.cli.progress import counted

    folders = _folders(what or ("last",), folder)
    rows = [(path, _checked(path)) for path in counted(folders, "verifying takes")]
    if as_json:
        found = [{"take": str(path), **_plain(result)} for path, result in rows]
        click.echo(json.dumps(found, indent=2, ensure_ascii=False))
    else:
        for path, result in rows:
            _tell(path, result)
        whole = sum(1 for _, result in rows if not isinstance(result, str) and result.fine)
        if len(rows) > 1:
            click.echo(f"{whole} of {plural(len(rows), 'take')} whole")
        if not what:
            click.echo("This was the last take only; `takewright verify all` looks at every one.")
    return 0 if all(not isinstance(result, str) and result.fine for _, result in rows) else 1


def _folders(what: tuple[str, ...], folder: str) -> list[Path]:
    """Return the folders of the takes that are meant, each once."""
    from runner.cli.export import takes_meant
    from runner.takes.reader import EVENTS_FILE, SUMMARY_FILE

    folders: list[Path] = []
    for each in what:
        own = Path(each)
        if (own / EVENTS_FILE).is_file() or (own / SUMMARY_FILE).is_file():
            folders.append(own)
        else:
            folders += [Path(entry.path) for entry in takes_meant(each, takes_folder(folder))]
    return list(dict.fromkeys(folders))


def _checked(path: Path) -> Verification | str:
    """Return how a take's files stand, or why nothing of it can be read."""
    from runner.errors import TakewrightError
    from runner.takes.verify import verify_take

    try:
        return verify_take(path)
    except TakewrightError as error:
        return str(error)
    except OSError as error:
        return error.strerror or str(error)


def _plain(result: Verification | str) -> dict[str, Any]:
    if isinstance(result, str):
        return {"whole": False, "files": [], "records": 0, "damages": [], "error": result}
    return {
        "whole": result.fine,
        "files": [{"name": each.name, "state": each.state, "text": each.text} for each in result.checks],
        "records": result.records,
        "damages": [damage.to_dict() for damage in result.damages],
        "error": "",
    }


def _tell(path: Path, result: Verification | str) -> None:
    if isinstance(result, str):
        click.echo(f"unreadable  {path}\n    {result}")
        return
    if result.fine:
        click.echo(f"whole       {path}: take.json and its {plural(len(result.checks), 'file')}")
        return
    click.echo(f"damaged     {path}")
    for each in result.checks:
        if not each.fine:
            click.echo(f"    {each.name}: {each.state}; {each.text}")
    click.echo(f"    {plural(result.records, 'record')} can be read")
    for damage in result.damages[:MOST_PLACES]:
        click.echo(f"    cannot be read: {damage}")
    if len(result.damages) > MOST_PLACES:
        click.echo(f"    and {plural(len(result.damages) - MOST_PLACES, 'place')} more")
