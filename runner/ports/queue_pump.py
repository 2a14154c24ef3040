"""The thread that empties the queues of inputs which must not call back; see `system` for why."""

from __future__ import annotations

import threading
import time
from typing import Protocol

BUSY_S = 0.000_5  #: between two looks while messages come: well under a period, so an answer misses none
IDLE_S = 0.001  #: and when none came for `IDLE_AFTER_NS`
IDLE_AFTER_NS = 1_000_000_000


class Queued(Protocol):
    """An input with a queue."""

    def empty_queue(self) -> int:
        """Deliver all that waits; return how many messages that was."""


class QueuePump:
    """Looks into every queue one or two thousand times a second. Its thread has the opener's priority."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._inputs: tuple[Queued, ...] = ()
        self._thread: threading.Thread | None = None

    def add(self, source: Queued) -> None:
        """Begin to empty an input's queue."""
        with self._lock:
            self._inputs = (*self._inputs, source)
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="midi-queues", daemon=True)
            self._thread.start()

    def remove(self, source: Queued) -> None:
        """Stop doing so; when this returns, the queue is not being read. The last one ends the thread."""
        with self._lock:
            self._inputs = tuple(entry for entry in self._inputs if entry is not source)
            thread = self._thread if not self._inputs else None
        if thread is not None:
            self._thread = None
            thread.join()

    def _run(self) -> None:
        last_ns = 0
        while True:
            with self._lock:
                if not self._inputs:
                    return
                got = sum(source.empty_queue() for source in self._inputs)
            now = time.monotonic_ns()
            if got:
                last_ns = now
            time.sleep(BUSY_S if now - last_ns < IDLE_AFTER_NS else IDLE_S)
