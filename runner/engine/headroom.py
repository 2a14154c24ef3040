"""How long before a moment the loop gets up: learnt from how long getting up took lately.

Between the time for which a wake-up was asked and the time at which the first message is ready to go lie the
kernel's wake-up and the loop's own work on a cold cache. On a quiet computer that is 0.13 ms; on a busy one,
or a shared virtual one, one wake-up in a thousand needs more than half a millisecond. Too short a headroom
makes a clock late; too long a one is watched away and costs CPU. So it follows the longest ones, with a
slow decay: quick to grow, more than a minute of a clock at 125 BPM to shrink. Pure.
"""

from __future__ import annotations

SHORTEST_NS = 250_000
FIRST_NS = 400_000
LONGEST_NS = 800_000  #: fifty times a second this is 4 % of a core
LONGEST_FOLLOWING_NS = 400_000  #: while the loop holds, what comes in waits: a relayed clock must not
MARGIN_NS = 60_000
_DECAY_SHIFT = 12  #: each wake-up takes a 4,096th of what is too much


class Headroom:
    """Feed `took` after each timed wake-up; `ns` is how long before the next moment to get up."""

    def __init__(self, longest_ns: int = LONGEST_NS) -> None:
        self._longest_ns = longest_ns
        self.ns = min(FIRST_NS, longest_ns)

    def took(self, span_ns: int) -> None:
        """Learn that `span_ns` went by from the time asked for until the first message was ready."""
        wanted = span_ns + MARGIN_NS
        if wanted > 2 * self._longest_ns:
            return  # the computer was away: that tells nothing of how long getting up takes
        if wanted > self._longest_ns:
            # what no headroom could have covered is little reason for a longer one
            self.ns += (self._longest_ns - self.ns + 1) // 4
        elif wanted > self.ns:
            self.ns = wanted
        else:
            self.ns = max(SHORTEST_NS, self.ns - ((self.ns - wanted) >> _DECAY_SHIFT))
