"""What a session may set of a simulated machine: keys, and what their values must be.

The machines themselves read the same keys when their port is opened; this table lets `check` say what is
wrong with them by line and column, without opening anything.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Sort = Literal["time", "flag", "count", "number", "counts", "factors"]

_TIME = re.compile(r"\d+(?:\.\d+)?\s*(?:ns|us|µs|ms|s)")
_NEEDS: Mapping[Sort, str] = {
    "time": "must be a time such as 120 ms",
    "flag": "must be true or false",
    "count": "must be a whole number of 0 or more",
    "number": "must be a number",
    "counts": "must be a list of whole numbers of 0 or more",
    "factors": "must be a mapping of counts to factors",
}


@dataclass(frozen=True, slots=True)
class Setting:
    """What the value of one key must be; `low` and `high` are the ends of its range, both allowed (of a
    time, only that it is more than 0)."""

    sort: Sort
    low: float = -math.inf
    high: float = math.inf

    def problem(self, value: Any) -> str:
        """Return what is wrong with a value, in words for the user; empty if nothing is."""
        if not _is(self.sort, value):
            return _NEEDS[self.sort]
        numbers: list[float] = []
        if self.sort == "time" and self.low > 0 and not re.search("[1-9]", str(value)):
            return "must be more than 0"
        if self.sort in ("count", "number"):
            numbers = [float(value)]
        elif self.sort == "factors":
            numbers = [float(factor) for factor in value.values()]
        if any(not self.low <= number <= self.high for number in numbers):
            what = "factors must be" if self.sort == "factors" else "must be"
            return f"{what} from {self.low:g} to {self.high:g}"
        return ""


def _is(sort: Sort, value: Any) -> bool:
    if sort == "flag":
        return isinstance(value, bool)
    if sort == "time":
        whole = isinstance(value, int) and not isinstance(value, bool) and value >= 0
        return whole or (isinstance(value, str) and _TIME.fullmatch(value.strip()) is not None)
    if sort == "counts":
        return isinstance(value, list) and all(_number(item, whole=True) for item in value)
    if sort == "factors":
        return isinstance(value, dict) and all(
            _number(count, whole=True) and _number(factor) for count, factor in value.items()
        )
    return _number(value, whole=sort == "count")


def _number(value: Any, *, whole: bool = False) -> bool:
    try:
        number = float(value) if not isinstance(value, bool) else math.nan
    except (TypeError, ValueError, OverflowError):
        return False
    return math.isfinite(number) and (not whole or (number >= 0 and number == int(number)))


_TIME_, _FLAG, _COUNT = Setting("time"), Setting("flag"), Setting("count")
_CHANNEL, _DEVICE = Setting("count", 1, 16), Setting("count", 0, 126)

#: by the kind that `simulate` names
SETTINGS: Mapping[str, Mapping[str, Setting]] = {
    "drum-machine": {
        "channel": _CHANNEL,
        "bar-clocks": Setting("count", 1, 100_000),
        "settle-clocks": _COUNT,
        "latency": _TIME_,
        "follows-position": _FLAG,
        "locate": _TIME_,
        "transmit": _FLAG,
        "device-id": _DEVICE,
        "late-start-clocks": _COUNT,
        "ignore-start": _FLAG,
        "lose-every": _COUNT,
        "stuck-after": _COUNT,
    },
    "synthesizer": {
        "channel": Setting("count", 0, 16),
        "settle": _TIME_,
        "device-id": _DEVICE,
        "slow-program": _TIME_,
        "lose-note-off-every": _COUNT,
        "deaf-after": _COUNT,
    },
    "recorder": {
        "device-id": _DEVICE,
        "follows-transport": _FLAG,
        "follows-machine-control": _FLAG,
        "record-ready": _FLAG,
        "locate": _TIME_,
        "late-start-clocks": _COUNT,
        "ignore-start": _FLAG,
        "lose-every": _COUNT,
        "stuck-after": _COUNT,
        "protected": _FLAG,
        "start": _TIME_,
        "frame-rate": Setting("number", 24, 30),
        "stands-at": _TIME_,
        "time-code": _FLAG,
        "jitter": _TIME_,
        "seed": _COUNT,
        "chases": _FLAG,
        "answers": _FLAG,
        "answer": _TIME_,
        "ignores-record": _FLAG,
        "ignores-locate": _FLAG,
        "ignores-stop": _FLAG,
        "locate-misses": _TIME_,
        "speed": Setting("number", 0.5, 2),
        "codes-as": Setting("number", 0, 30),
        "stops-after": _TIME_,
        "drops-out-after": _TIME_,
        "silent-from": _TIME_,
        "silent-for": _TIME_,
    },
    "master": {
        "wait": _TIME_,
        "tempo": Setting("number", 5, 1000),
        "clocks": Setting("count", 1, 1_000_000),
        "lead": Setting("count", 0, 100_000),
        "start-at": Setting("count", 0, 16_383),
        "late-start": _TIME_,
        "gap": _TIME_,
        "jitter": _TIME_,
        "usb-grid": _FLAG,
        "burst-every": _COUNT,
        "burst": _TIME_,
        "wow-depth": Setting("number", 0, 0.5),
        "wow-period": Setting("time", 1),
        "drift-ppm": Setting("number", -100_000, 100_000),
        "missing": Setting("counts"),
        "doubled": Setting("counts"),
        "doubled-after": _TIME_,
        "without-start": _FLAG,
        "without-stop": _FLAG,
        "sensing": _FLAG,
        "steps": Setting("factors", 0.1, 10),
        "start-again": Setting("counts"),
        "floods": Setting("factors", 0, 100_000),
        "floods-delay": _FLAG,
        "second-interval": _TIME_,
        "cut-after": _COUNT,
        "seed": _COUNT,
    },
    "sink": {},
}

#: faults of the way to a simulated machine, of whatever kind
LINK_SETTINGS: Mapping[str, Setting] = {
    "unplug-after": _TIME_,
    "unplug-for": _TIME_,
    "refuse-after": _TIME_,
    "refuse-for": _TIME_,
    "hold-after": _TIME_,
    "hold-for": _TIME_,
    "hold-each": _TIME_,
}


def plain_key(key: str) -> str:
    """Return a key as the table has it: machines also take their own names, `settle_ns` for `settle`."""
    return key.replace("_", "-").removesuffix("-ns")
