"""Fixtures that several folders of tests share."""

from __future__ import annotations

import compileall
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from campaign_share import first_of_each, in_turn
from hypothesis import HealthCheck, settings
from jack_server import JackServer, jack_environment
from live_repeat import LiveTests, told

# property tests are the same on each run, and a busy computer does not fail them; .ci/run adds a thorough run
_steady = settings(deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("quay", _steady, max_examples=50)
settings.register_profile("thorough", _steady, max_examples=400)
settings.load_profile("quay")


@pytest.fixture(scope="module")
def jack_server() -> Iterator[JackServer]:
    """A JACK server for a file of tests; clients of this process and of its children find it.

    Not one for the whole run: a server that nobody uses wakes up 750 times a second all the same, which was
    a tenth of all the computer's time that the tests took.
    """
    with jack_environment() as server:
        yield server


def pytest_configure(config: pytest.Config) -> None:
    """Compile the program once, as an installed one is, before the first of its processes is started.

    Where Python is told to write no bytecode (PYTHONDONTWRITEBYTECODE), each of the hundreds of processes
    that the tests start would else compile 150 modules anew.
    """
    if not hasattr(config, "workerinput"):  # once for all workers
        compileall.compile_dir(Path(__file__).parents[1] / "runner", quiet=2)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a run of the campaigns end by itself: .ci/run takes a bounded share of them."""
    parser.addoption(
        "--campaign-minutes",
        type=float,
        default=None,
        help="play a case of each campaign, then more in turn, and begin none after so many minutes",
    )


_BEGAN = time.monotonic()
_LIVE = LiveTests()


def _is_live(item: pytest.Item) -> bool:
    return any(item.iter_markers("live")) or any(item.iter_markers("realport"))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """Play a live test, again if the computer stood still in it; others are played by pytest."""
    if not _is_live(item):
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for report in _LIVE.play(item, nextitem):
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def pytest_unconfigure() -> None:
    """Let the witness go."""
    _LIVE.close()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Tell which live tests were played again."""
    reports = [report for found in terminalreporter.stats.values() for report in found]
    if lines := told([report for report in reports if isinstance(report, pytest.TestReport)]):
        terminalreporter.section("played again")
        terminalreporter.write_line("\n".join(lines))


@pytest.hookimpl(trylast=True)  # after the order was made random
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put live tests first, and a share of the campaigns in its order, which is the same in each run.

    Tests of real processes in real time wait most of the time, and are to meet no computer that others keep
    busy: those that do nothing but compute come after them.
    """
    live = {item.path for item in items if _is_live(item)}
    items.sort(key=lambda item: item.path not in live)
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
