"""Clock arithmetic, pure: following another machine's clock and judging it. Times are always passed in."""

from runner.sync.findings import KINDS, Code, Finding
from runner.sync.follower import Follower
from runner.sync.prior import GridPrior, SteadyPrior, TempoPrior
from runner.sync.reports import EventKind, FollowerConfig, FollowerEvent, Tick, TickVerdict
from runner.sync.states import LockState, Transport

__all__ = [
    "KINDS",
    "Code",
    "EventKind",
    "Finding",
    "Follower",
    "FollowerConfig",
    "FollowerEvent",
    "GridPrior",
    "LockState",
    "SteadyPrior",
    "TempoPrior",
    "Tick",
    "TickVerdict",
    "Transport",
]
