"""The quarter frames of one port in one leg, each worked out when it is asked for. Pure of any session.

An hour at 30 frames a second has 432,000 of them, so they are no events of the timeline. Time code does not
depend on tempo: each quarter frame has its exact place in the song's time. On a wire that carries a clock as
well, one that would be in the clock's way goes out just before or just after it, whichever is nearer: at most
about half a millisecond on a DIN cable, a sixteenth of the distance between two.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from fractions import Fraction

from runner.music import FrameRate, TimeCode
from runner.music.mtc import PIECES, quarter_frame
from runner.plan.timeline import TimeCodeRole, Timeline

CLOCKS_PER_QUARTER = 24
DEFAULT_TIME_CODE = "01:00:00:00"  #: of bar 1, if a song does not say


def origin_at(text: str, rate: FrameRate) -> TimeCode:
    """Return the time code of bar 1, as a session writes it, at the rate that a machine names.

    That need not be the rate for which it was written: the numbers are taken as they are, a ';' binds nobody,
    and a frame number that the rate has not is its last one. ValueError if `text` is no time code.
    """
    code = TimeCode.parse((text or DEFAULT_TIME_CODE).replace(";", ":"), FrameRate.FPS_30)
    return TimeCode(code.hours, code.minutes, code.seconds, min(code.frames, rate.count - 1), rate)


class QuarterFrames:
    """The quarter frames of one role, by their index: 0 is the one at bar 1, negative before it.

    `clock_ns` and `clock_quarters0` are the leg's grid.
    """

    __slots__ = (
        "_clock_ns", "_code", "_code_index", "_origin", "_over", "_quarters0", "_rate", "_role", "_under",
        "end", "first",
    )  # fmt: skip

    def __init__(self, role: TimeCodeRole, clock_ns: Sequence[int], clock_quarters0: float) -> None:
        self._role = role
        self._rate = FrameRate(role.rate)
        each_ns = Fraction(10**9, 4) / self._rate.frames_per_second
        self._over, self._under = each_ns.numerator, each_ns.denominator
        self._origin = 4 * role.origin
        self._clock_ns = clock_ns
        self._quarters0 = clock_quarters0
        self._code: TimeCode | None = None
        self._code_index = 0
        self.first = self.set_from(role.first_ns)  #: index of the first quarter frame
        self.end = self._index_from(role.last_ns)  #: index after the last

    @classmethod
    def of(cls, timeline: Timeline, role: TimeCodeRole) -> QuarterFrames:
        """Return the quarter frames of a role of a timeline."""
        return cls(role, timeline.clock_ns, timeline.clock_quarters0)

    def _index_from(self, t_ns: int) -> int:
        """Return the first index whose time is not before `t_ns`."""
        index = math.floor(4 * self._rate.frames_of_ns(t_ns)) - 1
        while self.song_ns(index) < t_ns:
            index += 1
        return index

    def set_from(self, t_ns: int) -> int:
        """Return the first index not before `t_ns` that begins a set of eight: it is on an even frame."""
        index = self._index_from(t_ns)
        return index + -(self._origin + index) % PIECES

    def song_ns(self, index: int) -> int:
        """Return the song time of a quarter frame, without offset and without regard to the clock."""
        # rounded to the nearest; a half never comes about, as the divisor of every rate is 1 or 3
        return (2 * index * self._over + self._under) // (2 * self._under)

    def send_ns(self, index: int) -> int:
        """Return when a quarter frame goes out, in song time, its offset applied and clear of the clock."""
        role = self._role
        t_ns = self.song_ns(index) + role.shift_ns
        if not role.before_ns:
            return t_ns
        grid_ns = t_ns - role.clock_shift_ns
        at = bisect_right(self._clock_ns, grid_ns)
        if at >= len(self._clock_ns):
            return t_ns
        room_ns = self._clock_ns[at] - grid_ns
        if room_ns >= role.before_ns:
            return t_ns
        later_ns = room_ns + role.after_ns
        earlier_ns = role.before_ns - room_ns
        return t_ns + later_ns if later_ns < earlier_ns else t_ns - earlier_ns

    def code(self, index: int) -> TimeCode:
        """Return the time that the set of a quarter frame carries."""
        frame = (self._origin + index) // PIECES * 2
        if self._code is None or self._code_index != frame:
            self._code, self._code_index = TimeCode.of_frame(frame, self._rate), frame
        return self._code

    def data(self, index: int) -> bytes:
        """Return the message of a quarter frame."""
        return quarter_frame(self.code(index), (self._origin + index) % PIECES)

    def quarters(self, t_ns: int) -> float:
        """Return the song position of a song time: between clocks by a straight line."""
        clocks = self._clock_ns
        if len(clocks) < 2:
            return self._quarters0
        at = min(max(bisect_right(clocks, t_ns) - 1, 0), len(clocks) - 2)
        part = (t_ns - clocks[at]) / (clocks[at + 1] - clocks[at])
        return self._quarters0 + (at + part) / CLOCKS_PER_QUARTER

    def clock_at(self, t_ns: int) -> int:
        """Return the number of the last clock of the grid at or before a song time; at least 0."""
        return max(0, bisect_right(self._clock_ns, t_ns) - 1)

    def exact_quarters(self, t_ns: int) -> Fraction:
        """Return the last whole clock at or before a song time; the first of the grid before that."""
        at = self.clock_at(t_ns)
        first = Fraction(self._quarters0).limit_denominator(1_000_000)
        return first + Fraction(at, CLOCKS_PER_QUARTER)

    def index_at(self, quarters: float) -> int:
        """Return the first index that begins a set at or after a song position."""
        at = (quarters - self._quarters0) * CLOCKS_PER_QUARTER
        clocks = self._clock_ns
        if len(clocks) < 2:
            return self.first
        low = min(max(math.floor(at), 0), len(clocks) - 2)
        t_ns = clocks[low] + (at - low) * (clocks[low + 1] - clocks[low])
        return max(self.first, self.set_from(round(t_ns)))

    def send_times(self) -> list[int]:
        """Return when each goes out, in order; for the load of the wire."""
        role = self._role
        over, under, shift_ns = self._over, self._under, role.shift_ns
        half, whole = 2 * over, 2 * under
        times = [(index * half + under) // whole + shift_ns for index in range(self.first, self.end)]
        if not role.before_ns:
            return times
        clocks = self._clock_ns
        for number, t_ns in enumerate(times):
            at = bisect_right(clocks, t_ns - role.clock_shift_ns)
            if at < len(clocks) and clocks[at] - t_ns + role.clock_shift_ns < role.before_ns:
                times[number] = self.send_ns(self.first + number)
        return times

    def __iter__(self) -> Iterator[int]:
        return iter(range(self.first, self.end))
