"""A live test that fails on a computer that stood still is played again.

What a test of real processes in real time says of the program it can only say where the computer let the
program run. Where a test fails, and a witness that has nothing to do with the program had to wait as well,
it is played again with all its fixtures made anew; the summary of the run tells of it. A failure on a
computer that did not stand still is final.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol
from witness import Witness

STOOD_NS = 10_000_000  #: from here on the computer is to blame: some clocks at a fast tempo
TRIES = 3
PROPERTY = "played again"


class LiveTests:
    """Plays the live tests of one worker, and knows since when the fixtures of their file stand."""

    def __init__(self, witness: Callable[[], Witness] = Witness) -> None:
        """Begin without a witness: not every worker gets a live test."""
        self._called = witness
        self._witness: Witness | None = None
        self._made_ns: tuple[Path, int] | None = None

    def play(self, item: pytest.Item, nextitem: pytest.Item | None) -> list[pytest.TestReport]:
        """Play a test, at most `TRIES` times; return the reports of the last."""
        self._witness = self._witness or self._called()
        waits: list[str] = []
        while True:
            if self._made_ns is None or self._made_ns[0] != item.path:
                self._made_ns = (item.path, time.monotonic_ns())
            reports = runtestprotocol(item, log=False, nextitem=nextitem)
            stood_ns = self._witness.stood_ns(self._made_ns[1])
            if stood_ns < STOOD_NS or len(waits) == TRIES - 1 or not any(report.failed for report in reports):
                break
            waits.append(f"{stood_ns / 1e6:.0f} ms")
            item.session._setupstate.teardown_exact(None)  # those of the file, too, are to be made anew
            self._made_ns = None
        for report in reports:
            report.user_properties += [(PROPERTY, wait) for wait in waits]
        return reports

    def close(self) -> None:
        """Let the witness go."""
        if self._witness is not None:
            self._witness.close()
            self._witness = None


def told(reports: list[pytest.TestReport]) -> list[str]:
    """Return a line for each test that was played again."""
    return [
        f"{report.nodeid}: the computer stood still for {' and '.join(waits)}"
        for report in reports
        if report.when == "call"
        and (waits := [text for name, text in report.user_properties if name == PROPERTY])
    ]
