"""`takewright ports`: the system's MIDI ports."""

from __future__ import annotations

import json
from typing import Any, Literal

import click

from runner.cli.options import json_option


def _ways(direction: str) -> list[Literal["in", "out"]]:
    """Return the ways in which a port of the session is opened."""
    ways: list[Literal["in", "out"]] = []
    if direction != "out":
        ways.append("in")
    if direction != "in":
        ways.append("out")
    return ways


@click.command("ports")
@click.argument("session", required=False, type=click.Path(dir_okay=False))
@json_option
def command(session: str | None, as_json: bool) -> int:
    """List the system's MIDI ports; with SESSION also which of its ports they satisfy.

    Exits 3 if a port of SESSION is missing.
    """
    from runner.errors import PortError, RigError
    from runner.ports.midi_client import list_system_ports
    from runner.ports.names import match_port

    trouble = ""
    try:
        found = list_system_ports()
    except RigError as error:
        found, trouble = [], str(error)
    named: list[dict[str, Any]] = []
    missing = False
    if session:
        from runner.desk.prepare import read_session

        for name, spec in read_session(session).session.ports.items():
            row: dict[str, Any] = {"port": name, "match": spec.match, "found": None, "problem": None}
            if spec.match:
                try:
                    row["found"] = ", ".join(
                        match_port(name, spec.match, way, found).name for way in _ways(spec.direction)
                    )
                except PortError as error:
                    row["problem"] = str(error)
                    missing = True
            else:
                row["found"] = f"made here: {spec.create or spec.simulate}"
            named.append(row)
    if as_json:
        ports = [{"name": port.name, "direction": port.direction} for port in found]
        click.echo(json.dumps({"ports": ports, "session": named, "problem": trouble or None}, indent=2))
    else:
        if trouble:
            click.echo(trouble, err=True)
        for port in found:
            click.echo(f"{port.direction:<4} {port.name}")
        if not found and not trouble:
            click.echo("the system has no MIDI ports")
        for row in named:
            click.echo(f"{row['port']}: {row['found'] or row['problem']}")
    return 3 if missing or (trouble and not session) else 0
