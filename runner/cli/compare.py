"""`takewright compare`: will what was recorded with these takes sit together?"""

from __future__ import annotations

import json
from pathlib import Path

import click

from runner.cli.options import json_option
from runner.errors import UsageError


@click.command("compare")
@click.argument("takes", nargs=-1, required=True, metavar="TAKE TAKE...")
@click.option(
    "--takes-folder", "folder", default="", metavar="DIR", help="Where takes lie, or the session file."
)
@click.option("--html", "page", default="", metavar="FILE", help="Also write a page with overlays.")
@json_option
def command(takes: tuple[str, ...], folder: str, page: str, as_json: bool) -> int:
    """Hold takes of one song against the first: start, tempo, drift over the bars, cues that moved.

    Takes of one pass, or passes that must line up. Each TAKE is a folder, or a name such as
    'Ropewalk/drums/3'. Exits 0 if all sit together as they are, 1 if not.
    """
    from runner.audit.compare import TOGETHER, compare_takes
    from runner.audit.compare_text import compare_text
    from runner.cli.audit import take_store, write_page
    from runner.cli.progress import counted
    from runner.takes.reader import read_take

    if len(takes) < 2:
        raise UsageError("two takes or more are wanted; `takewright takes` lists them")
    store = take_store(folder)
    folders = [store.find(take) for take in takes]
    read = [read_take(path) for path in counted(folders, "reading takes")]
    comparisons = compare_takes(read)
    if page:
        from runner.audit.compare_page import compare_page

        write_page(Path(page), compare_page(read, comparisons))
    if as_json:
        click.echo(json.dumps([one.to_dict() for one in comparisons], indent=2, ensure_ascii=False))
    else:
        click.echo(compare_text(comparisons), nl=False)
    return 0 if all(one.sits == TOGETHER for one in comparisons) else 1
