"""The desk's voice: lines of JSON to the keeper, which shows them and feeds the watchdog by them."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from typing import Any

from runner.desk.job import Report

WAIT_S = 1.0
_OFTEN = frozenset({"beat", "position"})


class Reporter:
    """Writes reports to a non-blocking pipe.

    A keeper that does not read loses what is told all the time, and the rest after a second; never the take.
    """

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def __call__(self, kind: str, data: Mapping[str, Any] | None = None) -> None:
        """Tell the keeper something."""
        block = Report(kind, dict(data or {})).to_line()
        deadline = time.monotonic() + (0.0 if kind in _OFTEN else WAIT_S)
        while block:
            try:
                block = block[os.write(self._fd, block) :]
            except BlockingIOError:
                if time.monotonic() >= deadline:
                    return
                time.sleep(0.005)
            except BrokenPipeError:
                return

    def warn(self, text: str) -> None:
        """Tell something that a person should know, and that stops nothing."""
        self("warning", {"text": text})
