"""Reports that may turn out to be part of something larger, held back until that is clear.

A missing clock may only have been late, an extra one may be the first of a second source, a small step a part
of a tempo that sways. Each is held for a beat or more, and then told as it is if nothing else came of it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from runner.sync.prior import CLOCKS_PER_QUARTER
from runner.sync.reports import EventKind, FollowerEvent

HOLD_CLOCKS = CLOCKS_PER_QUARTER
SMALL_STEP = 0.03  #: a step so small, as a share of the tempo, may be a part of a sway
STEP_HOLD_CLOCKS = 8 * CLOCKS_PER_QUARTER
_BUNCH_NS = 500_000_000
_BUNCH_SLACK = 4.0  #: in clocks: how far beyond a gap the clocks that it held back can come
_MOST = 128  #: reports; a clock that is broken more often than five times a clock has no larger picture


@dataclass(frozen=True, slots=True)
class Bunch:
    """Clocks that came late and together: the first of them, how many, and the longest delay in ns."""

    first: FollowerEvent
    clocks: int
    late_ns: int


class HeldReports:
    """Keeps reports of one follower in the order in which they came."""

    __slots__ = ("_bunch", "_bunch_ns", "_held", "_overdue")

    def __init__(self) -> None:
        self._held: deque[FollowerEvent] = deque()
        self._overdue: list[FollowerEvent | Bunch] = []  # to be told as soon as somebody asks
        self._bunch: Bunch | None = None
        self._bunch_ns = 0  # when the newest clock of the bunch came

    def hold(self, event: FollowerEvent) -> None:
        """Keep a report back. Beyond `_MOST` the oldest is let go: nothing is lost."""
        if len(self._held) == _MOST:
            self._overdue.append(self._held.popleft())
        self._held.append(event)

    def hold_unless_late(self, event: FollowerEvent, interval_ns: float) -> bool:
        """Match clocks counted as missing with clocks too many right after: they were only late.

        `event` is of either kind; what of it finds no match is held. Return whether anything is.
        """
        left = round(event.size)
        for index in range(len(self._held) - 1, -1, -1):
            held = self._held[index]
            missing, extra = (held, event) if event.kind is EventKind.EXTRA else (event, held)
            if missing.kind is not EventKind.MISSING or extra.kind is not EventKind.EXTRA:
                continue
            late = (extra.t_ns - missing.t_ns) / interval_ns
            if not -2.0 < late < missing.size + _BUNCH_SLACK:
                continue
            pairs = min(left, round(held.size))
            del self._held[index]
            if held.size > pairs:
                self._held.insert(index, held._replace(size=held.size - pairs))
            self._note_bunch(missing, extra.t_ns, pairs)
            left -= pairs
            if not left:
                return False
        self.hold(event._replace(size=float(left)) if left < event.size else event)
        return True

    def take_extras(self) -> int:
        """Forget the clocks too many, which a second source explains; return how many there were."""
        kept = deque(held for held in self._held if held.kind is not EventKind.EXTRA)
        many = len(self._held) - len(kept)
        self._held = kept
        return many

    def let_go(
        self, now_ns: int, interval_ns: float, *, everything: bool = False
    ) -> list[FollowerEvent | Bunch]:
        """Return what was held back for long enough, to be told now."""
        out, self._overdue = self._overdue, []
        if self._bunch is not None and (everything or now_ns - self._bunch_ns > HOLD_CLOCKS * interval_ns):
            out.append(self._bunch)
            self._bunch = None
        while self._held:
            hold_ns = _hold_clocks(self._held[0]) * interval_ns
            # what lies far in the future was noted before the time stamps leapt back
            if not everything and -hold_ns < now_ns - self._held[0].t_ns < hold_ns:
                break
            out.append(self._held.popleft())
        return out

    def _note_bunch(self, missing: FollowerEvent, extra_ns: int, pairs: int) -> None:
        bunch = self._bunch
        late_ns = extra_ns - missing.t_ns
        if bunch is not None and extra_ns - bunch.first.t_ns < _BUNCH_NS:
            self._bunch = Bunch(bunch.first, bunch.clocks + pairs, max(bunch.late_ns, late_ns))
        else:
            if bunch is not None:
                self._overdue.append(bunch)
            self._bunch = Bunch(missing, pairs, max(0, late_ns))
        self._bunch_ns = extra_ns


def _hold_clocks(event: FollowerEvent) -> float:
    """Return for how many clocks a report is held."""
    if event.kind is not EventKind.STEP:
        return float(HOLD_CLOCKS)
    return float(STEP_HOLD_CLOCKS) if abs(event.size - 1) < SMALL_STEP else 1.5 * HOLD_CLOCKS
