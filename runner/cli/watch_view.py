"""The live view of `watch` as lines of styled text, for any size of terminal. Pure.

From top to bottom: what state, which song, bar and beat in large figures that can be read from an
instrument away, what comes next; then clock, ports, takes, alarms. Where lines are few, what a player needs
least goes first. Nothing is told by colour alone.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

from runner.cli.watch_text import (
    BAD,
    GOOD,
    LABEL_CELLS,
    SIGN,
    alarm_lines,
    broken,
    clean,
    clock_line,
    cue_text,
    cut,
    cut_middle,
    place_text,
    port_text,
    state_text,
    take_text,
    takes_text,
    where_text,
)
from runner.cli.wording import clock_text
from runner.desk.status import Status

_FIGURE_ROWS = 5
_FIGURES = {
    "0": ("████", "█  █", "█  █", "█  █", "████"),
    "1": ("  █ ", " ██ ", "  █ ", "  █ ", " ███"),
    "2": ("████", "   █", "████", "█   ", "████"),
    "3": ("████", "   █", " ███", "   █", "████"),
    "4": ("█  █", "█  █", "████", "   █", "   █"),
    "5": ("████", "█   ", "████", "   █", "████"),
    "6": ("████", "█   ", "████", "█  █", "████"),
    "7": ("████", "   █", "  █ ", "  █ ", "  █ "),
    "8": ("████", "█  █", "████", "█  █", "████"),
    "9": ("████", "█  █", "████", "   █", "████"),
    "-": ("    ", "    ", "████", "    ", "    "),
    ".": (" ", " ", " ", " ", "█"),
}
_STATE_STYLES = {
    "trouble": "bold white on red",
    "rolling": "bold black on green",
    "tail": "bold black on green",
    "pre-roll": "bold black on yellow",
    "lead": "bold black on yellow",
    "armed": "bold black on yellow",
}
_SIGN_STYLES = {GOOD: "green", BAD: "bold red", SIGN: "yellow"}
_SIGNS = re.compile("|".join(rf"(?<!\S){re.escape(sign)}(?!\S)" for sign in _SIGN_STYLES))

Rows = list[Text]


def figures(text: str) -> list[str] | None:
    """Return `text` in figures five rows high; None if there is a letter that has none."""
    if not text or any(letter not in _FIGURES for letter in text):
        return None
    return ["  ".join(_FIGURES[letter][row] for letter in text).rstrip() for row in range(_FIGURE_ROWS)]


def absent_screen(session: str, why: str, width: int, height: int) -> Rows:
    """Return what is to be seen while there is no daemon: nothing of what the last one did."""
    columns = max(1, width)
    top = _head(Status(session=session), columns, "NO DAEMON")
    told = f"The daemon is gone. It is looked for, and shown again when it is back. ({clean(why)})"
    lines = textwrap.wrap(told, columns, break_on_hyphens=False)
    foot = Text(cut("q leaves this view", columns), style="dim")
    body = _spread([[top], [Text(line) for line in lines]], height - 1)
    return [*body[: max(0, height - 1)], foot][: max(0, height)]


def screen(status: Status, width: int, height: int, note: str = "") -> Rows:
    """Return at most `height` rows of at most `width` cells; `note` is about the connection, for the head."""
    columns = max(1, width)
    top = [_head(status, columns, note), _song(status, columns)]
    where = _where(status, columns, max(0, height - 14))
    details = _details(status, columns)
    foot = Text(cut("q leaves this view; the daemon goes on", columns), style="dim")
    alarms = _alarms(status, columns)
    takes = _takes(status, columns)
    room = height - len(top) - len(where) - 1
    # alarms first, then what matters while a song rolls, then what is over
    most = max(2, room - len(details) - 2)
    sentences = _alarms(status, columns, whole=True)
    alarms = sentences if len(sentences) <= most else alarms[:most]
    whole = _details(status, columns, whole=True)
    if len(whole) + len(alarms) + len(takes) <= room:
        details = whole
    details = details[: max(0, room - len(alarms))]
    takes = takes[: max(0, room - len(alarms) - len(details))]
    body = _spread([top, where, alarms, details, takes], height - 1)
    return [*body[: max(0, height - 1)], foot][: max(0, height)]


def _spread(blocks: Sequence[Rows], height: int) -> Rows:
    """Put an empty row between blocks as far as there are rows for them, and fill up to the foot."""
    blocks = [block for block in blocks if block]
    spare = height - sum(len(block) for block in blocks)
    rows: Rows = []
    for block in blocks:
        if rows and spare > 0:
            rows.append(Text(""))
            spare -= 1
        rows += block
    return rows + [Text("")] * max(0, height - len(rows))


def _between(left: Text, right: Text, columns: int) -> Text:
    """Return a row with one text at each end; the left one gives way."""
    room = columns - right.cell_len - 2
    if room < 8:
        left.truncate(columns, overflow="ellipsis")
        return left
    left = Text(cut_middle(left.plain, room), style=left.style)
    row = Text(no_wrap=True)
    row.append_text(left)
    row.append(" " * (columns - left.cell_len - right.cell_len))
    row.append_text(right)
    return row


def _head(status: Status, columns: int, note: str) -> Text:
    if note:
        state, style = clean(note), "bold white on red"
    else:
        style = _STATE_STYLES.get(status.state, "bold reverse")
        state = state_text(status).upper()
    right = Text(f" {cut(state, columns // 2)} ", style=style)
    return _between(Text(clean(status.session) or "Takewright", style="dim"), right, columns)


def _song(status: Status, columns: int) -> Text:
    song = clean(status.song) or "no song"
    left = Text(song, style="bold")
    order = f"{status.place} of {status.places}" if status.places else ""
    right = Text(", ".join(part for part in (take_text(status, columns // 3), order) if part))
    return _between(left, right, columns)


def _where(status: Status, columns: int, most_rows: int) -> Rows:
    """Return bar and beat, in large figures where they fit, and beside them what goes with it."""
    words = place_text(status).split()
    large = figures(f"{words[1]}.{words[3]}") if len(words) == 4 else None
    figure_cells = max(map(cell_len, large)) + 3 if large else 0
    if large is None or most_rows < _FIGURE_ROWS or columns - figure_cells < 30:
        return [_labelled(label, text, columns) for label, text in _beside(status, columns)]
    beside = _beside(status, columns - figure_cells)
    rows: Rows = []
    for number in range(max(len(large), len(beside))):
        figure = large[number] if number < len(large) else ""
        row = Text(no_wrap=True)
        row.append(f" {figure:<{figure_cells - 1}}", style="bold")
        if number < len(beside):
            row.append_text(_labelled(*beside[number], columns - figure_cells))
        rows.append(row)
    return rows


def _beside(status: Status, columns: int) -> list[tuple[str, str]]:
    place = where_text(status, columns - LABEL_CELLS)
    left = "" if status.left_s is None or not place else f"{clock_text(status.left_s)} of the song"
    hold = "the song goes round until go" if status.hold else ""
    rows = [
        ("at", place),
        ("hold", hold),
        ("left", left),
        ("cue", cue_text(status.next_cue, columns - LABEL_CELLS)),
        ("waits", f"for {status.waiting_for}" if status.waiting_for else ""),
        ("next", cut_middle(status.next_song, columns - LABEL_CELLS)),
    ]
    return [(label, text) for label, text in rows if text]


def _details(status: Status, columns: int, *, whole: bool = False) -> Rows:
    rows = [_labelled("clock", clock_line(status), columns)]
    rows += _ports(status, columns, whole=whole)
    if status.muted:
        rows.append(_labelled("muted", ", ".join(status.muted), columns))
    return rows


def _ports(status: Status, columns: int, *, whole: bool) -> Rows:
    """Return missing ports one by one, `whole` or a row for each; those that are there in few rows."""
    rows = [port_text(port) for port in status.ports if not port.present]
    if whole:
        rows = [line for row in rows for line in broken(row, columns - LABEL_CELLS)]
    line = ""
    for port in status.ports:
        if not port.present:
            continue
        entry = cut(port_text(port), columns - LABEL_CELLS)
        if line and cell_len(line) + 3 + cell_len(entry) > columns - LABEL_CELLS:
            rows.append(line)
            line = ""
        line += f"   {entry}" if line else entry
    rows += [line] if line else []
    return [_labelled("ports" if not number else "", text, columns) for number, text in enumerate(rows)]


def _takes(status: Status, columns: int) -> Rows:
    texts = [takes_text(take, columns - LABEL_CELLS) for take in status.takes]
    return [_labelled("takes" if not number else "", text, columns) for number, text in enumerate(texts)]


def _alarms(status: Status, columns: int, *, whole: bool = False) -> Rows:
    """Return a row for each alarm, or its `whole` sentence in as many as that needs."""
    texts = [f"{BAD if kind == 'error' else SIGN} {text}" for kind, text in alarm_lines(status)]
    if whole:
        texts = [line for text in texts for line in broken(text, columns - LABEL_CELLS)]
    return [_labelled("alarms" if not number else "", text, columns) for number, text in enumerate(texts)]


def _labelled(label: str, text: str, columns: int) -> Text:
    """Return a row with its label; signs have their colour, for those who see it."""
    row = Text(no_wrap=True)
    row.append(f"{label:<{LABEL_CELLS}}", style="dim")
    row.append(cut(text, columns - LABEL_CELLS), style="bold" if label == "at" else "")
    for sign in _SIGNS.finditer(row.plain, LABEL_CELLS):
        row.stylize(_SIGN_STYLES[sign[0]], *sign.span())
    row.truncate(columns)
    return row
