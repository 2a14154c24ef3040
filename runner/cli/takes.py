"""`takewright takes`: what has been recorded; as a list, as a page, and for other programs."""

from __future__ import annotations

import json
from collections import Counter
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runner.cli.export import command as export_command
from runner.cli.options import json_option, takes_folder
from runner.cli.wording import clock_text, local_time, middle_shortened, plural, shortened, table, width
from runner.errors import UsageError

if TYPE_CHECKING:
    from runner.takes.index import TakeEntry
    from runner.takes.selection import TakeFilter

_HEAD = ("time", "song", "pass", "take", "verdict", "length", "findings")
_SHORTEST_NAME, _SHORTEST_CODES = 10, 16
_NOT_CLOSED = "open"
_RATED = {"keep": "+", "discard": "-"}
_RATING_TOLD = {"keep": "kept", "discard": "discarded"}
_SORTS = ("date", "song", "pass", "take", "verdict", "length", "findings")
_VERDICTS = ("clean", "flawed", "interrupted", "failed", "open", "damaged")


class _TakesGroup(click.Group):
    """`takes` lists; `takes export` exports. A folder named "export" is written ``./export``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not args or args[0] not in self.commands:
            args = ["list", *args]
        return super().parse_args(ctx, args)


@click.group("takes", cls=_TakesGroup, add_help_option=False, options_metavar="", subcommand_metavar="")
def command() -> None:
    """List the takes on disk, or export them."""


@command.result_callback()
def _exit_code(code: int) -> int:
    return code


command.add_command(export_command)


@command.command(
    "list",
    epilog="`takewright takes export` writes takes as tables: see `takewright takes export --help`.",
)
@click.argument("folder", default="")
@click.option("--session", default="", metavar="NAME", help="Only of this session; * and ? may stand in it.")
@click.option("--song", default="", metavar="NAME", help="Only of this song; likewise.")
@click.option("--pass", "pass_name", default="", metavar="NAME", help="Only of this pass; likewise.")
@click.option("--verdict", multiple=True, type=click.Choice(_VERDICTS), help="Only these; may be repeated.")
@click.option("--since", default="", metavar="DATE", help="Not before this day, or '2026-05-04 19:30'.")
@click.option("--until", default="", metavar="DATE", help="Not after this day, or before this moment.")
@click.option("--code", multiple=True, metavar="CODE", help="With such a finding, 'clock-*' too; repeatable.")
@click.option("--kept", "rating", flag_value="keep", help="Only those rated keep.")
@click.option("--discarded", "rating", flag_value="discard", help="Only those rated discard.")
@click.option("--unrated", "rating", flag_value="none", help="Only those that nobody rated.")
@click.option("--sort", default="date", type=click.Choice(_SORTS), help="By what; date if not said.")
@click.option("--reverse", is_flag=True, help="The other way round.")
@click.option("--page", default="", metavar="FILE", help="Also write them as a page, with the clock's trend.")
@json_option
def list_command(
    folder: str, session: str, song: str, pass_name: str, verdict: tuple[str, ...], since: str, until: str,
    code: tuple[str, ...], rating: str | None, sort: str, reverse: bool, page: str, as_json: bool,
) -> int:  # fmt: skip
    """List the takes under FOLDER, oldest first. A damaged one is listed as such.

    FOLDER is a takes folder or a session file; without it, `takes` in the current folder. A plus before a
    take's number says that it was kept, a minus that it was discarded.
    """
    from runner.takes.selection import TakeFilter, chosen, in_order
    from runner.takes.store import Store

    path = takes_folder(folder)
    every = Store(path).takes()
    wanted = TakeFilter(
        session, song, pass_name, verdict, code, rating or "",
        _moment(since, "--since"), _moment(until, "--until", end=True),
    )  # fmt: skip
    entries = in_order(chosen(every, wanted), sort, reverse=reverse)
    if page:
        _write_page(entries, Path(page), path)
    if as_json:
        click.echo(json.dumps([entry.to_dict() for entry in entries], indent=2))
    else:
        _tell(entries, every, path, wanted)
    return 0


def _moment(text: str, option: str, *, end: bool = False) -> datetime | None:
    from runner.takes.selection import moment_of

    if not text:
        return None
    try:
        return moment_of(text, end=end)
    except (ValueError, OverflowError):
        raise UsageError(f"{option} {text!r} is no date; write 2026-05-04 or '2026-05-04 19:30'") from None


def _tell(entries: list[TakeEntry], every: list[TakeEntry], path: Path, wanted: TakeFilter) -> None:
    from runner.takes.selection import TakeFilter

    place = f"in {path}" if path.is_absolute() else f"in {path} ({path.resolve()})"
    if not every:
        click.echo(f"no takes {place}")
    elif not entries:
        click.echo(f"no such take among the {len(every)} {place}")
    else:
        for heading, group in groupby(entries, key=_heading):
            _tell_group(heading, list(group))
        verdicts = Counter(entry.verdict or _NOT_CLOSED for entry in entries)
        told = ", ".join(f"{count} {verdict}" for verdict, count in verdicts.most_common())
        of_all = f" of {len(every)}" if wanted != TakeFilter() else ""
        click.echo(f"{plural(len(entries), 'take')}{of_all} in {path}: {told}")
        if ratings := {entry.rating for entry in entries} & _RATED.keys():
            signs = [f"{_RATED[each]} {_RATING_TOLD[each]}" for each in _RATED if each in ratings]
            click.echo(f"before a take's number: {', '.join(signs)}")


def _heading(entry: TakeEntry) -> tuple[str, str]:
    return entry.session, local_time(entry.started_at)[:10] if entry.started_at else "date unknown"


def _tell_group(heading: tuple[str, str], entries: list[TakeEntry]) -> None:
    """Print the takes of a session and a day: names give way first, findings go on in further lines."""
    session, day = heading
    click.echo(f"{middle_shortened(session, width() - 2 - len(day))}  {day}")
    rows = [_row(entry) for entry in entries]
    others = [max(len(row[column]) for row in [_HEAD, *rows]) for column in (0, 3, 4, 5)]
    room = width() - 2 - sum(others) - 2 * (len(_HEAD) - 1)
    codes = max(len(_HEAD[6]), max(len(row[6]) for row in rows))
    longest = [max(len(row[column]) for row in rows) for column in (1, 2)]
    names = max(2 * _SHORTEST_NAME, room - min(codes, max(_SHORTEST_CODES, room - sum(longest))))
    song = min(longest[0], max(names - longest[1], names // 2))
    a_pass = min(longest[1], names - song)
    room_codes = room - max(song, len("song")) - max(a_pass, len("pass"))
    lines: list[tuple[str, ...]] = []
    for row in rows:
        first, *more = _broken(row[6], room_codes)
        lines.append(
            (row[0], middle_shortened(row[1], song), middle_shortened(row[2], a_pass), *row[3:6], first)
        )
        lines += [("",) * 6 + (text,) for text in more]
    for line in table([_HEAD, *lines], right=(3, 5), indent="  "):
        click.echo(shortened(line, width()))


def _broken(text: str, room: int) -> list[str]:
    """Return codes separated by commas as lines of at most `room` characters, as far as that can be."""
    lines = [""]
    for code in text.split(", "):
        joined = f"{lines[-1]}, {code}" if lines[-1] else code
        if len(joined) <= room or not lines[-1]:
            lines[-1] = joined
        else:
            lines.append(code)
    return lines


def _row(entry: TakeEntry) -> tuple[str, ...]:
    return (
        local_time(entry.started_at)[11:] if entry.started_at else "?",
        entry.song,
        entry.pass_name,
        f"{_RATED.get(entry.rating, '')}{entry.number}",
        entry.verdict or _NOT_CLOSED,
        clock_text(entry.seconds) if entry.seconds else "-",
        ", ".join(entry.codes),
    )


def _write_page(entries: list[TakeEntry], file: Path, folder: Path) -> None:
    from runner.audit.session_page import TakeRow, session_page
    from runner.cli.audit import write_page
    from runner.cli.progress import counted

    rows = [
        TakeRow(
            entry.session, entry.song, entry.pass_name, entry.number,
            local_time(entry.started_at) if entry.started_at else "", entry.verdict, entry.seconds,
            entry.codes, entry.rating, entry.marks, _summary(Path(entry.path)),
        )
        for entry in counted(entries, "reading takes")
    ]  # fmt: skip
    write_page(file, session_page(rows, str(folder.resolve())))


def _summary(folder: Path) -> dict[str, Any] | None:
    """Return a take's take.json, or None if there is none that can be read."""
    from runner.takes.reader import SUMMARY_FILE

    try:
        value = json.loads((folder / SUMMARY_FILE).read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None
