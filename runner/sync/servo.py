"""The two-state estimator of the follower: phase and rate of a clock, with a gain that adapts.

Three lines with memories of 192, 48 and 12 clocks run side by side (`LineFit`). While acquiring they
are one and the same minimum-variance estimate. Later the longest is used as long as it predicts as well
as the shorter ones; a clock that sways (tape wow) makes a shorter one win, and smoothness comes back by
itself. Two tests watch the surprises (innovations) of the line in use: one for a single clock far off,
one for a drift that builds up, which is what a step of tempo looks like. What they raise is judged in
`slips`, and a confirmed change restarts the lines from the clocks since the change.

`x` is time in the song's tempo map, `y` arrival time since an origin, both in float ns.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import islice
from math import sqrt
from operator import mul

from runner.sync.fit import LineFit

MEMORIES = (192.0, 48.0, 12.0)  #: in clocks: eight beats are estimated without any forgetting
BLIND_SD = 10.0  #: a rate "known" to 1000 % only makes one sample solvable
LOOK_BACK = 48
_GUESS_WEIGHT = 3.0  #: the first guess of the jitter counts as this many clocks
_VARIANCE_MEMORY = 400.0
_SCORE_SHARE = 1.0 / 32.0
_MIDDLE_WINS = 0.8  #: a shorter memory must predict this much better (ratio of mean squares)
_SHORT_WINS = 0.55
_OUTLIER = 3.5  #: beyond so many standard deviations a clock's weight falls
_KNOWN = 12.0  #: clocks after which the jitter estimate can be used for tests
_CAUTION = 8.0
_CONFLICT = 16.0  #: squared deviations at which the expected rate is dropped
_LEAST_VARIANCE = 1e6  #: ns^2; no clock arrives more evenly than to 1 µs
_SLOWEST = 0.65  #: a change of tempo beyond this ratio, or its inverse, is not believed
DRIFT_ALARM = 4.5


def _ramp(length: int) -> tuple[float, ...]:
    norm = sqrt(length * (length + 1) * (2 * length + 1) / 6)
    return tuple(weight / norm for weight in range(length, 0, -1))


_RAMPS = tuple(_ramp(length) for length in (6, 14, 36))


class Servo:
    """Phase and rate of one clock. `rate_sd` None: nothing is known of the rate."""

    __slots__ = (
        "_best", "_fits", "_freedom", "_guess", "_rate_sd", "_scores", "_squares",
        "history", "samples", "surprises", "variance",
    )  # fmt: skip

    def __init__(self, rate_sd: float | None, jitter_guess_ns: float) -> None:
        self._rate_sd = rate_sd
        self._guess = jitter_guess_ns * jitter_guess_ns
        self._squares = self._freedom = 0.0
        self.variance = self._guess  #: of the arrivals about the line, ns^2
        self.samples = 0  #: clocks that the present lines rest on
        self.surprises: deque[float] = deque(maxlen=LOOK_BACK)  #: newest first, scaled to the jitter
        self.history: deque[tuple[float, float]] = deque(maxlen=LOOK_BACK)  #: (x, y), newest first
        self._begin_lines(1.0, BLIND_SD if rate_sd is None else rate_sd)

    def _begin_lines(self, rate: float, rate_sd: float) -> None:
        pull = self._weighing_variance / (rate_sd * rate_sd)
        self._fits = [LineFit(memory, rate, pull) for memory in MEMORIES]
        self._scores = [self.variance] * len(MEMORIES)
        self._best = 0
        self.samples = 0

    @property
    def line(self) -> LineFit:
        """The line in use."""
        return self._fits[self._best]

    @property
    def memory(self) -> float:
        """The memory of the line in use, in clocks."""
        return MEMORIES[self._best]

    @property
    def rate_expected(self) -> bool:
        """Whether the expected rate still holds: the clocks have neither replaced nor contradicted it."""
        return self._rate_sd is not None

    @property
    def jitter_known(self) -> bool:
        """Whether enough clocks have come to judge one by the jitter of the others."""
        return self._freedom >= _KNOWN

    @property
    def cautious_variance(self) -> float:
        """The variance to test a clock by: larger while few clocks have shown it."""
        return self.variance * (1.0 + _CAUTION / max(self._freedom, 1.0))

    @property
    def _weighing_variance(self) -> float:
        """The variance by which the expected rate is weighed against the clocks.

        As soon as the clocks tell it, without the first guess: a guess of three times the true jitter would
        let a rough expectation outweigh clocks that know better.
        """
        if self._freedom < _KNOWN:
            return self.variance
        return max(self._squares / self._freedom, _LEAST_VARIANCE)

    def first(self, x: float, y: float) -> None:
        """Begin the lines with one clock; what is known of the rate stays."""
        for fit in self._fits:
            fit.start(x, y)
        self.samples = 1
        self.surprises.clear()
        self.history.clear()
        self.history.appendleft((x, y))

    def add(self, x: float, y: float) -> None:
        """Take one clock in."""
        line = self._fits[self._best]
        surprise = y - line.predict(x)
        limit = _OUTLIER * sqrt(self.variance * (1.0 + line.spread(x)))
        weight = 1.0
        if self._freedom >= 2 * _KNOWN and abs(surprise) > limit:
            weight = limit / abs(surprise)
        scores = self._scores
        for index, fit in enumerate(self._fits):
            miss = y - fit.phase - fit.rate * (x - fit.x)
            fit.add(x, y, weight)
            scores[index] += _SCORE_SHARE * (miss * miss * weight - scores[index])
        self.samples += 1
        rest = max(0.0, 1.0 - line.gain / weight)
        self._learn_jitter(surprise * surprise * rest * weight, rest)
        self.surprises.appendleft(surprise * sqrt(rest))
        self.history.appendleft((x, y))
        self._choose()
        if self.samples < 2 * MEMORIES[0] and self._rate_sd is not None:
            self._check_expected_rate()

    def _learn_jitter(self, square: float, freedom: float) -> None:
        before = self._weighing_variance
        if self._freedom > _VARIANCE_MEMORY:
            keep = 1.0 - 1.0 / _VARIANCE_MEMORY
            self._squares *= keep
            self._freedom *= keep
        self._squares += square
        self._freedom += freedom
        self.variance = (_GUESS_WEIGHT * self._guess + self._squares) / (_GUESS_WEIGHT + self._freedom)
        if self.samples < MEMORIES[1]:
            ratio = self._weighing_variance / before
            for fit in self._fits:
                fit.pull *= ratio

    def _choose(self) -> None:
        long, middle, short = self._scores
        best, score = 0, long
        if middle < _MIDDLE_WINS * score:
            best, score = 1, middle
        if short < _SHORT_WINS * score:
            best = 2
        self._best = best

    def _check_expected_rate(self) -> None:
        """Drop the expected rate when the clocks contradict it."""
        fit = self._fits[0]
        if fit.pull <= 0.0 or self._rate_sd is None or not self.jitter_known:
            return
        free = fit.rate_information
        if free <= 0.0:
            return
        alone = fit.rate + fit.pull * (fit.rate - fit.centre) / free
        off = alone - fit.centre
        if off * off > _CONFLICT * (self.variance / fit.pull + self.cautious_variance / free):
            for each in self._fits:
                each.release()
            self._rate_sd = None

    def drift_alarm(self) -> float:
        """Return how strongly the latest surprises build up like a drift, in standard deviations.

        The matched filter for a change of tempo: surprises weighted 1, 2, 3 ... since the change, over
        several spans; the largest is returned, with no sign.
        """
        surprises = self.surprises
        worst = max(abs(sum(map(mul, ramp, surprises))) for ramp in _RAMPS)
        return float(worst / sqrt(self.cautious_variance))

    def restart(self, points: Sequence[tuple[float, float]], keep_rate: bool) -> bool:
        """Begin the lines again from `points` (x, y; oldest first), the clocks since a change.

        With `keep_rate` only the phase has changed and the rate known so far is kept; without, the new
        line hinges on the old one just before the first point. False, and nothing changed, if the new
        rate is beyond belief.
        """
        old = self.line
        kept = (self._fits, self._scores, self._best, self._rate_sd, self.samples)
        past, surprises = list(self.history), list(self.surprises)
        if keep_rate:
            pull = old.rate_information + old.pull
            rate_sd = sqrt(self._weighing_variance / pull) if pull > 0 else BLIND_SD
            self._begin_lines(old.rate, rate_sd)
            rest = points
            self.first(*points[0])
        else:
            before = [point for point in islice(self.history, LOOK_BACK) if point[0] < points[0][0]]
            hinge = before[0][0] if before else points[0][0]
            pivot = (hinge, old.predict(hinge))
            self._rate_sd = None
            self._begin_lines(old.rate, BLIND_SD)
            rest = (pivot, *points)
            self.first(*pivot)
        for x, y in rest[1:]:
            for fit in self._fits:
                fit.add(x, y)
            self.history.appendleft((x, y))
        self.samples = len(rest)
        if _SLOWEST < self.line.rate / old.rate < 1.0 / _SLOWEST:
            return True
        self._fits, self._scores, self._best, self._rate_sd, self.samples = kept
        self.history.clear()
        self.history.extend(past)
        self.surprises.extend(surprises)
        return False

    def rephase(self, x: float, y: float) -> None:
        """Keep the rate, take the phase from one clock: the master has restarted its clock."""
        self.restart([(x, y)], keep_rate=True)

    def ahead_sd(self, x: float) -> float:
        """Return the standard deviation of the prediction at `x`, in ns."""
        return sqrt(self.variance * self.line.spread(x))
