"""`takewright ports`: the system's MIDI ports."""

from __future__ import annotations

import json
from contextlib import closing
from typing import TYPE_CHECKING, Any, Literal

import click

from runner.cli.options import json_option
from runner.cli.wording import wrapped
from runner.errors import ExitCode, PortError, RigError

if TYPE_CHECKING:
    from runner.ports.names import SystemPort
    from runner.session.model_rig import PortSpec


@click.command("ports")
@click.argument("session", required=False, type=click.Path(dir_okay=False))
@json_option
def command(session: str | None, as_json: bool) -> int:
    """List the system's MIDI ports; with SESSION also which of its ports they satisfy.

    Exits 3 if a port of SESSION is missing, or if the system has no MIDI service.
    """
    found, trouble = _system_ports()
    named: list[dict[str, Any]] = []
    if session:
        from runner.desk.prepare import read_session

        specs = read_session(session).session.ports
        named = [_named(name, spec, found, trouble) for name, spec in specs.items()]
    if as_json:
        ports = [{"name": port.name, "direction": port.direction} for port in found]
        click.echo(json.dumps({"ports": ports, "session": named, "problem": trouble or None}, indent=2))
    else:
        _show(found, trouble, session, named)
    missing = any(row["problem"] for row in named)
    return int(ExitCode.RIG_MISSING if missing or (trouble and not session) else ExitCode.OK)


def _system_ports() -> tuple[list[SystemPort], str]:
    """Return the ports that the system has, and why it has none if it has no MIDI service."""
    from runner.ports.midi_client import SystemMidi

    try:
        # closed: a JACK server takes seconds to throw out a client that just ended, and answers nobody
        with closing(SystemMidi()) as midi:
            if midi.service.api == "dummy":
                return [], f"no MIDI service: {midi.service.why_not}"
            return midi.list_ports(), ""
    except RigError as error:
        return [], str(error)


def _named(name: str, spec: PortSpec, found: list[SystemPort], trouble: str) -> dict[str, Any]:
    """Return what a port of the session is on this system, or why it is nothing."""
    from runner.ports.names import match_port

    row: dict[str, Any] = {"port": name, "match": spec.match, "found": None, "problem": None}
    if spec.simulate:
        row["found"] = f"simulated {spec.simulate}"
    elif trouble:
        row["problem"] = trouble
    elif spec.create:
        row["found"] = f"made by us: {spec.create}"
    elif spec.match:
        try:
            names = {way: match_port(name, spec.match, way, found).name for way in _ways(spec.direction)}
        except PortError as error:
            row["problem"] = str(error).removeprefix(f"port {name}: ")
        else:
            row["found"] = ", ".join(f"{port} ({way})" for way, port in names.items())
            if len(set(names.values())) == 1 and len(names) == 2:
                row["found"] = f"{names['in']} (in, out)"
    return row


def _ways(direction: str) -> list[Literal["in", "out"]]:
    """Return the ways in which a port of the session is opened."""
    ways: list[Literal["in", "out"]] = ["in", "out"]
    return [way for way in ways if direction in (way, "both")]


def _show(found: list[SystemPort], trouble: str, session: str | None, named: list[dict[str, Any]]) -> None:
    from runner.ports.midi_client import CLIENT_NAME

    if trouble:
        click.echo(wrapped(trouble), err=True)
    elif not found:
        click.echo("the system has no MIDI ports")
    for port in found:
        note = "  (Takewright's own)" if port.name.startswith(f"{CLIENT_NAME}:") else ""
        click.echo(f"{port.direction:<4} {port.name}{note}")
    if session:
        if found:
            click.echo("")
        click.echo(f"ports of {session}")
    for row in named:
        text = row["found"] or f"missing: {row['problem']}"
        click.echo(wrapped(text, f"  {row['port']:<10}  ", " " * 14))
