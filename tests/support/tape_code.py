"""Quarter frames of a machine whose truth is known: rate, speed, jitter, losses. Times in ns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random

from runner.music import FrameRate, TimeCode
from runner.music.mtc import PIECES, quarter_frame


@dataclass
class TapeCode:
    """Time code of a tape that stands at `at` at time `begin_ns` and runs from there."""

    at: TimeCode
    begin_ns: int = 1_000_000_000
    speed: float = 1.0
    jitter_ns: float = 0.0
    seed: int = 1
    missing: frozenset[int] = frozenset()  #: numbers from the beginning
    coded: FrameRate | None = None  #: the rate that it names, if not its own
    _dice: Random = field(init=False)

    def __post_init__(self) -> None:
        self._dice = Random(self.seed)
        frame = self.at.frame + self.at.frame % 2
        self.at = TimeCode.of_frame(frame, self.at.rate)

    def true_ns(self, number: int) -> float:
        """Return when quarter frame `number` truly is."""
        each = 1e9 / 4 / float(self.at.rate.frames_per_second)
        return self.begin_ns + number * each / self.speed

    def time_of_code_ns(self, ns_after: float) -> float:
        """Return when the tape is `ns_after` of its own time behind its start."""
        return self.begin_ns + ns_after / self.speed

    def data(self, number: int) -> bytes:
        """Return quarter frame `number`."""
        code = self.at.plus(number // PIECES * 2)
        if self.coded is not None:
            code = TimeCode(code.hours, code.minutes, code.seconds, code.frames, self.coded)
            if code.frames != self.at.plus(number // PIECES * 2).frames:
                # a number that the named rate leaves out, sent all the same
                frames = self.at.plus(number // PIECES * 2).frames
                if number % PIECES < 2:
                    return bytes((0xF1, number % PIECES << 4 | frames >> 4 * (number % PIECES) & 15))
        return quarter_frame(code, number % PIECES)

    def stream(self, count: int, first: int = 0) -> Iterator[tuple[int, bytes]]:
        """Yield (arrival, message) of `count` quarter frames, in order of time."""
        last = 0
        for number in range(first, first + count):
            arrival = round(self.true_ns(number) + self._dice.gauss(0.0, self.jitter_ns))
            last = max(last, arrival)
            if number not in self.missing:
                yield last, self.data(number)
