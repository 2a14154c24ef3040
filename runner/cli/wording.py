"""How the command line lays out text: 80 columns, hanging indents, plain tables."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
import textwrap
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TextIO

import click

_NAME = "takewright"
WIDTH = 80  #: columns of a terminal that nobody has widened; also used when the output is no terminal
_NARROWEST, _WIDEST = 60, 100


def width() -> int:
    """Return the columns to write in: the terminal's, from 60 to 100; 80 where there is no terminal."""
    columns = shutil.get_terminal_size((WIDTH, 24)).columns
    return max(_NARROWEST, min(_WIDEST, columns))


def as_called() -> str:
    """Return, for a shell, the command that runs now: its bare name where that finds it, else its path."""
    called = sys.argv[0]
    if Path(called).name == "__main__.py":
        return f"{shlex.quote(sys.executable)} -m runner.cli"
    found = shutil.which(_NAME)
    if os.sep not in called or (found is not None and Path(found).resolve() == Path(called).resolve()):
        return _NAME
    return shlex.quote(called)


def wrapped(text: str, first: str = "", after: str = "    ") -> str:
    """Return `text` broken into lines that fit; words that are longer than a line stay whole."""
    return textwrap.fill(
        text,
        width(),
        initial_indent=first,
        subsequent_indent=after,
        break_long_words=False,
        break_on_hyphens=False,
    )


def say(text: str, stream: TextIO) -> None:
    """Print a text; on a terminal its lines are broken at blanks, elsewhere they stay whole."""
    if stream.isatty():
        text = "\n".join(wrapped(line) if len(line) > width() else line for line in text.splitlines())
    click.echo(text, file=stream)


def plural(count: int, word: str, words: str = "") -> str:
    """Return the count with its noun: ``1 take``, ``3 takes``."""
    return f"{count} {word if count == 1 else words or word + 's'}"


def table(rows: Sequence[Sequence[str]], right: Sequence[int] = (), indent: str = "") -> list[str]:
    """Return rows as lines with aligned columns; the columns numbered in `right` are flush right."""
    if not rows:
        return []
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(size) if column in right else cell.ljust(size)
            for column, (cell, size) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append((indent + "  ".join(cells)).rstrip())
    return lines


def shortened(text: str, most: int) -> str:
    """Return `text` cut to `most` characters, with a mark where something is missing."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def middle_shortened(text: str, most: int) -> str:
    """Return `text` cut to `most` characters in its middle: the ends of names tell them apart."""
    if len(text) <= most:
        return text
    front = most // 2
    back = most - 1 - front
    return text[:front].rstrip() + "…" + (text[-back:].lstrip() if back else "")


def clock_text(seconds: float) -> str:
    """Return a span as minutes and seconds, ``3:07``."""
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def local_time(utc: str) -> str:
    """Return a take's UTC stamp as this computer's local date and time, to the minute."""
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError:
        return utc[:16].replace("T", " ")
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def near_path(path: str) -> str:
    """Return a path as it is written from the current folder, if it lies there."""
    try:
        return str(Path(path).relative_to(Path.cwd()))
    except (ValueError, OSError):
        return path
