"""Fixtures that several folders of tests share."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from campaign_share import first_of_each, in_turn
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
        help="play a case of each campaign, then more in turn, and begin none after so many minutes",
    )


_BEGAN = time.monotonic()


@pytest.hookimpl(trylast=True)  # after the order was made random
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put a share of the campaigns in its order, which is the same in each run."""
    if config.getoption("--campaign-minutes") is not None:
        by_name = {item.nodeid: item for item in items}
        items[:] = [by_name[name] for name in in_turn(by_name)]


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave out the campaigns that no time is left for, but no campaign as a whole."""
    minutes = item.config.getoption("--campaign-minutes")
    if minutes is None or not item.get_closest_marker("campaign"):
        return
    first = item.nodeid in first_of_each(other.nodeid for other in item.session.items)
    if not first and time.monotonic() - _BEGAN > 60 * minutes:
        pytest.skip("the time for a share of the campaigns is over")
