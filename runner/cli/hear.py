"""`takewright hear`: what comes in by the system's MIDI inputs, in the words of a session file."""

from __future__ import annotations

import queue
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from runner.cli.wording import shortened
from runner.errors import ExitCode, RigError, UsageError

if TYPE_CHECKING:
    from runner.desk.controls import ControlMap
    from runner.ports.base import Port, PortConfig
    from runner.ports.names import SystemPort
    from runner.session.model import Session

_UNHEARD = (0xF8, 0xFE)  #: clock and active sensing would bury everything else
_MOST_WAITING = 10_000  #: messages that wait to be printed
_TURN_S = 0.05
_NAME_CELLS = 24

Came = tuple[str, int, bytes]  #: port, arrival in monotonic ns, message


@click.command("hear")
@click.argument("pattern", required=False)
@click.option(
    "--session",
    "session_file",
    metavar="SESSION",
    help="Hear this session's ports, and its controls' orders.",
)
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), help="End after so long, not at Ctrl-C.")
def command(pattern: str | None, session_file: str | None, seconds: float | None) -> int:
    """Print what comes in by the inputs that match PATTERN, or by all: to find out what a pedal sends.

    The last column is what to write under `controls` in a session. Clock and active sensing are left out.

    Exits 0 at Ctrl-C, 3 if there is no such input.
    """
    from runner.desk.controls import ControlMap

    if pattern and session_file:
        raise UsageError("give a pattern or a session, not both")
    controls: ControlMap | None = None
    if session_file:
        from runner.desk.prepare import read_session

        session = read_session(session_file).session
        controls = ControlMap(session)
        configs = _session_inputs(session, session_file)
    else:
        configs = _matching_inputs(pattern or "*")
    try:
        with _opened(configs) as came:
            click.echo(f"hearing {', '.join(configs)}; Ctrl-C ends it", err=True)
            _print_all(came, controls, seconds)
    except KeyboardInterrupt:
        pass
    return int(ExitCode.OK)


def words(data: bytes) -> tuple[str, str]:
    """Return a message in words, and what a control that waits for it says under `when`."""
    from runner.desk.controls import read_message

    shown = data[:16].hex(" ").upper() + (" ..." if len(data) > 16 else "")
    found = read_message(data)
    if not found:
        return shown, "no control" if found == [] else "not a whole message"
    message = found[0]
    whens = [
        " ".join((m.kind, *([str(m.number)] if m.number >= 0 else []), m.command)).strip() for m in found
    ]
    parts = [whens[0] if message.kind != "machine-control" else shown]
    if message.kind == "note" and message.value == -1:
        parts[0] += " let go"
    elif message.value is not None:
        parts.append(f"{'velocity' if message.kind == 'note' else 'value'} {message.value}")
    if message.kind == "machine-control":
        parts.append("all devices" if message.address == 127 else f"device {message.address}")
    elif message.address:
        parts.append(f"channel {message.address}")
    return ", ".join(parts), ", ".join(whens)


def line(port: str, at_s: float, data: bytes, orders: list[str]) -> str:
    """Return the line for one message; `at_s` is seconds since the beginning."""
    said, when = words(data)
    then = f"  -> {', '.join(orders)}" if orders else ""
    return f"{at_s:8.3f}  {shortened(port, _NAME_CELLS):<{_NAME_CELLS}}  {said:<36}  when: {when}{then}"


def _session_inputs(session: Session, file: str) -> dict[str, PortConfig]:
    from dataclasses import replace

    from runner.desk.prepare import port_config

    found = {name: port_config(name, spec) for name, spec in session.ports.items() if spec.direction != "out"}
    inputs = {name: replace(config, direction="in") for name, config in found.items() if config.match}
    if not inputs:
        raise UsageError(f"{file} has no input of the system's (ports with `match` and not direction: out)")
    return inputs


def _matching_inputs(pattern: str) -> dict[str, PortConfig]:
    from runner.ports.base import PortConfig
    from runner.ports.names import matches

    inputs = [port for port in _system_ports() if port.direction == "in"]
    found = [port.name for port in inputs if matches(pattern, port)]
    if not found:
        names = ", ".join(port.name for port in inputs) or "none at all: is the interface plugged in?"
        raise RigError(f"no input of the system matches {pattern!r}; there is {names}")
    return {name: PortConfig(name, "system", match=name, direction="in") for name in found}


def _system_ports() -> list[SystemPort]:
    from runner.ports.midi_client import SystemMidi

    midi = SystemMidi()
    try:
        return midi.list_ports()
    finally:
        midi.close()


def _open(configs: Mapping[str, PortConfig]) -> dict[str, Port]:
    from runner.ports.registry import open_ports

    return open_ports(configs)


@contextmanager
def _opened(configs: Mapping[str, PortConfig]) -> Iterator[queue.Queue[Came]]:
    """Open the ports and have what they hear put into a queue; what does not fit any more is dropped."""
    came: queue.Queue[Came] = queue.Queue(_MOST_WAITING)
    ports = _open(configs)

    def receiver(name: str) -> None:
        def receive(arrival_ns: int, data: bytes) -> None:
            if data[0] not in _UNHEARD and not came.full():
                came.put_nowait((name, arrival_ns, data))

        ports[name].start(receive)

    try:
        for name in ports:
            receiver(name)
        yield came
    finally:
        for port in ports.values():
            port.close()


def _print_all(came: queue.Queue[Came], controls: ControlMap | None, seconds: float | None) -> None:
    """Print until the time is over; presses that time decides are printed when it has."""
    began_ns = time.monotonic_ns()
    end_ns = None if seconds is None else began_ns + round(seconds * 1e9)
    while end_ns is None or time.monotonic_ns() < end_ns:
        try:
            port, t_ns, data = came.get(timeout=_TURN_S)
        except queue.Empty:
            now_ns = time.monotonic_ns()
            for order in controls.due(now_ns) if controls is not None else ():
                click.echo(f"{(now_ns - began_ns) / 1e9:8.3f}  {order.origin:<{_NAME_CELLS}}  -> {order}")
            continue
        orders = [str(order) for order in controls.feed(port, data, t_ns)] if controls is not None else []
        click.echo(line(port, max(0, t_ns - began_ns) / 1e9, data, orders))
        for hint in controls.hints() if controls is not None else ():
            click.echo(f"note: {hint}", err=True)
