"""`takewright audit`: what happened in a take."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import json_option, takes_folder
from runner.cli.wording import local_time
from runner.errors import UsageError

if TYPE_CHECKING:
    from runner.takes.model import Take
    from runner.takes.store import Store


@click.command("audit")
@click.argument("take", default="last")
@click.option(
    "--takes-folder", "folder", default="", metavar="DIR", help="Where takes lie, or the session file."
)
@click.option(
    "--html", "page", default="", metavar="FILE", help="Also write a page with plots, whole in one file."
)
@json_option
def command(take: str, folder: str, page: str, as_json: bool) -> int:
    """Say what happened in TAKE: a folder, a name such as 'Ropewalk/7', or 'last'.

    Names are looked up in `takes` in the current folder, or where --takes-folder says. Exits 0 if the
    take was clean, 1 if not.
    """
    from runner.audit.text import audit_take, audit_text
    from runner.cli.progress import busy
    from runner.takes.history import histories
    from runner.takes.reader import read_take

    path = take_store(folder).find(take)
    with busy(f"auditing {path.name}"):
        read = read_take(path, plan=True)
        summary = audit_take(read, histories(path))
    if page:
        with busy("drawing the page"):
            write_page(Path(page), _page(read, summary))
    if as_json:
        click.echo(json.dumps(summary, indent=2, ensure_ascii=False))
    else:
        click.echo(audit_text(summary, began=local_time(str(summary["started_at"]))), nl=False)
    return 0 if summary["verdict"] == "clean" else 1


def _page(take: Take, summary: dict[str, Any]) -> str:
    from runner.audit.page import audit_page
    from runner.takes.rating import read_rating

    marks = read_rating(Path(take.folder)).marks
    places = [(mark.t_ns, mark.text or mark.at) for mark in marks if mark.t_ns is not None]
    return audit_page(take, summary, places, local_time(str(summary["started_at"])))


def write_page(file: Path, text: str) -> None:
    """Write a page whole or not at all; `UsageError` says why it cannot be written."""
    from runner.takes.files import write_atomically

    try:
        write_atomically(file, text.encode("utf-8", "replace"))
    except OSError as error:
        raise UsageError(f"{file} cannot be written: {error.strerror or error}") from None
    click.echo(f"page in {file}", err=True)


def take_store(given: str) -> Store:
    """Return the takes under a folder or of a session; a take that is named by its own folder needs none."""
    from runner.takes.store import Store

    try:
        return Store(takes_folder(given))
    except UsageError:
        if given:
            raise
        return Store("takes")
