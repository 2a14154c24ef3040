"""The spare engine: all that takes time is done, and then it waits to be needed."""

from __future__ import annotations

import contextlib
import gc
import os
import select

import runner.ports.registry  # noqa: F401  (what opening ports needs is loaded now, not when notes hang)


def name_process(name: str) -> None:
    """Let `ps` and `top` show this process under `name`, 15 letters at most."""
    with contextlib.suppress(OSError), open("/proc/self/comm", "w") as file:
        file.write(name)


def stand_by(promote_fd: int, lifeline_fd: int) -> bool:
    """Wait; True when a byte says that this is the engine now, False when there is nothing to wait for.

    `promote_fd` at its end means that the keeper has no need of a spare, `lifeline_fd` that it is gone.
    """
    gc.collect()
    gc.freeze()
    while True:
        ready, _, _ = select.select([promote_fd, lifeline_fd], [], [])
        if promote_fd in ready:
            promoted = bool(os.read(promote_fd, 1))
            os.close(promote_fd)
            return promoted
        if lifeline_fd in ready:
            return False
