"""When a child that died is started again: at once at first, then later and later. Pure."""

from __future__ import annotations

from collections import deque

ALLOWED = 5  #: deaths within `SPAN_S`; more is a crash loop
SPAN_S = 30.0
DELAYS_S = (0.0, 0.0, 0.25, 0.5, 1.0)  #: before each new start within the span
LOOP_S = 30.0  #: in a crash loop: before the first further attempt ...
LONGEST_S = 600.0  #: ... and at last, doubled each time


class Restarts:
    """Counts the deaths of one kind of child; all times are monotonic seconds."""

    def __init__(self, allowed: int = ALLOWED, span_s: float = SPAN_S) -> None:
        self._allowed = allowed
        self._span_s = span_s
        self._deaths: deque[float] = deque()
        self._loop_s = LOOP_S
        self.looping = False  #: whether it dies again and again

    def died(self, now_s: float) -> float:
        """Take note of a death; return how long to wait before the next start."""
        self._deaths.append(now_s)
        while now_s - self._deaths[0] > self._span_s:
            self._deaths.popleft()
        if self.looping or len(self._deaths) > self._allowed:
            wait_s = self._loop_s
            self._loop_s = min(LONGEST_S, 2 * self._loop_s)
            self.looping = True
            return wait_s
        return DELAYS_S[min(len(self._deaths), len(DELAYS_S)) - 1]

    def lives(self, now_s: float) -> bool:
        """Take note that the child lives; True if with that a crash loop is over: it lasted a span."""
        if self.looping and self._deaths and now_s - self._deaths[-1] > self._span_s + self._loop_s / 2:
            self._deaths.clear()
            self._loop_s = LOOP_S
            self.looping = False
            return True
        return False
