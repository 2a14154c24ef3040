"""Puts received clocks on their grid: which tick is which, which are missing, which are too many.

Pure, and from the arrival times alone, so that it also judges the follower that was there at the time.
A two-state filter (phase and period) predicts each tick; an arrival counts as the tick that it is nearest
to. A tick that is held up and followed at once by the next one is late, not lost, and one that comes far
too early is not doubled: a hole and an excess within `FRESH_TICKS` of each other cancel out.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from runner.audit.statistics import least_squares

#: Gains of phase and period. Low ones let jitter of a sixth of the interval through and lose a step of
#: tempo by 10 %; high ones the other way round. The grid with the fewest faults is the likeliest.
GAINS = ((0.08, 0.003), (0.3, 0.05), (0.5, 0.1))
FRESH_TICKS = 4
HELD_BACK_NS = 1_000_000  #: from one clock to the next when a stalled link delivers what it held back
_STALL_TICKS = 48
_ROUGH = 0.12  #: of an interval: from this scatter on, faults must prove themselves
_ALIASED = 0.25  #: of an interval: from here on the nearest tick is often another one, and fits too well
_AS_GOOD = 1.15  #: ratio of scatters up to which a clock without faults is the better explanation
_AS_GOOD_IN_TEMPO = (
    1.3  #: likewise, where a clock without faults has the song's tempo and one with them has not
)
_IN_TEMPO = 0.001  #: so near to the song's tempo is in it
_STRETCH_TICKS = 48  #: over which any tempo of a song is steady enough for a straight line
_BEAT_TICKS = 24
PAUSE_TICKS = 72  #: a longer silence is a pause: how many ticks it would have held cannot be known


@dataclass(frozen=True, slots=True)
class GridFault:
    """`count` ticks missing before arrival `index`, or arrival `index` in excess of the grid."""

    kind: str  #: "missing", "extra" or "pause"
    index: int
    t_ns: int
    count: int


@dataclass(slots=True)
class Grid:
    """`number[i]` is the grid index of arrival i; arrivals in excess have that of the tick they double."""

    number: array[int] = field(default_factory=lambda: array("q"))
    faults: list[GridFault] = field(default_factory=list)

    @property
    def missing(self) -> int:
        """How many ticks never came."""
        return sum(fault.count for fault in self.faults if fault.kind == "missing")

    @property
    def extra(self) -> int:
        """How many arrivals were too many."""
        return sum(fault.count for fault in self.faults if fault.kind == "extra")


def first_period(t_ns: Sequence[int]) -> float | None:
    """Return the interval at the beginning, or None of fewer than two arrivals.

    It is the median of what a beat took, beginning at each of the first three beats' clocks: what a link
    held back and delivered together moves only few of these, and each only by a share.
    """
    reach = min(_BEAT_TICKS, max(1, len(t_ns) // 2))
    spans = sorted(t_ns[i + reach] - t_ns[i] for i in range(min(3 * _BEAT_TICKS, len(t_ns) - reach)))
    return spans[len(spans) // 2] / reach if spans and spans[len(spans) // 2] > 0 else None


def _first_phase(t_ns: Sequence[int], period_ns: float) -> float:
    """Return when the first tick should have come: by the median of a dozen, as the first may be far off."""
    phases = sorted(t - index * period_ns for index, t in enumerate(t_ns[:12]))
    phase = phases[len(phases) // 2]
    return phase - period_ns * round((phase - t_ns[0]) / period_ns)


def place_on_grid(t_ns: Sequence[int], period_ns: float | None = None) -> Grid:
    """Return where each arrival lies on the clock's grid; `period_ns` is the tempo's if one is known."""
    measured = first_period(t_ns)
    if period_ns is None or (measured is not None and not 0.7 < measured / period_ns < 1.4):
        period_ns = measured
    if period_ns is None:
        return Grid(array("q", [0] * len(t_ns)))
    best = _place(t_ns, period_ns, *GAINS[0])
    for gains in GAINS[1:]:
        if best.faults:
            other = _place(t_ns, period_ns, *gains)
            best = min(best, other, key=lambda grid: sum(fault.count for fault in grid.faults))
    _match_held_back(t_ns, best)
    _forget_cut_off(t_ns, best)
    return _without_doubtful_faults(t_ns, best, period_ns)


def _match_held_back(t_ns: Sequence[int], grid: Grid) -> None:
    """Let a hole and an excess cancel out where a link delivered what it had held back.

    There several clocks come within a millisecond of each other, and two such stalls close together can leave
    one tick in excess of the first and one hole in the second.
    """
    left: list[GridFault] = []
    for fault in grid.faults:
        pair = next(
            (
                index
                for index in range(len(left) - 1, -1, -1)
                if {left[index].kind, fault.kind} == {"missing", "extra"}
                and fault.index - left[index].index <= _STALL_TICKS
                and _stalled(t_ns, left[index].index)
                and _stalled(t_ns, fault.index)
            ),
            None,
        )
        if pair is None:
            left.append(fault)
            continue
        old = left.pop(pair)
        rest = old.count - fault.count
        if rest:
            longer = old if rest > 0 else fault
            left.append(GridFault(longer.kind, longer.index, longer.t_ns, abs(rest)))
    grid.faults[:] = left


def _forget_cut_off(t_ns: Sequence[int], grid: Grid) -> None:
    """Forget a last hole that was still being filled, clock upon clock, when the record ended."""
    last = grid.faults[-1] if grid.faults else None
    if last is None or last.kind != "missing" or len(t_ns) - last.index < 2:
        return
    if all(after - before < HELD_BACK_NS for before, after in pairwise(t_ns[last.index :])):
        grid.faults.pop()


def _stalled(t_ns: Sequence[int], index: int) -> bool:
    near = t_ns[max(0, index - 12) : index + 12]
    return sum(1 for before, after in pairwise(near) if after - before < HELD_BACK_NS) >= 3


def _without_doubtful_faults(t_ns: Sequence[int], grid: Grid, period_ns: float) -> Grid:
    """Return the grid, or one without any fault if a very irregular clock is explained as well by that.

    Where the arrivals scatter by a good part of an interval, the filter loses its place now and then. A
    fault must then show in the scatter about lines: through stretches, and, of a clock of one tempo, through
    all of it, where a clock that is lacking moves all that follow.
    """
    if not grid.faults or any(fault.kind == "pause" for fault in grid.faults):
        return grid
    plain = range(len(t_ns))
    near, plain_near = _scatter(grid.number, t_ns), _scatter(plain, t_ns)
    whole, plain_whole = least_squares(grid.number, t_ns), least_squares(plain, t_ns)
    if near < _ROUGH * period_ns or whole is None or plain_whole is None:
        return grid
    in_tempo = abs(plain_whole.slope / period_ns - 1) < _IN_TEMPO < abs(whole.slope / period_ns - 1)
    as_good = _AS_GOOD_IN_TEMPO if in_tempo else _AS_GOOD
    steady = whole.residual_sd < 2 * near or plain_whole.residual_sd < 2 * plain_near
    if near < _ALIASED * period_ns and plain_near > as_good * near:
        return grid
    if steady and plain_whole.residual_sd > as_good * whole.residual_sd:
        return grid
    return Grid(array("q", plain))


def _scatter(number: Sequence[int], t_ns: Sequence[int]) -> float:
    """Return the standard deviation about straight lines, one through each stretch of two beats, in ns."""
    squares, count = 0.0, 0
    for first in range(0, len(t_ns), _STRETCH_TICKS):
        after = first + _STRETCH_TICKS
        line = least_squares(number[first:after], t_ns[first:after])
        if line is not None:
            squares += line.residual_sd**2 * line.count
            count += line.count
    return (squares / count) ** 0.5 if count else 0.0


def _place(t_ns: Sequence[int], period: float, phase_gain: float, period_gain: float) -> Grid:
    grid = Grid()
    grid.number.append(0)
    phase, number = _first_phase(t_ns, period), 0
    for index in range(1, len(t_ns)):
        t = t_ns[index]
        step = round((t - phase) / period)
        if step <= 0:
            _take_double(grid, index, t, number, period)
            continue
        if step > PAUSE_TICKS:
            grid.faults.append(GridFault("pause", index, t, step - 1))
            phase = float(t)
        else:
            if step > 1:
                _leave_hole(grid, index, t, step - 1)
            phase += step * period
            error = t - phase
            phase += phase_gain * error
            period += period_gain * error / step
        number += step
        grid.number.append(number)
    return grid


def _leave_hole(grid: Grid, index: int, t: int, count: int) -> None:
    """Note ticks that did not come; fresh arrivals in excess were the first of them, too early."""
    while count and grid.faults and grid.faults[-1].kind == "extra":
        if index - grid.faults[-1].index > FRESH_TICKS:
            break
        grid.faults.pop()
        count -= 1
    if count:
        grid.faults.append(GridFault("missing", index, t, count))


def _take_double(grid: Grid, index: int, t: int, number: int, period: float) -> None:
    """Count an arrival for a tick that has been there: it fills a fresh hole, or it is one too many.

    What a stalled link held back comes in a row after the hole, so that a hole is fresh for a few ticks and
    for as long as it takes to deliver all that it lacks.
    """
    last = grid.faults[-1] if grid.faults else None
    fresh = last is not None and (
        index - last.index <= FRESH_TICKS or t - last.t_ns < FRESH_TICKS * period + last.count * HELD_BACK_NS
    )
    if last is not None and last.kind == "missing" and fresh:
        if last.count > 1:
            grid.faults[-1] = GridFault("missing", last.index, last.t_ns, last.count - 1)
        else:
            grid.faults.pop()
    else:
        grid.faults.append(GridFault("extra", index, t, 1))
    grid.number.append(number)
