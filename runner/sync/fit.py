"""A straight line through clock arrivals: recursive least squares with a limited memory.

Model: arrival y = phase + rate * x + white jitter, x being the clock's time in the song's tempo map.
While nothing is forgotten the estimate is the least-squares line, which attains the Cramér-Rao bound
for white jitter (var of the period of N pulses 12 s^2 / (N (N^2 - 1))). Once the samples' weight has
reached `memory`, each new one fades the others by 1 - 1/memory: for a long-lived line the phase then
has a variance of about 1.25 / memory of the jitter's (fading-memory filter of degree 1; from memory,
checked by simulation in the tests).

The sums are kept about the newest sample and about the present line, so that hours of samples lose
no digits. What is known of the rate beforehand enters as information `pull` toward `centre`:
pull = (jitter variance) / (variance of the expected rate), in the same unit as the sum of x squared.
"""

from __future__ import annotations


class LineFit:
    """One recursive least-squares line. All times are floats in ns."""

    __slots__ = (
        "centre", "e0", "e1", "fade", "gain", "memory", "phase", "pull", "rate", "s0", "s1", "s2", "x",
    )  # fmt: skip

    def __init__(self, memory: float, rate: float, pull: float) -> None:
        self.memory = memory
        self.fade = 1.0 - 1.0 / memory
        self.rate = rate
        self.centre = rate
        self.pull = pull
        self.phase = 0.0
        self.x = 0.0
        self.s0 = self.s1 = self.s2 = 0.0  #: sums of weight, weight * d, weight * d^2; d = x_i - x
        self.e0 = self.e1 = 0.0  #: sums of weight * residual, weight * residual * d
        self.gain = 1.0  #: share of the last sample's surprise that went into the phase

    def start(self, x: float, y: float) -> None:
        """Begin with one sample."""
        self.x, self.phase = x, y
        self.s0, self.s1, self.s2 = 1.0, 0.0, 0.0
        self.e0 = self.e1 = 0.0
        self.gain = 1.0

    def predict(self, x: float) -> float:
        """Return the line's y at `x`."""
        return self.phase + self.rate * (x - self.x)

    def add(self, x: float, y: float, weight: float = 1.0) -> None:
        """Take one sample in; `weight` below 1 for a sample that looks like an outlier."""
        step = x - self.x
        s0, e0 = self.s0, self.e0
        s1 = self.s1 - step * s0
        s2 = self.s2 - step * (self.s1 + s1)
        e1 = self.e1 - step * e0
        self.x = x
        phase = self.phase + self.rate * step
        if s0 + weight > self.memory:
            fade = self.fade
            s0 *= fade
            s1 *= fade
            s2 *= fade
            e0 *= fade
            e1 *= fade
            self.pull *= fade
        s0 += weight
        e0 += weight * (y - phase)
        bent = s2 + self.pull
        torque = e1 + self.pull * (self.centre - self.rate)
        det = s0 * bent - s1 * s1
        shift = (e0 * bent - torque * s1) / det
        turn = (torque * s0 - e0 * s1) / det
        self.gain = weight * bent / det
        self.phase = phase + shift
        self.rate += turn
        self.s0, self.s1, self.s2 = s0, s1, s2
        self.e0 = e0 - s0 * shift - s1 * turn
        self.e1 = e1 - s1 * shift - s2 * turn

    def spread(self, x: float) -> float:
        """Return the variance of the prediction at `x`, in units of the jitter's variance."""
        ahead = x - self.x
        bent = self.s2 + self.pull
        det = self.s0 * bent - self.s1 * self.s1
        return (bent - 2.0 * ahead * self.s1 + ahead * ahead * self.s0) / det

    @property
    def rate_information(self) -> float:
        """What the samples alone say about the rate: its inverse variance in units of 1 / jitter variance."""
        return self.s2 - self.s1 * self.s1 / self.s0 if self.s0 else 0.0

    def release(self) -> None:
        """Let go of what was known of the rate beforehand; the line is that of the samples alone."""
        free = self.rate_information
        if free <= 0.0:
            return
        turn = self.pull * (self.rate - self.centre) / free
        shift = -self.s1 / self.s0 * turn
        keep = 1e-9 * free
        self.phase += shift
        self.rate += turn
        self.e0 -= self.s0 * shift + self.s1 * turn
        self.e1 -= self.s1 * shift + self.s2 * turn
        self.centre, self.pull = self.rate, keep
