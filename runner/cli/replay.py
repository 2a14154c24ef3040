"""`takewright replay`: follow a take's clock again."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from runner.cli.options import json_option
from runner.cli.wording import plural, wrapped

if TYPE_CHECKING:
    from runner.audit.replay import Replay
    from runner.audit.replay_compare import Decision


@click.command("replay")
@click.argument("take", default="last")
@click.option(
    "--set", "words", multiple=True, metavar="KEY=VALUE",
    help="Try another setting, such as freewheel='4 beats', then=carry-on, lock-limit='1 ms'.",
)  # fmt: skip
@click.option(
    "--takes-folder", "folder", default="", metavar="DIR", help="Where takes lie, or the session file."
)
@json_option
def command(take: str, words: tuple[str, ...], folder: str, as_json: bool) -> int:
    """Follow the clock of TAKE again: a folder, a name such as 'Ropewalk/7', or 'last'.

    All that came in is given, in virtual time, to the follower of this version, which says what it
    decides and where that is not what was decided in the take. Exits 0 if nothing differs or other
    settings were tried, 1 if something differs.

    Settings: freewheel, then, lock-limit, jitter-guess, tempo-limit, min-tempo, max-tempo, song-tempo.
    """
    from runner.audit.replay import replay
    from runner.audit.replay_settings import read_settings
    from runner.cli.audit import take_store
    from runner.takes.reader import read_take

    settings = read_settings(words)
    result = replay(read_take(take_store(folder).find(take)), settings)
    if as_json:
        click.echo(json.dumps(result.to_dict(), indent=2, ensure_ascii=False))
    else:
        for line in replay_lines(result):
            click.echo(line)
    return 0 if result.same or settings else 1


def replay_lines(result: Replay) -> list[str]:
    """Return a replay as lines for a terminal."""
    lines = [wrapped(f"{result.take}: {_with(result)}", after="  ")]
    lines += [wrapped(f"note: {note}", after="  ") for note in result.notes]
    lines += ["", "decided now:", *(_row("  ", decision) for decision in result.decisions)]
    if result.differences:
        lines += ["", "not as in the take (- then, + now):", *_differences(result)]
    return [*lines, "", wrapped(_ticks(result), after="  ")]


def _with(result: Replay) -> str:
    if not result.settings:
        return "followed again with its own settings"
    return "followed again with " + ", ".join(f"{key}={text}" for key, text in result.settings.items())


def _differences(result: Replay) -> list[str]:
    """Return a row for each difference, its time so fine that what went and what came do not look alike."""
    rows: list[str] = []
    for decimals in (3, 6, 9):
        rows = [
            _row("- " if difference.side == "take" else "+ ", difference.decision, decimals)
            for difference in result.differences
        ]
        if len({row[1:] for row in rows}) == len(rows):
            break
    return rows


def _row(mark: str, decision: Decision, decimals: int = 3) -> str:
    place = f"{decision.at}: " if decision.at else ""
    code = f" [{decision.code}]" if decision.code else ""
    first = f"{mark}{decision.t_ns / 1e9:{decimals + 7}.{decimals}f} s  "
    return wrapped(f"{place}{decision.text}{code}", first=first, after=" " * len(first))


def _ticks(result: Replay) -> str:
    ticks = result.ticks
    refused = f", {ticks.refused} of them refused" if ticks.refused else ""
    text = f"{plural(ticks.compared, 'clock')} came in{refused}; "
    if not ticks.compared:
        return text + "there is nothing to compare"
    if not ticks.differing:
        return text + "all predicted as in the take, to the nanosecond"
    told = [
        f"{ticks.moved} predicted otherwise than in the take, by up to {_size(ticks.largest_ns)}"
        if ticks.moved
        else "",
        f"{ticks.only_then} predicted in the take and not now" if ticks.only_then else "",
        f"{ticks.only_now} predicted now and not in the take" if ticks.only_now else "",
    ]
    where = f"; the first of these at {ticks.first_at}" if ticks.first_at else ""
    return text + ", ".join(filter(None, told)) + where


def _size(ns: int) -> str:
    """Return a difference that is not 0 in words that are not 0 either."""
    return f"{ns / 1e6:.3f} ms" if ns >= 1000 else f"{ns} ns"
