"""A witness of the computer: when it let a process of the highest real-time priority wait, and for how long.

A test of timing that fails because the host took the computer away, or because a kernel held a core, says
nothing of the program. This process shares no code with it and has a priority above all that the tests
start: whatever makes *it* late makes everybody late. Where real-time priority is not allowed it has none, as
all others.

``python witness.py`` watches every core of the computer; for each line that comes at its standard input it
prints one with what is new: a JSON list of (monotonic ns at which a wait ended, how long it was in ns).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections import deque
from contextlib import suppress

STEP_NS = 5_000_000
LEAST_NS = 3_000_000  #: a shorter wait is nothing to tell of
PRIORITY = 90


class Witness:
    """The process, and all that it has seen so far."""

    def __init__(self) -> None:
        """Begin to watch."""
        self._waits: list[tuple[int, int]] = []
        self._process = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.stood_ns(0)

    def stood_ns(self, since_ns: int) -> int:
        """Return the longest that any core stood still in a wait that ended after `since_ns`; 0 for none."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        self._waits += map(tuple, json.loads(self._process.stdout.readline()))
        return max((wait_ns for end_ns, wait_ns in self._waits if end_ns > since_ns), default=0)

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)


def _watch(core: int, seen: deque[tuple[int, int]]) -> None:
    os.sched_setaffinity(0, {core})
    due = time.monotonic_ns()
    while True:
        due += STEP_NS
        time.sleep(max(0, due - time.monotonic_ns()) / 1e9)
        now = time.monotonic_ns()
        if now - due > LEAST_NS:
            seen.append((now, now - due))
            due = now


def main() -> None:
    """Watch until standard input is closed."""
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    seen: deque[tuple[int, int]] = deque()
    for core in os.sched_getaffinity(0):
        threading.Thread(target=_watch, args=(core, seen), daemon=True).start()
    with suppress(KeyboardInterrupt):
        for _ in sys.stdin:
            print(json.dumps([seen.popleft() for _ in range(len(seen))]), flush=True)


if __name__ == "__main__":
    main()
