"""MIDI ports: the system's own, in-process pairs, and simulated machines, behind one contract.

`base` states the contract; `registry.open_ports` opens what a session asks for.
"""

from __future__ import annotations

from runner.ports.base import (
    Direction,
    Medium,
    NowNs,
    Port,
    PortConfig,
    PortCounts,
    Receive,
    SendError,
)

__all__ = [
    "Direction",
    "Medium",
    "NowNs",
    "Port",
    "PortConfig",
    "PortCounts",
    "Receive",
    "SendError",
]
