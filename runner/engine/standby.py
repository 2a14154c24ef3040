"""The spare engine: all that takes time is done, and then it waits to be needed.

On ALSA a port is open within some milliseconds, so the spare has none. A JACK server is slow to answer after
one of its clients was killed (30 ms for each of them, then as much for each new one), so there the spare has
the outputs open already, and sends nothing on them.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
from collections.abc import Sequence
from dataclasses import replace

from runner.engine.rescue import RescueFile
from runner.errors import TakewrightError
from runner.play.commands import RigConfig
from runner.ports.base import Port, PortConfig
from runner.ports.midi_service import choose_service
from runner.ports.registry import open_ports
from runner.ports.system import SystemMidiPort

STANDS_BY = b"s"  #: on the beat pipe; the keeper knows it too
LOOK_S = 1.0  #: how often a spare sees whether it still has what it would need


def name_process(name: str) -> None:
    """Let `ps` and `top` show this process under `name`, 15 letters at most."""
    with contextlib.suppress(OSError), open("/proc/self/comm", "w") as file:
        file.write(name)


def open_to_rescue(config: RigConfig, wake_fd: int) -> dict[str, Port]:
    """Open what there is of a rig, as far as it is needed to silence it; `complete` does the rest."""
    configs = [replace(PortConfig.from_dict(port), wait=True) for port in config.ports]
    return open_ports({port.name: port for port in configs}, wake_fd=wake_fd, inputs_later=True)


def lossy_after_a_death(ports: Sequence[Port]) -> list[int]:
    """Return the ports on which what is sent may vanish while the system is busy with a client that died."""
    if choose_service().api != "jack":
        return []
    return [index for index, port in enumerate(ports) if isinstance(port, SystemMidiPort)]


class Outputs:
    """The outputs that a spare has open, where that is worth it."""

    def __init__(self, rescue: RescueFile, wake_fd: int) -> None:
        self._rescue = rescue
        self._wake_fd = wake_fd
        self._config: RigConfig | None = None
        self._ports: dict[str, Port] = {}

    def refresh(self) -> None:
        """Follow the engine's rig, and what comes and goes of it."""
        config = self._rescue.load()
        if config == self._config and all(self._as_it_was(port) for port in self._ports.values()):
            return
        self.close()
        if config is None or choose_service().api != "jack" or not _worth_it(config):
            self._config = config
            return
        with contextlib.suppress(TakewrightError):
            self._ports = open_to_rescue(config, self._wake_fd)
            self._config = config

    def _as_it_was(self, port: Port) -> bool:
        return not port.returned() if port.trouble else port.present()

    def take(self, config: RigConfig) -> dict[str, Port] | None:
        """Hand over the ports if they are those of `config`; the taker closes them."""
        if not self._ports or config != self._config:
            self.close()
            return None
        ports, self._ports = self._ports, {}
        for port in ports.values():
            if isinstance(port, SystemMidiPort):
                port.await_service()
                break  # one service serves them all
        return ports

    def close(self) -> None:
        """Let them go."""
        for port in self._ports.values():
            port.close()
        self._ports, self._config = {}, None


def _worth_it(config: RigConfig) -> bool:
    """Whether nothing but ports of the system is in the rig: a virtual port must not be there twice."""
    media = {port["medium"] for port in config.ports}
    return "system" in media and "virtual" not in media


def stand_by(promote_fd: int, lifeline_fd: int, beat_fd: int, outputs: Outputs) -> bool:
    """Wait; True when a byte says that this is the engine now, False when there is nothing to wait for.

    `beat_fd` is told once that the spare can take over. `promote_fd` at its end means that the keeper has no
    need of a spare, `lifeline_fd` that it is gone.
    """
    gc.collect()
    gc.freeze()
    os.set_blocking(beat_fd, False)
    with contextlib.suppress(BlockingIOError, BrokenPipeError):
        os.write(beat_fd, STANDS_BY)
    while True:
        ready, _, _ = select.select([promote_fd, lifeline_fd], [], [], LOOK_S)
        if promote_fd in ready:
            promoted = bool(os.read(promote_fd, 1))
            os.close(promote_fd)
        elif lifeline_fd not in ready:
            outputs.refresh()
            continue
        else:
            promoted = False
        if not promoted:
            outputs.close()
        return promoted
