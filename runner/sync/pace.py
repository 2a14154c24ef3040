"""Judges the tempo of a clock against its own past and the song's: off the song's, stepped, or swaying.

Works on half-beats: the mean time error of 12 clocks against the song's map. That is apart from the
servo's own estimate, so that a clock which the servo follows well is still judged.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import sqrt

CLOCKS_PER_CELL = 12
_CELLS = 64  #: half-beats looked back upon: 32 beats
_FEWEST_CELLS = 24
_CROSSINGS = 3  #: a sway crosses its mean line at least so often in view; a step bends it only twice
_SWAY_OVER_NOISE = 3.0
_LEAST_SWAY_NS = 800_000


@dataclass(frozen=True, slots=True)
class Sway:
    """A slow to and fro: half its height in ns, and its period in ns of the song."""

    amplitude_ns: float
    period_ns: float


class PaceMeter:
    """Collects time errors and finds a sway in them."""

    __slots__ = ("_cells", "_count", "_error_sum", "_x_sum")

    def __init__(self) -> None:
        self._cells: deque[tuple[float, float]] = deque(maxlen=_CELLS)  # (map time, mean error)
        self._count = 0
        self._x_sum = 0.0
        self._error_sum = 0.0

    def clear(self) -> None:
        """Begin anew: the clocks to come do not continue those before."""
        self._cells.clear()
        self._count = 0
        self._x_sum = self._error_sum = 0.0

    def add(self, x_ns: float, error_ns: float) -> bool:
        """Take one clock: its time in the song's map, its error; return whether a half-beat is complete."""
        self._count += 1
        self._x_sum += x_ns
        self._error_sum += error_ns
        if self._count < CLOCKS_PER_CELL:
            return False
        self._cells.append((self._x_sum / self._count, self._error_sum / self._count))
        self._count = 0
        self._x_sum = self._error_sum = 0.0
        return True

    def sway(self, jitter_ns: float) -> Sway | None:
        """Return the slow to and fro in view if it is well above what jitter leaves in half-beat means."""
        count = len(self._cells)
        if count < _FEWEST_CELLS:
            return None
        left = _detrended(list(self._cells))
        sd = sqrt(sum(each * each for each in left) / (count - 2))
        noise = jitter_ns / sqrt(CLOCKS_PER_CELL)
        if sd * sqrt(2) < _LEAST_SWAY_NS or sd < _SWAY_OVER_NOISE * noise:
            return None
        crossings = _crossings(left, 0.3 * sd)
        if crossings < _CROSSINGS:
            return None
        span = self._cells[-1][0] - self._cells[0][0]
        return Sway(sd * sqrt(2), 2 * span / crossings)


def _detrended(cells: list[tuple[float, float]]) -> list[float]:
    """Return the errors less their least-squares line."""
    count = len(cells)
    mean_x = sum(x for x, _ in cells) / count
    mean_y = sum(y for _, y in cells) / count
    sxx = sum((x - mean_x) ** 2 for x, _ in cells)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in cells) / sxx if sxx else 0.0
    return [y - mean_y - slope * (x - mean_x) for x, y in cells]


def _crossings(values: list[float], dead_band: float) -> int:
    """Count the changes of sign, leaving out what stays within the dead band."""
    side = crossings = 0
    for value in values:
        now = 1 if value > dead_band else -1 if value < -dead_band else 0
        if now and side and now != side:
            crossings += 1
        side = now or side
    return crossings
