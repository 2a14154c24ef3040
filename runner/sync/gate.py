"""Refuses arrivals that cannot be a clock: impossible or backward time stamps, and too many at once.

What is refused is counted; the first is reported at once, the others once a second.
"""

from __future__ import annotations

from typing import NamedTuple

from runner.sync.prior import CLOCKS_PER_QUARTER, NS_PER_MINUTE

_MOST_NS = 1 << 62
_FLOOD_CLOCKS = 96  #: so many clocks may come at once; beyond, only twice as many as the fastest tempo has
_BACKWARD_CLOCKS = 8  #: so many arrivals in a row from the past mean that the time stamps have begun anew
_REFUSAL_EVERY_NS = 1_000_000_000


class Admission(NamedTuple):
    """Whether an arrival may be a clock: `refused` is why not; `anew`: it may, and time has begun anew."""

    refused: str = ""
    anew: bool = False


_ADMITTED = Admission()


class ArrivalGate:
    """Judges each arrival by its time stamp alone. `max_bpm`: the fastest tempo that there is."""

    __slots__ = ("_backward", "_budget", "_fastest_ns", "_refusal_ns", "_refused", "_refused_why")

    def __init__(self, max_bpm: float) -> None:
        self._fastest_ns = NS_PER_MINUTE / CLOCKS_PER_QUARTER / max_bpm
        self._budget = float(_FLOOD_CLOCKS)
        self._backward = 0
        self._refused = 0
        self._refused_why = ""
        self._refusal_ns: int | None = None

    def admit(self, arrival_ns: int, last_ns: int | None, interval_ns: float) -> Admission:
        """Judge an arrival; `last_ns` is that of the newest clock, if any, `interval_ns` the usual one."""
        if not -_MOST_NS < arrival_ns < _MOST_NS:
            return Admission("its time stamp is out of range")
        if last_ns is None:
            return _ADMITTED
        since = arrival_ns - last_ns
        if since < -interval_ns:
            self._backward += 1
            if self._backward < _BACKWARD_CLOCKS:
                return Admission("its time stamp goes backward")
            return Admission(anew=True)
        self._backward = 0
        self._budget = min(float(_FLOOD_CLOCKS), self._budget + 2.0 * max(0, since) / self._fastest_ns)
        if self._budget < 1.0:
            return Admission("clocks come faster than any tempo")
        self._budget -= 1.0
        return _ADMITTED

    def forget(self) -> None:
        """The clocks to come do not continue those before."""
        self._backward = 0

    def count_refusal(self, t_ns: int, why: str) -> int:
        """Count a refused clock; return how many are to be reported now, 0 for none."""
        self._refused += 1
        quiet = self._refusal_ns
        if quiet is not None and why == self._refused_why and 0 <= t_ns - quiet < _REFUSAL_EVERY_NS:
            return 0
        count = self._refused
        self._refused, self._refused_why, self._refusal_ns = 0, why, t_ns
        return count
