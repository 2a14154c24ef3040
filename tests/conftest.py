"""Fixtures that several folders of tests share."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings
from jack_server import JackServer, jack_environment

# property tests are the same on each run, and a busy computer does not fail them
settings.register_profile(
    "quay", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("quay")


@pytest.fixture(scope="session")
def jack_server() -> Iterator[JackServer]:
    """A JACK server for the whole run; clients of this process and of its children find it."""
    with jack_environment() as server:
        yield server


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a run of the campaigns end by itself: .ci/run takes a bounded share of them."""
    parser.addoption(
        "--campaign-minutes",
        type=float,
        default=None,
        help="begin no further campaign after so many minutes; the order is random, so each run differs",
    )


_BEGAN = time.monotonic()


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave out the campaigns that no time is left for."""
    minutes = item.config.getoption("--campaign-minutes")
    over = minutes is not None and time.monotonic() - _BEGAN > 60 * minutes
    if over and item.get_closest_marker("campaign"):
        pytest.skip("the time for a share of the campaigns is over")
