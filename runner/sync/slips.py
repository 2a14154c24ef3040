"""Tells late, missing and extra clocks from a change of tempo or phase: by what explains most clocks.

When a clock does not fit the line, the line is held still and the next clocks are collected. Each
explanation has a cost: the surprise that it leaves (minus log likelihood of a Student density with 4
degrees of freedom, so that one stalled clock does not decide) plus a fixed cost for how rare it is. The
cheapest wins once it is cheaper than every other by a margin. With a jitter of a few percent of the
clock interval this takes two clocks, at 15 % three or four.

Residuals are arrival minus prediction in ns when each clock takes the next slot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from math import log

_TAIL = 4.0  #: degrees of freedom of the density
_RARE_SLIP = 7.0
_RARE_EACH_MORE = 0.5
_RARE_STEP = 9.0
_RARE_JUMP = 13.0
_RARE_LATE = 5.0
_MARGIN = 10.0
_MARGIN_NONE = 4.0
_LEAST_UNREAD = 0.5  #: what a clock left out costs at least; else the logarithm of interval over jitter
_FAR_BETTER = 10.0  #: ratio of squared errors from which a recount of the first clocks is believed
MOST_CLOCKS = 24  #: by then the best explanation is taken as it is
_STEEPEST = 0.3  #: a change of tempo beyond this share is not believed: that is clocks too few or too many


class Explanation(Enum):
    """What the misfit was."""

    NOTHING = "nothing"  #: late clocks, all in their slots
    SLIP = "slip"  #: clocks missing
    EXTRA = "extra"  #: clocks too many
    LATE = "late"  #: a gap lost fewer clocks than it seemed: they came late, together
    STEP = "step"  #: the tempo changed
    JUMP = "jump"  #: the phase changed, the tempo did not


#: Explanations that need not be told apart by the margin: they put the clocks into the same slots.
_AKIN = ({Explanation.STEP, Explanation.JUMP}, {Explanation.EXTRA, Explanation.LATE})


@dataclass(frozen=True, slots=True)
class Judgement:
    """The explanation chosen.

    `at`: for EXTRA the indices, among the trial's clocks, of those too many; for SLIP and LATE the index
    of the first clock that moves by `shift` slots. `since`: for STEP and JUMP, how many of the newest
    clocks lie after the change. `size`: for STEP the drift per slot, for JUMP the phase, in ns.
    """

    explanation: Explanation
    at: tuple[int, ...] = ()
    shift: int = 0
    since: int = 0
    size: float = 0.0


def _costs(residuals: Sequence[float], scale: float) -> list[float]:
    half = (_TAIL + 1.0) / 2.0
    return [half * log(1.0 + r * r * scale) for r in residuals]


def _slips(
    residuals: Sequence[float], costs: Sequence[float], period: float, scale: float
) -> Iterator[tuple[float, Judgement]]:
    """Yield each way in which clocks can be missing, with its cost."""
    for shift in sorted({1, max(1, round(residuals[-1] / period))}):
        moved = _costs([r - shift * period for r in residuals], scale)
        ahead, behind = 0.0, sum(moved)
        rare = _RARE_SLIP + _RARE_EACH_MORE * (shift - 1)
        for index, (plain, shifted) in enumerate(zip(costs, moved, strict=True)):
            yield rare + ahead + behind, Judgement(Explanation.SLIP, (index,), shift)
            ahead += plain
            behind -= shifted


def _extras(
    residuals: Sequence[float], costs: Sequence[float], period: float, scale: float
) -> Iterator[tuple[float, Judgement]]:
    """Yield each way in which there can be too many clocks: one, several in a row, every other one."""
    count = len(residuals)
    unread = max(_LEAST_UNREAD, 0.5 * log(period * period * scale))
    moved = _costs([r + period for r in residuals], scale)
    ahead, behind = 0.0, sum(moved)
    for index, (plain, shifted) in enumerate(zip(costs, moved, strict=True)):
        behind -= shifted
        yield _RARE_SLIP + unread + ahead + behind, Judgement(Explanation.EXTRA, (index,), -1)
        ahead += plain
    many = round(-residuals[-1] / period)
    if 2 <= many < count:
        rest = sum(_costs([r + many * period for r in residuals[many:]], scale))
        rare = _RARE_SLIP + _RARE_EACH_MORE * (many - 1) + unread * many
        yield rare + rest, Judgement(Explanation.EXTRA, tuple(range(many)), -1)
    if count >= 4:  # with fewer only one clock is kept, which proves no alternation
        kept = [residuals[index] + (index + 1) // 2 * period for index in range(1, count, 2)]
        dropped = tuple(range(0, count, 2))
        rare = _RARE_SLIP + unread * len(dropped)
        yield rare + sum(_costs(kept, scale)), Judgement(Explanation.EXTRA, dropped, -1)


def _late(
    residuals: Sequence[float], gap: int, period: float, scale: float
) -> Iterator[tuple[float, Judgement]]:
    """Yield the ways in which a gap has lost fewer clocks than it seemed: they were only late."""
    for shift in sorted({-gap, max(-gap, round(residuals[-1] / period))}):
        if shift < 0:
            moved = _costs([r - shift * period for r in residuals], scale)
            yield _RARE_LATE + sum(moved), Judgement(Explanation.LATE, (0,), shift)


def _best_change(
    joined: Sequence[float], costs: Sequence[float], scale: float, period: float
) -> tuple[float, Judgement]:
    """Return the cheapest change of tempo or phase within `joined` (oldest first)."""
    total = ramp = 0.0
    step: tuple[float, int, float] = (0.0, 0, 0.0)
    jump: tuple[float, int, float] = (0.0, 0, 0.0)
    for length, r in enumerate(reversed(joined), 1):
        total += r
        ramp += total
        norm = length * (length + 1) * (2 * length + 1) / 6
        slope = ramp / norm
        if length >= 3 and abs(slope) <= _STEEPEST * period and ramp * slope > step[0]:
            step = (ramp * slope, length, slope)
        mean = total / length
        if length >= 2 and abs(mean) < 0.5 * period and total * mean > jump[0]:
            jump = (total * mean, length, mean)
    options: list[tuple[float, Judgement]] = []
    for explanation, rare, (gain, length, size) in (
        (Explanation.STEP, _RARE_STEP, step),
        (Explanation.JUMP, _RARE_JUMP, jump),
    ):
        if gain:
            tail = joined[-length:]
            if explanation is Explanation.STEP:
                left = [r - size * index for index, r in enumerate(tail, 1)]
            else:
                left = [r - size for r in tail]
            cost = rare + sum(costs[:-length]) + sum(_costs(left, scale))
            options.append((cost, Judgement(explanation, since=length, size=size)))
    if not options:
        return float("inf"), Judgement(Explanation.NOTHING)
    return min(options, key=lambda option: option[0])


def judge(
    residuals: Sequence[float],
    before: Sequence[float],
    period: float,
    sigma: float,
    gap: int = 0,
    forced: bool = False,
) -> Judgement | None:
    """Return the explanation of a misfit, or None while more clocks are needed.

    Args:
        residuals: of the clocks since the first that did not fit, oldest first, in ns.
        before: scaled surprises of the clocks before it, oldest first, in ns.
        period: one clock interval in ns, above 0.
        sigma: standard deviation of a residual in ns, above 0.
        gap: slots that were passed over before the first clock, because it came that much too late.
        forced: take the best explanation now.
    """
    scale = 1.0 / (_TAIL * sigma * sigma)
    costs = _costs(residuals, scale)
    earlier = _costs(before, scale)
    base = sum(earlier)
    options = [(sum(costs), Judgement(Explanation.NOTHING))]
    options += _slips(residuals, costs, period, scale)
    options += _extras(residuals, costs, period, scale)
    if gap:
        options += _late(residuals, gap, period, scale)
    change, change_judgement = _best_change([*before, *residuals], [*earlier, *costs], scale, period)
    options.append((change - base, change_judgement))
    best, judgement = min(options, key=lambda option: option[0])
    if forced or len(residuals) >= MOST_CLOCKS:
        return judgement
    same = next((group for group in _AKIN if judgement.explanation in group), {judgement.explanation})
    lead = min(cost for cost, other in options if other.explanation not in same) - best
    margin = _MARGIN_NONE if judgement.explanation is Explanation.NOTHING else _MARGIN
    return judgement if lead >= margin and len(residuals) >= 2 else None


def recount(arrivals: Sequence[float]) -> Judgement | None:
    """Look for one missing or extra clock among the first arrivals of an unknown clock.

    Args:
        arrivals: times in ns of clocks taken for consecutive; at least 8.

    Returns where and which way the count slips, or None if a plain line explains them about as well.
    """
    plain = _line_error(list(range(len(arrivals))), arrivals)
    best, judgement = plain, None
    for at in range(1, len(arrivals)):
        slots = [index + (index >= at) for index in range(len(arrivals))]
        error = _line_error(slots, arrivals)
        if error < best:
            best, judgement = error, Judgement(Explanation.SLIP, (at,), 1)
        slots = [index - (index > at) for index in range(len(arrivals)) if index != at]
        error = _line_error(slots, [y for index, y in enumerate(arrivals) if index != at])
        if error < best:
            best, judgement = error, Judgement(Explanation.EXTRA, (at,), -1)
    return judgement if best < plain / _FAR_BETTER else None


def _line_error(slots: Sequence[int], arrivals: Sequence[float]) -> float:
    """Return the mean squared residual of the least-squares line."""
    n = len(slots)
    mean_x = sum(slots) / n
    mean_y = sum(arrivals) / n
    sxx = sum((x - mean_x) ** 2 for x in slots)
    sxy = sum((x - mean_x) * (y - mean_y) for x, y in zip(slots, arrivals, strict=True))
    syy = sum((y - mean_y) ** 2 for y in arrivals)
    return max(0.0, syy - sxy * sxy / sxx) / (n - 2)
