"""`takewright check`: every problem of a session file, and the load of its wires."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import json_option, session_argument
from runner.errors import ExitCode, Problem, RigError, SessionError

if TYPE_CHECKING:
    from runner.desk.prepare import Prepared


@click.command("check")
@session_argument
@click.option("--live", is_flag=True, help="Also look whether the ports are there.")
@json_option
def command(session: str, live: bool, as_json: bool) -> int:
    """Say everything that is wrong with SESSION: file, parts, cues, wire load.

    Exits 0 if nothing is, 1 if there are warnings, 2 if it cannot be played, 3 if a port is missing.
    """
    from runner.desk.prepare import read_session

    wires: list[dict[str, Any]] = []
    missing = ""
    try:
        prepared = read_session(session)
    except SessionError as error:
        problems = error.problems
    else:
        problems, wires = _compile_all(prepared)
        if live:
            missing = _missing_ports(prepared)
    code = _code(problems, missing)
    if as_json:
        result = {
            "file": session,
            "ok": code is ExitCode.OK,
            "problems": [_plain(problem) for problem in problems],
            "wires": wires,
            "missing": missing.splitlines(),
        }
        click.echo(json.dumps(result, indent=2))
        return int(code)
    _show(session, problems, wires, missing)
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


def _missing_ports(prepared: Prepared) -> str:
    """Open the session's ports and close them again; return what is missing, a line each."""
    from runner.desk.prepare import port_config
    from runner.ports.registry import open_ports

    configs = {name: port_config(name, spec) for name, spec in prepared.session.ports.items()}
    try:
        opened = open_ports(configs)
    except RigError as error:
        return str(error)
    for port in opened.values():
        port.close()
    return ""


def _code(problems: list[Problem], missing: str) -> ExitCode:
    severities = {problem.severity for problem in problems}
    if "error" in severities:
        return ExitCode.USAGE
    if missing:
        return ExitCode.RIG_MISSING
    return ExitCode.NOT_CLEAN if "warning" in severities else ExitCode.OK


def _plain(problem: Problem) -> dict[str, Any]:
    return {name: getattr(problem, name) for name in problem.__dataclass_fields__}


def _show(session: str, problems: list[Problem], wires: list[dict[str, Any]], missing: str) -> None:
    for problem in problems:
        click.echo(f"{problem.severity}: {problem}")
    for wire in wires:
        wait_ms = wire["worst_wait_ns"] / 1e6
        line = (
            f"{wire['song']}: {wire['port']} ({wire['link']}): {wire['clocks']} clocks and "
            f"{wire['messages']} messages, wire busy {100 * wire['busy_share']:.1f} % of the time; "
        )
        if wait_ms >= 0.005:
            line += f"a clock waits {wait_ms:.2f} ms at worst, at {wire['at']}, behind {wire['behind']}"
        else:
            line += "no clock ever waits" if wire["clocks"] else "it gets no clock"
        click.echo(line)
    for text in missing.splitlines():
        click.echo(f"missing: {text}")
    counts = {
        kind: sum(problem.severity == kind for problem in problems) for kind in ("error", "warning", "note")
    }
    told = ", ".join(f"{count} {kind}{'s' if count != 1 else ''}" for kind, count in counts.items() if count)
    click.echo(f"{session}: {told or 'no problems'}")
