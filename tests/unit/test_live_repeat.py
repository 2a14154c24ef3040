"""The rule by which a live test is played again, tried on failing tests and a witness that says anything."""

from __future__ import annotations

import pytest

pytest_plugins = "pytester"

CONFTEST = """
import pytest
from live_repeat import LiveTests, told

class Said:
    def stood_ns(self, since_ns):
        return {stood_ns}
    def close(self):
        pass

LIVE = LiveTests(Said)

@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item, nextitem):
    for report in LIVE.play(item, nextitem):
        item.ihook.pytest_runtest_logreport(report=report)
    return True

def pytest_terminal_summary(terminalreporter):
    for line in told(terminalreporter.stats.get("passed", []) + terminalreporter.stats.get("failed", [])):
        print(line)
"""
TESTS = """
import pytest
made = []

@pytest.fixture(scope="module")
def rig():
    made.append("rig")
    return len(made)

def test_sound(rig):
    assert rig == 1

def test_fails_on_the_first_rig(rig):
    assert rig == 2

def test_fails_always(rig):
    assert rig == 0
"""


def _played(pytester: pytest.Pytester, stood_ns: int) -> pytest.RunResult:
    pytester.makeconftest(CONFTEST.format(stood_ns=stood_ns))
    pytester.makepyfile(TESTS)
    return pytester.runpytest_inprocess("-p", "no:randomly", "-p", "no:xdist")


def test_what_fails_on_a_computer_that_stood_still_is_played_again(pytester: pytest.Pytester) -> None:
    """With everything made anew, three times at most, and told of."""
    result = _played(pytester, 10_000_000)
    result.assert_outcomes(passed=2, failed=1)
    text = result.stdout.str()
    assert "test_fails_on_the_first_rig: the computer stood still for 10 ms\n" in text
    assert "test_fails_always: the computer stood still for 10 ms and 10 ms\n" in text
    assert "test_sound: the computer" not in text


def test_what_fails_on_a_computer_that_ran_has_failed(pytester: pytest.Pytester) -> None:
    """Nothing is played again."""
    result = _played(pytester, 9_999_999)
    result.assert_outcomes(passed=1, failed=2)
    assert "stood still" not in result.stdout.str()
