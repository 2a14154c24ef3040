"""The simulated machines, by the names that a session gives them."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from typing import Any

from runner.errors import PortError
from runner.ports.drum_machine import DrumMachine, DrumSettings
from runner.ports.machine_parts import Complaint, Complaints, Machine, Said, read_settings
from runner.ports.master_machine import MasterMachine, MasterSettings
from runner.ports.recorder import Recorder, RecorderSettings, Roll
from runner.ports.synthesizer import Synthesizer, SynthesizerSettings

_MAKERS: dict[str, Callable[[Mapping[str, Any], str, int], Machine]] = {
    "drum-machine": lambda values, port, now: DrumMachine(read_settings(DrumSettings, values, port)),
    "synthesizer": lambda values, port, now: Synthesizer(read_settings(SynthesizerSettings, values, port)),
    "recorder": lambda values, port, now: Recorder(read_settings(RecorderSettings, values, port)),
    "master": lambda values, port, now: MasterMachine(read_settings(MasterSettings, values, port), now),
}
MACHINE_KINDS = tuple(_MAKERS)


def make_machine(kind: str, values: Mapping[str, Any], *, port: str, now_ns: int) -> Machine:
    """Return a machine of `kind` with the settings and faults in `values`.

    Raises:
        PortError: no such kind, no such setting, or a value of the wrong sort.
    """
    maker = _MAKERS.get(kind)
    if maker is None:
        near = difflib.get_close_matches(kind, MACHINE_KINDS, n=1, cutoff=0.5)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(MACHINE_KINDS)}"
        raise PortError(port, f"no simulated machine {kind!r}; {hint}")
    return maker(values, port, now_ns)


__all__ = [
    "MACHINE_KINDS",
    "Complaint",
    "Complaints",
    "DrumMachine",
    "DrumSettings",
    "Machine",
    "MasterMachine",
    "MasterSettings",
    "Recorder",
    "RecorderSettings",
    "Roll",
    "Said",
    "Synthesizer",
    "SynthesizerSettings",
    "make_machine",
]
