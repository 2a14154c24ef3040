"""A witness of the computer: how long it let a process of the highest real-time priority wait, and when.

A test of timing that fails because the host took the computer away, or because a kernel held a core, says
nothing of the program. This process shares no code with it and has a priority above all that the tests
start: whatever makes *it* late makes everybody late.

``python witness.py`` prints ``ready``, watches every core of the computer until its standard input is closed,
and prints the longest wait of all in ns. Where real-time priority is not allowed it has none, as all others.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

STEP_NS = 2_000_000
PRIORITY = 90


@dataclass
class Watch:
    """What the witness saw; `stood_ns` is the longest wait in ns once the watch is over."""

    stood_ns: int = 0


@contextmanager
def watching() -> Iterator[Watch]:
    """Watch the computer to the end of the block."""
    watch = Watch()
    process = subprocess.Popen(
        [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == "ready\n"
        yield watch
        said, _ = process.communicate(timeout=10)
        watch.stood_ns = int(said)
    finally:
        process.kill()
        process.wait()


def _longest_wait_ns(core: int, over: threading.Event, found: dict[int, int]) -> None:
    os.sched_setaffinity(0, {core})
    longest, due = 0, time.monotonic_ns()
    while not over.is_set():
        due += STEP_NS
        time.sleep(max(0, due - time.monotonic_ns()) / 1e9)
        now = time.monotonic_ns()
        longest = max(longest, now - due)
        due = max(due, now - STEP_NS)
    found[core] = longest


def main() -> None:
    """Watch until standard input is closed."""
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    over, found = threading.Event(), dict[int, int]()
    threads = [
        threading.Thread(target=_longest_wait_ns, args=(core, over, found))
        for core in os.sched_getaffinity(0)
    ]
    for thread in threads:
        thread.start()
    print("ready", flush=True)
    with suppress(KeyboardInterrupt):
        sys.stdin.read()
    over.set()
    for thread in threads:
        thread.join()
    print(max(found.values()), flush=True)


if __name__ == "__main__":
    main()
