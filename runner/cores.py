"""Which core of the computer the engine's loop has to itself.

A loop that the scheduler may move from core to core pays for it: it lands where the desk is inside a system
call that a kernel without preemption does not leave, or on a core that has gone to sleep. On its own core it
was late by far less (docs/timing.md has the figures). So the loop stays on the last core that it may use, the
first being where most computers serve their interrupts, and the desk keeps off that core. Only the loop's
thread is bound: the threads of the sound system must be free to run beside it.

Two daemons on one computer must not share a core, since a loop that holds for its moment lets nobody by. They
see each other's choice in /proc, which needs no file and leaves nothing behind. With one core to choose from,
or none that is free, nothing is bound.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

ENGINE_NAME = "tw-engine"  #: how an engine is called among the processes, 15 letters at most

_PROC = Path("/proc")


def choose_core(allowed: Collection[int], taken: Collection[int]) -> int | None:
    """Return the core for a loop: the last that is allowed and not taken, never the first, or None."""
    free = [core for core in sorted(allowed)[1:] if core not in taken]
    return free[-1] if free else None


def cores_of_engines(proc: Path = _PROC) -> dict[int, int]:
    """Return the core of each engine that is bound to one, by process id, as far as they can be seen."""
    found = {}
    for folder in proc.iterdir():
        if folder.name.isdigit():
            with suppress(OSError, ValueError):  # processes come and go
                if (folder / "comm").read_text().strip() == ENGINE_NAME:
                    status = (folder / "status").read_text()
                    cores = status.split("Cpus_allowed_list:")[1].split()[0]
                    found[int(folder.name)] = int(cores)  # "0-3" and "0,2" are of one that is not bound
    return found


class OwnCore:
    """Binds the calling thread to a core of its own; for the thread of the engine's loop."""

    def __init__(self, proc: Path = _PROC) -> None:
        """Take note of the cores that this process may use; `proc` is where other engines are seen."""
        self._proc = proc
        self._allowed = os.sched_getaffinity(0)
        self._threads: list[str] = []
        self.core: int | None = None

    def take(self) -> None:
        """Bind the calling thread, or bind it anew if an older engine has the same core."""
        with suppress(OSError):
            me = os.getpid()
            others = {pid: core for pid, core in cores_of_engines(self._proc).items() if pid != me}
            # of two that chose the same core at the same time the older one keeps it
            kept = self.core is not None and all(
                core != self.core or me < pid for pid, core in others.items()
            )
            if not kept:
                self.core = choose_core(self._allowed, set(others.values()))
                os.sched_setaffinity(0, self._allowed if self.core is None else {self.core})
            self.free_others()

    def free_others(self) -> None:
        """Let every other thread of the process use all cores: what a bound thread starts is bound too."""
        if self.core is None:
            return
        threads = os.listdir("/proc/self/task")
        if threads != self._threads:
            self._threads = threads
            _bind([int(thread) for thread in threads if int(thread) != os.getpid()], self._allowed)


def keep_off(core: int, allowed: Collection[int]) -> None:
    """Keep this process off an engine's core, if there is another one among those `allowed`."""
    others = set(allowed) - {core}
    if others:
        _bind([int(thread) for thread in os.listdir("/proc/self/task")], others)


def _bind(threads: Collection[int], cores: Collection[int]) -> None:
    for thread in threads:
        with suppress(OSError):  # threads come and go
            os.sched_setaffinity(thread, cores)
