"""A child process as the keeper sees it: start, watch, tell to end, kill."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence

PRIORITY = 5  #: SCHED_FIFO: above what is not real time, far below the engine and the sound system


def hurry() -> None:
    """Go before all that is not real time, where that is allowed; what is started from here does not."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))


def _begin_ahead() -> None:
    # not reset on fork: who has that cannot give it up, and its threads are to have what it takes for itself
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))


class Child:
    """One of the two child processes; `exit_fd` becomes readable when it has ended."""

    def __init__(
        self, module: str, arguments: Sequence[str], fds: Sequence[int], *, urgent: bool = False
    ) -> None:
        """Start it; an `urgent` one goes before what is not real time from its first instruction."""
        self.module = module
        self._process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            pass_fds=tuple(fds),
            stdin=subprocess.DEVNULL,
            # what is sent to the whole group is for the keeper, which then ends the two in good order
            process_group=0,
            # one call of the kernel, that needs nothing which another thread may hold where it forks
            preexec_fn=_begin_ahead if urgent else None,
        )
        self.exit_fd = os.pidfd_open(self._process.pid)
        self.started_s = time.monotonic()

    @property
    def pid(self) -> int:
        """The process id."""
        return self._process.pid

    @property
    def code(self) -> int | None:
        """The exit code, negative for a signal; None while it runs."""
        return self._process.poll()

    def how_it_ended(self) -> str:
        """Return how the process ended, in words."""
        code = self.code
        if code is not None and code < 0:
            with contextlib.suppress(ValueError):
                return f"killed by {signal.Signals(-code).name}"
        return f"exit code {code}"

    def signal(self, number: signal.Signals) -> None:
        """Send a signal; a child that has ended already is left alone."""
        with contextlib.suppress(ProcessLookupError):
            self._process.send_signal(number)

    def end(self, wait_s: float) -> None:
        """Wait for the child to end; then ask it to, and at last kill it."""
        for number in (None, signal.SIGTERM, signal.SIGKILL):
            if number is not None:
                self.signal(number)
            try:
                self._process.wait(wait_s)
                break
            except subprocess.TimeoutExpired:
                continue

    def close(self) -> None:
        """Give up the descriptor that tells of the child's end."""
        os.close(self.exit_fd)
