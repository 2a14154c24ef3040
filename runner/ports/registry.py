"""Opens the ports that a session asks for, whatever they are made of."""

from __future__ import annotations

import time
from collections.abc import Mapping

from runner.errors import PortError, RigError
from runner.ports.base import NowNs, Port, PortConfig
from runner.ports.memory import MemoryPort, NullPort
from runner.ports.midi_client import SystemMidi
from runner.ports.simulated import SimulatedPort
from runner.ports.system import SystemMidiPort

_ON_THE_SYSTEM = frozenset(("system", "virtual"))


def open_ports(
    configs: Mapping[str, PortConfig],
    clock: NowNs = time.monotonic_ns,
    *,
    wake_fd: int | None = None,
    inputs_later: bool = False,
) -> dict[str, Port]:
    """Open every port of `configs` and return them by the same names, in the same order.

    `clock` gives monotonic ns. When `wake_fd` is given, ports that deliver from another thread write to
    it (8 bytes, an eventfd's increment) after each delivery. Nothing is delivered before `Port.start`.
    Threads inherit the priority of the caller: ask for real time before. A lone memory port records what
    it is sent and hears nothing; `memory_pair` makes two that hear each other. A port with `wait` set is
    returned though it be missing; its `trouble` says why, and `returned` and `mend` open it later. With
    `inputs_later` ports only send until their `complete` is called.

    Raises:
        RigError: other ports are missing or cannot be opened; the text names each of them, what was looked
            for and near matches. Ports opened until then are closed again.
    """
    opened: dict[str, Port] = {}
    problems: list[str] = []
    midi, no_service = _service(configs)
    without_service: list[str] = []
    if midi is not None:
        midi.hold()  # a port that fails must not take the service from those after it
    try:
        for name, config in configs.items():
            if config.medium in _ON_THE_SYSTEM and midi is None:
                without_service.append(name)
                continue
            try:
                opened[name] = _open(config, clock, midi, wake_fd, inputs_later)
            except PortError as error:
                problems.append(str(error))
            except RigError as error:
                problems.append(f"port {name}: {error}")
        if without_service:
            problems.append(f"port {' and '.join(without_service)}: {no_service}")
        if problems:
            raise RigError("\n".join(problems))
    except BaseException:
        for port in opened.values():
            port.close()
        raise
    finally:
        if midi is not None:
            midi.release()
    return opened


def _service(configs: Mapping[str, PortConfig]) -> tuple[SystemMidi | None, str]:
    """Return the system's MIDI service, or None and why; None too when no port needs it."""
    wanted = [config for config in configs.values() if config.medium in _ON_THE_SYSTEM]
    if not wanted:
        return None, ""
    try:
        midi = SystemMidi(wait=True)
    except RigError as error:
        return None, str(error)
    if midi.trouble and not all(config.wait for config in wanted):
        midi.close()
        return None, midi.trouble
    return midi, ""


def _open(
    config: PortConfig, clock: NowNs, midi: SystemMidi | None, wake_fd: int | None, input_later: bool
) -> Port:
    if config.medium == "simulated":
        return SimulatedPort(config, clock)
    if config.medium == "memory":
        return MemoryPort(config, clock)
    if config.medium == "null":
        return NullPort(config)
    if midi is None:
        raise PortError(config.name, "no MIDI service")
    return SystemMidiPort(midi, config, clock, wake_fd=wake_fd, input_later=input_later)
