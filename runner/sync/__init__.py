"""Clock arithmetic, pure: following another machine's clock and judging it. Times are always passed in."""

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
