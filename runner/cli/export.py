"""`takewright takes export`: takes as tables for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from runner.cli.options import takes_folder
from runner.cli.wording import plural
from runner.errors import UsageError

if TYPE_CHECKING:
    from runner.takes.index import TakeEntry


@click.command("export")
@click.argument("what", metavar="TAKE|SESSION|all")
@click.option(
    "--takes-folder", "folder", default="", metavar="DIR", help="Where takes lie, or the session file."
)
@click.option("--csv", "csv_folder", default="", metavar="DIR", help="Write CSV files into this folder.")
@click.option("--parquet", "parquet_file", default="", metavar="FILE", help="Write one Parquet file.")
def command(what: str, folder: str, csv_folder: str, parquet_file: str) -> int:
    """Write a take, all takes of a session, or all there are, as tables.

    TAKE is a folder or a name such as 'Ropewalk/7'; SESSION a session's name, with * and ? if need be.
    Exits 1 if a take could not be read; the others are written all the same.
    """
    from runner.cli.progress import counted
    from runner.takes.export import export_csv, export_parquet

    if not csv_folder and not parquet_file:
        raise UsageError("say where to: --csv DIR, --parquet FILE, or both")
    root = takes_folder(folder)
    entries = takes_meant(what, root)
    left_out: set[tuple[str, str]] = set()
    if csv_folder:
        done = export_csv(counted(entries, "writing CSV"), root, Path(csv_folder))
        left_out |= set(done.left_out)
        click.echo(f"{plural(done.takes, 'take')} in {', '.join(str(file) for file in done.files)}")
    if parquet_file:
        done = export_parquet(counted(entries, "writing Parquet"), root, Path(parquet_file))
        left_out |= set(done.left_out)
        click.echo(f"{plural(done.takes, 'take')} in {parquet_file}")
    for path, why in sorted(left_out):
        click.echo(f"takewright: {path} could not be read: {why}", err=True)
    return 1 if left_out else 0


def takes_meant(what: str, root: Path) -> list[TakeEntry]:
    """Return the takes of a session whose name fits, all, or the single take of that name."""
    from runner.takes.selection import TakeFilter, chosen
    from runner.takes.store import Store

    store = Store(root)
    every = store.takes()
    found = every if what == "all" else chosen(every, TakeFilter(session=what))
    if found:
        return found
    path = store.find(what).resolve()
    single = [entry for entry in every if Path(entry.path).resolve() == path]
    if not single:
        raise UsageError(f"{path} does not lie in {root}: name its takes folder with --takes-folder")
    return single
