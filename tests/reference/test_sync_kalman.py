"""The servo against a Kalman filter written here from the textbook equations, and against the error bound.

Equations: x' = F x, P' = F P F^T; S = H P H^T + R, K = P H^T / S, x += K (y - H x), P = (I - K H) P
(Kalman 1960; any textbook). With no process noise the filter is the recursive least-squares line.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from runner.sync import Follower, GridPrior, SteadyPrior
from runner.sync.fit import LineFit
from runner.sync.servo import Servo


class Kalman:
    """Two states, phase (ns) and rate; measurement variance `r`; no process noise."""

    def __init__(self, phase: float, rate: float, rate_sd: float, r: float) -> None:
        self.x = np.array([phase, rate])
        self.p = np.diag([r, rate_sd**2])
        self.r = r

    def step(self, dx: float, y: float) -> None:
        f = np.array([[1.0, dx], [0.0, 1.0]])
        self.x = f @ self.x
        self.p = f @ self.p @ f.T
        gain = self.p[:, 0] / (self.p[0, 0] + self.r)
        self.x = self.x + gain * (y - self.x[0])
        self.p = self.p - np.outer(gain, self.p[0, :])


@pytest.mark.parametrize("rate_sd", [0.001, 0.1])
def test_the_line_is_the_kalman_filter(rate_sd: float) -> None:
    """Phase, rate and their variances equal the Kalman filter's, with a prior and uneven spacing."""
    random = np.random.default_rng(1)
    sigma = 1e6
    steps = random.uniform(1e7, 4e7, 100)
    line = LineFit(1e9, 1.0, sigma**2 / rate_sd**2)
    line.start(0.0, 0.0)
    kalman = Kalman(0.0, 1.0, rate_sd, sigma**2)
    x = 0.0
    for step in steps:
        x += step
        y = 1.002 * x + random.normal(0, sigma)
        line.add(x, y)
        kalman.step(step, y)
    assert line.phase == pytest.approx(kalman.x[0], abs=1.0)
    assert line.rate == pytest.approx(kalman.x[1], rel=1e-9)
    assert sigma**2 * line.spread(x) == pytest.approx(kalman.p[0, 0], rel=1e-6)


def test_the_follower_is_the_kalman_filter_while_it_acquires() -> None:
    """Over the first eight beats through a ramp, the follower predicts as the Kalman filter in map time."""
    clocks = 192
    tempo = np.linspace(112, 116, clocks + 50)
    grid = [0, *(int(t) for t in np.cumsum(60e9 / 24 / tempo))]
    random = np.random.default_rng(2)
    sigma = 1e6
    follower = Follower(prior=GridPrior(grid))
    follower.start(0)
    kalman = None
    for count in range(clocks):
        arrival = round(10**9 + 1.0005 * grid[count] + random.normal(0, sigma))
        follower.clock(arrival)
        if kalman is None:
            kalman = Kalman(float(arrival), 1.0, 0.001, sigma**2)
        else:
            kalman.step(grid[count] - grid[count - 1], arrival)
    assert kalman is not None
    ahead = follower.time_of(clocks + 23)
    assert ahead is not None
    expected = kalman.x[0] + kalman.x[1] * (grid[clocks + 23] - grid[clocks - 1])
    # the follower learns sigma, the Kalman filter here is told it: a hundredth of the jitter apart
    assert ahead == pytest.approx(expected, abs=0.02 * sigma)


def test_the_fading_line_has_the_textbook_variance() -> None:
    """A line of memory m has a phase variance near 1.25 / m in steady state (fading memory, degree 1)."""
    random = np.random.default_rng(3)
    memory, sigma = 100.0, 1e6
    off = []
    for _ in range(40):
        line = LineFit(memory, 1.0, 1.0)
        line.start(0.0, 0.0)
        noise = random.normal(0, sigma, 1500)
        for k in range(1, 1500):
            line.add(k * 2e7, k * 2e7 + noise[k])
            if k > 800 and k % 100 == 0:
                off.append((line.phase - k * 2e7) / sigma)
    assert np.std(off) == pytest.approx(sqrt(1.25 / memory), rel=0.12)


def test_the_jitter_estimate_is_unbiased() -> None:
    """The servo's own estimate of the jitter is right within its statistics (chi-square, 30 runs)."""
    random = np.random.default_rng(4)
    found = []
    for _ in range(30):
        servo = Servo(0.001, 1e6)
        servo.first(0.0, 0.0)
        for k in range(1, 400):
            servo.add(k * 2e7, k * 2e7 + random.normal(0, 2e6))
        found.append(servo.variance)
    assert sqrt(np.mean(found)) == pytest.approx(2e6, rel=0.03)


def test_the_rate_uncertainty_is_honest() -> None:
    """The stated standard deviation of the tempo is that of its errors over 150 runs, within 15 %."""
    random = np.random.default_rng(5)
    off, stated = [], []
    for _ in range(150):
        follower = Follower()
        follower.start(0)
        for k in range(96):
            follower.clock(round(10**9 + k * 2e7 + random.normal(0, 1e6)))
        bpm, sd = follower.bpm, follower.rate_sd
        assert bpm is not None
        assert sd is not None
        off.append(125.0 / bpm - 1)
        stated.append(sd)
    assert np.mean(stated) == pytest.approx(np.sqrt(np.mean(np.square(off))), rel=0.15)


def test_a_quarter_is_24_clocks() -> None:
    """Predicted times of counts 24 apart are a quarter note apart (MIDI 1.0 p. 30)."""
    follower = Follower(prior=SteadyPrior(60.0))
    follower.start(0)
    follower.clock(10**9)
    assert follower.time_of(24) == 2 * 10**9
