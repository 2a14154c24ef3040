"""Clock arithmetic, pure: following another machine's clock and judging it. Times are always passed in.

Names are fetched when they are asked for: an audit needs the words of the findings, and not the follower.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from runner.sync.arrival import ArrivalClock
    from runner.sync.findings import KINDS, Code, Finding
    from runner.sync.follower import Follower
    from runner.sync.jitter import JitterClass, JitterFigures
    from runner.sync.listener import ClockListener
    from runner.sync.prior import GridPrior, SteadyPrior, TempoPrior
    from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent, Tick, TickVerdict
    from runner.sync.settling import SettlingReport
    from runner.sync.states import LockState, Transport
    from runner.sync.watch import ClockWatch, Pace, WatchConfig

__all__ = [
    "KINDS",
    "ArrivalClock",
    "ClockListener",
    "ClockWatch",
    "Code",
    "EventKind",
    "Finding",
    "Follower",
    "FollowerConfig",
    "FollowerEvent",
    "GridPrior",
    "JitterClass",
    "JitterFigures",
    "LockState",
    "Pace",
    "SettlingReport",
    "SteadyPrior",
    "TempoPrior",
    "Tick",
    "TickVerdict",
    "Transport",
    "WatchConfig",
]

_HOMES = {
    "arrival": ("ArrivalClock",),
    "findings": ("KINDS", "Code", "Finding"),
    "follower": ("Follower",),
    "jitter": ("JitterClass", "JitterFigures"),
    "listener": ("ClockListener",),
    "prior": ("GridPrior", "SteadyPrior", "TempoPrior"),
    "reports": ("EventKind", "FollowerConfig", "FollowerEvent", "Tick", "TickVerdict"),
    "settling": ("SettlingReport",),
    "states": ("LockState", "Transport"),
    "watch": ("ClockWatch", "Pace", "WatchConfig"),
}


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"runner.sync.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
