"""`takewright check`: every problem of a session file, and the load of its wires."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import json_option, session_argument
from runner.cli.wording import middle_shortened, plural, table, width, wrapped
from runner.errors import ExitCode, Problem, RigError, SessionError

if TYPE_CHECKING:
    from runner.cli.check_live import Row
    from runner.desk.prepare import Prepared

_SHORTEST_NAME = 10  #: letters of a name that has to give way to the figures
_TOLD_WAIT_NS = 5_000  #: a clock that waits for less is said not to wait: it is a millionth of a beat


@click.command("check")
@session_argument
@click.option("--live", is_flag=True, help="Also look at the rig and this computer, as they are now.")
@json_option
def command(session: str, live: bool, as_json: bool) -> int:
    """Say everything that is wrong with SESSION: file, parts, cues, wire load.

    With --live also: are the ports there, who answers on them, how long is the way round a loop of cable,
    does this computer give real-time rights, is its disk fast and free enough, is its clock right?

    Exits 0 if nothing is, 1 if there are warnings, 2 if it cannot be played, 3 if a port is missing.
    """
    from runner.desk.prepare import read_session

    wires: list[dict[str, Any]] = []
    rows: list[Row] = []
    try:
        prepared = read_session(session)
    except SessionError as error:
        problems = error.problems
    else:
        problems, wires = _compile_all(prepared)
        if live:
            rows = _look(prepared)
    code = _code(problems, rows)
    if as_json:
        result = {
            "file": session,
            "ok": code is ExitCode.OK,
            "problems": [_plain(problem) for problem in problems],
            "wires": wires,
            "missing": [f"{row.what}: {row.text}" for row in rows if row.sign == "missing"],
            "live": [row.to_dict() for row in rows],
        }
        click.echo(json.dumps(result, indent=2))
        return int(code)
    _show(session, problems, wires, rows)
    return int(code)


def _compile_all(prepared: Prepared) -> tuple[list[Problem], list[dict[str, Any]]]:
    """Compile every song; return all problems once each, and the wire reports."""
    from runner.plan.compile import compile_song

    problems = list(prepared.loaded.notices)
    wires: list[dict[str, Any]] = []
    for index, song in enumerate(prepared.session.songs):
        parts, part_problems = prepared.parts(index, song)
        problems += part_problems
        compiled = compile_song(prepared.session, song, parts, marks=prepared.loaded.marks, strict=False)
        problems += [problem for problem in compiled.problems if problem not in problems]
        wires += [{"song": song.song, **report.to_dict()} for report in compiled.wire]
    return problems, wires


def _look(prepared: Prepared) -> list[Row]:
    """Look at rig and computer; a rig that cannot be opened at all is a row too."""
    from runner.cli.check_live import Row, look

    try:
        return look(prepared)
    except RigError as error:
        return [Row("missing", "rig", str(error))]


def _code(problems: list[Problem], rows: Sequence[Row] = ()) -> ExitCode:
    severities = {str(problem.severity) for problem in problems} | {row.sign for row in rows}
    if "error" in severities:
        return ExitCode.USAGE
    if "missing" in severities:
        return ExitCode.RIG_MISSING
    return ExitCode.NOT_CLEAN if "warning" in severities else ExitCode.OK


def _plain(problem: Problem) -> dict[str, Any]:
    return {name: getattr(problem, name) for name in problem.__dataclass_fields__}


# ---------------------------------------------------------------------- text


def _show(
    session: str, problems: list[Problem], wires: list[dict[str, Any]], rows: Sequence[Row] = ()
) -> None:
    for problem in problems:
        click.echo(problem_text(problem, session))
    if wires:
        click.echo("\n".join(wire_lines(wires)))
    if rows:
        click.echo("")
    for row in rows:
        click.echo(str(row))
    click.echo(f"{session}: {_sum_up(problems, rows)}")


def problem_text(problem: Problem, file: str = "") -> str:
    """Return a problem as lines: place, how bad, what; then the path in the file and what to do."""
    place = problem.file or file or "session"
    if problem.line:
        place += f":{problem.line}:{problem.column}"
    seen = f", got {problem.seen}" if problem.seen else ""
    lines = [wrapped(f"{place}: {problem.severity}: {problem.message}{seen}")]
    more = "; ".join(text for text in (problem.path and f"in {problem.path}", problem.hint) if text)
    if more:
        lines.append(wrapped(more, "    "))
    return "\n".join(lines)


def summed(wires: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return one report for each song and port: the stretches between loops and holds, taken together.

    Clocks and messages are added up, and the longest wait of all is kept with its place. The share of time in
    which the wire is busy is that of all stretches: bytes over the bytes that there was time for.
    """
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for wire in wires:
        groups.setdefault((wire["song"], wire["port"]), []).append(wire)
    return [group[0] if len(group) == 1 else _together(group) for group in groups.values()]


def _together(group: list[dict[str, Any]]) -> dict[str, Any]:
    busy = [wire for wire in group if wire["busy_share"] > 0 and wire["byte_count"]]
    room = sum(wire["byte_count"] / wire["busy_share"] for wire in busy)
    return {
        **max(group, key=lambda wire: wire["worst_wait_ns"] if wire["clocks"] else -1),
        "clocks": sum(wire["clocks"] for wire in group),
        "messages": sum(wire["messages"] for wire in group),
        "byte_count": sum(wire["byte_count"] for wire in group),
        "busy_share": sum(wire["byte_count"] for wire in busy) / room if room else 0.0,
    }


def wire_lines(wires: list[dict[str, Any]]) -> list[str]:
    """Return the load of each song's ports as a table; what the worst clock waits for stands below it."""
    rows: list[tuple[str, ...]] = [("song", "port", "link", "clocks", "messages", "busy", "a clock waits")]
    behind: dict[int, str] = {}
    song = ""
    for wire in summed(wires):
        waits = wire["clocks"] and wire["worst_wait_ns"] >= _TOLD_WAIT_NS
        wait = f"{wire['worst_wait_ns'] / 1e6:.2f} ms at most" if waits else "never"
        rows.append(
            (
                wire["song"] if wire["song"] != song else "",
                wire["port"],
                wire["link"],
                str(wire["clocks"]),
                str(wire["messages"]),
                f"{100 * wire['busy_share']:.1f} %",
                wait if wire["clocks"] else "-",
            )
        )
        if waits:
            behind[len(rows) - 1] = f"at {wire['at']}, behind {wire['behind']}"
        song = wire["song"]
    rows = _with_short_names(rows)
    lines: list[str] = []
    for number, line in enumerate(table(rows, right=(3, 4, 5))):
        lines.append(line)
        if number in behind:
            lines.append(wrapped(behind[number], "        ", "          "))
    if len(rows) <= len(wires):
        lines.append("(what goes round in a loop or a hold is counted once)")
    return lines


def _with_short_names(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Return rows of song, port and figures that fit the width: names give way, the song's first."""
    longest = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    room = max(2 * _SHORTEST_NAME, width() - sum(longest[2:]) - 2 * (len(longest) - 1))
    song = max(_SHORTEST_NAME, room - longest[1])
    port = room - min(song, longest[0])
    return [(middle_shortened(row[0], song), middle_shortened(row[1], port), *row[2:]) for row in rows]


def _sum_up(problems: list[Problem], rows: Sequence[Row] = ()) -> str:
    signs = [*(problem.severity for problem in problems), *(row.sign for row in rows)]
    counts = {kind: signs.count(kind) for kind in ("error", "warning", "note")}
    told = ", ".join(plural(count, kind) for kind, count in counts.items() if count) or "no problems"
    if counts["error"]:
        return f"{told}; it cannot be played"
    return f"{told}; the rig is not complete" if "missing" in signs else told
