"""When a message really arrived: the back end's own time stamps, brought onto the monotonic clock.

A MIDI back end stamps a message when it arrives and hands over the time since the one before; the
callback that receives it may run late (another thread held the interpreter). The callback's monotonic
time is therefore never early, and the smallest difference between it and the summed-up stamps is the
true offset of the two clocks (a minimum filter). The filter looks back a few seconds only, so that
clocks which drift apart by 100 parts in a million do no harm.
"""

from __future__ import annotations

from math import isfinite

_SPAN_NS = 2_000_000_000
_LATEST_CALLBACK_NS = 500_000_000  #: a callback later than this means that the stamps have begun anew


class ArrivalClock:
    """Turns (time since the message before, callback time) into an arrival time in monotonic ns.

    One per input port. The arrival is never later than the callback. It can step back by a few
    microseconds when a better offset is found; the order of messages is never changed.
    """

    __slots__ = ("_device_ns", "_last", "_older", "_span_start", "_younger", "restarts")

    def __init__(self) -> None:
        self._device_ns: float | None = None
        self._younger = 0.0  # least offset in the present span
        self._older = 0.0  # least offset in the span before
        self._span_start = 0
        self._last = 0
        self.restarts = 0  #: how often the stamps made no sense and were begun anew

    def arrival(self, delta_s: float, callback_ns: int) -> int:
        """Return when the message arrived.

        Args:
            delta_s: the back end's time since the message before, in seconds (0.0 for the first).
            callback_ns: monotonic time at which the callback was entered.
        """
        if self._device_ns is None or not isfinite(delta_s) or delta_s < 0:
            return self._restart(callback_ns)
        self._device_ns += delta_s * 1e9
        offset = callback_ns - self._device_ns
        if callback_ns - self._span_start > _SPAN_NS:
            stale = callback_ns - self._span_start > 2 * _SPAN_NS
            self._older = offset if stale else self._younger
            self._younger = offset
            self._span_start = callback_ns
        self._younger = min(self._younger, offset)
        least = min(self._younger, self._older)
        if offset - least > _LATEST_CALLBACK_NS:
            return self._restart(callback_ns)
        arrival = min(callback_ns, round(self._device_ns + least))
        self._last = max(self._last, arrival)
        return self._last

    def _restart(self, callback_ns: int) -> int:
        if self._device_ns is not None:
            self.restarts += 1
        self._device_ns = float(callback_ns)
        self._younger = self._older = 0.0
        self._span_start = callback_ns
        self._last = callback_ns
        return callback_ns
