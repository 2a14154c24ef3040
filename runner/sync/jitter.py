"""How irregular a clock is, and of which kind: what the kind says about the way it came."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from math import cos, hypot, pi, sin, sqrt

_LATEST = 256
_FEWEST = 48
_GRID_NS = 1_000_000  #: full-speed USB moves data once a millisecond
_ON_GRID = 0.7  #: mean resultant length of arrival phases: 1 all alike, 0 anywhere
_OFF_GRID = 0.5
_STEADY_NS = 100_000
_DIN_NS = 500_000
_BUNCHED_INTERVAL = 0.12
_BUNCHED_SHARE = 0.01


class JitterClass(Enum):
    """Kinds of irregularity."""

    UNKNOWN = "unknown"  #: too few clocks yet
    STEADY = "steady"  #: under 0.1 ms
    DIN = "din"  #: under 0.5 ms: waiting behind a message or two on a 31250 baud cable
    USB_GRID = "usb-grid"  #: arrivals fall on a 1 ms grid
    BURSTS = "bursts"  #: held back, then delivered together
    IRREGULAR = "irregular"  #: more than a cable explains: a busy sender, a network, a soft clock

    @property
    def text(self) -> str:
        """The kind in words."""
        return {
            JitterClass.UNKNOWN: "too few clocks to say",
            JitterClass.STEADY: "steady",
            JitterClass.DIN: "as on a DIN cable",
            JitterClass.USB_GRID: "on a 1 ms USB grid",
            JitterClass.BURSTS: "in bursts",
            JitterClass.IRREGULAR: "irregular",
        }[self]


@dataclass(frozen=True, slots=True)
class JitterFigures:
    """The kind, the standard deviation about the prediction, and the largest deviations, in ns."""

    kind: JitterClass
    clocks: int
    sd_ns: float
    earliest_ns: float
    latest_ns: float


class JitterMeter:
    """Keeps the latest 256 clocks; `figures` judges them."""

    __slots__ = ("_arrivals", "_rows")

    def __init__(self) -> None:
        self._arrivals: deque[int] = deque(maxlen=_LATEST)
        self._rows: deque[tuple[int, int]] = deque(maxlen=_LATEST)  # (arrival, due)

    def add(self, arrival_ns: int, due_ns: int | None) -> None:
        """Take a clock and when it was predicted; None for one that is still being judged."""
        self._arrivals.append(arrival_ns)
        if due_ns is not None:
            self._rows.append((arrival_ns, due_ns))

    def figures(self) -> JitterFigures:
        """Return the kind and size of the jitter over the latest clocks."""
        rows = self._rows
        count = len(rows)
        if count < 2:
            return JitterFigures(JitterClass.UNKNOWN, count, 0.0, 0.0, 0.0)
        off = [arrival - due for arrival, due in rows]
        mean = sum(off) / count
        sd = sqrt(sum((each - mean) ** 2 for each in off) / (count - 1))
        kind = JitterClass.UNKNOWN if count < _FEWEST else self._kind(sd)
        return JitterFigures(kind, count, sd, min(off), max(off))

    def _kind(self, sd: float) -> JitterClass:
        gaps = [after - before for before, after in pairwise(self._arrivals)]
        usual = sorted(gaps)[len(gaps) // 2]
        together = sum(1 for gap in gaps if gap < _BUNCHED_INTERVAL * usual)
        if together >= max(3, _BUNCHED_SHARE * len(gaps)):
            return JitterClass.BURSTS
        arrivals, dues = zip(*self._rows, strict=True)
        if _resultant(arrivals) > _ON_GRID and _resultant(dues) < _OFF_GRID:
            return JitterClass.USB_GRID
        if sd < _STEADY_NS:
            return JitterClass.STEADY
        return JitterClass.DIN if sd < _DIN_NS else JitterClass.IRREGULAR


def _resultant(times_ns: Sequence[int]) -> float:
    """Return how alike times are modulo 1 ms: the mean resultant length of their phases."""
    turn = 2 * pi / _GRID_NS
    phases = [(t % _GRID_NS) * turn for t in times_ns]
    return hypot(sum(map(cos, phases)), sum(map(sin, phases))) / len(phases)
