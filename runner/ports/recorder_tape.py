"""The simulated recorder's tape: where it stands, how fast it runs, and the time code that it gives off.

Positions are ns of the tape's own time from 00:00:00:00 at its frame rate; `speed` 1.0 is that rate. The time
code sent begins on an even frame after the tape has come up to speed, as MMA RP-004/RP-008 (p. 4) has it.
"""

from __future__ import annotations

from random import Random

from runner.music import FrameRate, TimeCode
from runner.music.mtc import PIECES, full_message, quarter_frame, read_pieces


class Tape:
    """A tape with a head. `now_ns` is monotonic ns."""

    def __init__(self, rate: FrameRate, at_ns: int, speed: float = 1.0) -> None:
        self.rate = rate
        self.speed = speed
        self._at_ns = at_ns
        self._since_ns: int | None = None

    @property
    def running(self) -> bool:
        """Whether it runs (or will, once up to speed)."""
        return self._since_ns is not None

    def position_ns(self, now_ns: int) -> int:
        """Return where the head is."""
        if self._since_ns is None or now_ns <= self._since_ns:
            return self._at_ns
        return self._at_ns + round((now_ns - self._since_ns) * self.speed)

    def code(self, now_ns: int) -> TimeCode:
        """Return the time code under the head."""
        return TimeCode.of_ns(self.position_ns(now_ns), self.rate)

    def reaches_ns(self, position_ns: int) -> int:
        """Return when the running tape is at a position."""
        assert self._since_ns is not None
        return self._since_ns + round((position_ns - self._at_ns) / self.speed)

    def run(self, from_ns: int) -> None:
        """Run from `from_ns` on, up to speed at once."""
        self._since_ns = from_ns

    def halt(self, now_ns: int) -> None:
        """Stop where it is."""
        self._at_ns = self.position_ns(now_ns)
        self._since_ns = None

    def go_to(self, position_ns: int) -> None:
        """Stand somewhere else."""
        self._at_ns = position_ns
        self._since_ns = None


class TimeCodeSender:
    """The quarter frames that a running tape gives off, coded as `coded` says, with Gaussian jitter."""

    def __init__(self, tape: Tape, coded: FrameRate, jitter_ns: int, seed: int) -> None:
        self._tape = tape
        self._coded = coded
        self._jitter_ns = jitter_ns
        self._random = Random(seed)
        self._next: int | None = None  #: index of the next quarter frame
        self._next_ns = 0
        self._lowest_ns = 0
        self.lost_from_ns = self.lost_until_ns = 0  #: a fault: nothing goes out in between

    def begin(self, now_ns: int) -> None:
        """The tape begins to run."""
        position = self._tape.position_ns(now_ns)
        index = round(4 * self._tape.rate.frames_of_ns(position))
        while self._tape.rate.ns_of_quarter_frames(index) < position:
            index += 1
        self._lowest_ns = now_ns
        self._set(index + -index % PIECES)

    def end(self) -> None:
        """The tape stops."""
        self._next = None

    def _set(self, index: int) -> None:
        self._next = index
        true_ns = self._tape.reaches_ns(self._tape.rate.ns_of_quarter_frames(index))
        jittered = true_ns + round(self._random.gauss(0.0, self._jitter_ns)) if self._jitter_ns else true_ns
        self._next_ns = self._lowest_ns = max(jittered, self._lowest_ns)

    def next_ns(self) -> int | None:
        """Return when the next quarter frame goes out."""
        return None if self._next is None else self._next_ns

    def take(self) -> tuple[int, bytes] | None:
        """Return the next quarter frame and its time; None if the cable lost it."""
        assert self._next is not None
        index, at_ns = self._next, self._next_ns
        self._set(index + 1)
        if self.lost_from_ns <= at_ns < self.lost_until_ns:
            return None
        code = self.coded(TimeCode.of_frame(index // PIECES * 2, self._tape.rate))
        return at_ns, quarter_frame(code, index % PIECES)

    def full(self, now_ns: int) -> bytes:
        """Return the full message of where the tape stands."""
        return full_message(self.coded(self._tape.code(now_ns)))

    def coded(self, code: TimeCode) -> TimeCode:
        """Return the numbers of a time under the rate that is sent: a machine that lies says no more."""
        frames = min(code.frames, self._coded.count - 1)
        return TimeCode(code.hours, code.minutes, code.seconds, frames, self._coded)


class Chase:
    """What a recorder makes of time code that it is sent: from a whole set of eight it knows where to be."""

    def __init__(self) -> None:
        self._nibbles: list[int] = []
        self.last_ns: int | None = None

    def take(self, data: bytes, t_ns: int) -> TimeCode | None:
        """Take a quarter frame; return the time of a whole set: that of seven quarter frames ago."""
        self.last_ns = t_ns
        piece, nibble = data[1] >> 4 & 0x07, data[1] & 0x0F
        if piece != len(self._nibbles):
            self._nibbles = []
            if piece:
                return None
        self._nibbles.append(nibble)
        if len(self._nibbles) < PIECES:
            return None
        whole, self._nibbles = self._nibbles, []
        try:
            return read_pieces(whole)
        except ValueError:
            return None
