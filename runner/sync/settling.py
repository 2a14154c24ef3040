"""After a take: how long the follower took to settle, and what lead or pre-roll would be enough."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt

from runner.sync.prior import CLOCKS_PER_QUARTER

_MARGIN_BEATS = 1
_MOST_BEATS = 64


@dataclass(frozen=True, slots=True)
class SettlingReport:
    """How the lock came about.

    `beats_to_settle` counts from the first clock to the lock (None: never locked); `locked_at` and
    `due_at` are song positions in clocks (None: before the song, or nothing was due). `enough` says
    whether the lock was there when the song needed it. `beats_needed` is the recommended lead (clock
    before Start) or, for a master that sends none, the recommended pre-roll.
    """

    beats_to_settle: float | None
    locked_at: int | None
    due_at: int | None
    enough: bool
    beats_needed: int
    jitter_ns: float
    text: str


def beats_for_lock(jitter_ns: float, limit_ns: float) -> float:
    """Return after how many beats the time one beat ahead is known within `limit_ns`, blind.

    From the least-squares line through N clocks with white jitter s: the variance d clocks beyond the
    newest is s^2 (1/N + 12 ((N-1)/2 + d)^2 / (N (N^2 - 1))).
    """
    most = _MOST_BEATS * CLOCKS_PER_QUARTER
    for clocks in range(3, most):
        reach = (clocks - 1) / 2 + CLOCKS_PER_QUARTER
        variance = 1 / clocks + 12 * reach * reach / (clocks * (clocks * clocks - 1))
        if jitter_ns * sqrt(variance) <= limit_ns:
            return clocks / CLOCKS_PER_QUARTER
    return float(_MOST_BEATS)


def settling_report(
    clocks_to_lock: int | None,
    locked_at: int | None,
    due_at: int | None,
    locked_before_song: bool,
    jitter_ns: float,
    limit_ns: float,
) -> SettlingReport:
    """Return the report of one take; arguments as in `SettlingReport`, `clocks_to_lock` in clocks."""
    beats = None if clocks_to_lock is None else clocks_to_lock / CLOCKS_PER_QUARTER
    expected = beats_for_lock(jitter_ns, limit_ns)
    needed = ceil(max(expected, beats or 0.0)) + _MARGIN_BEATS
    in_time = due_at is None or locked_before_song or (locked_at is not None and locked_at <= due_at)
    enough = beats is not None and in_time
    if beats is None:
        text = "the follower never locked"
    else:
        text = f"the follower locked after {beats:.1f} beats"
    if not enough:
        text += f"; give it {needed} beats of clock before bar 1 (a longer lead, or a longer pre-roll)"
    elif due_at is not None:
        text += f", in time; {needed} beats of clock before bar 1 are enough"
    return SettlingReport(beats, locked_at, due_at, enough, needed, jitter_ns, text)
