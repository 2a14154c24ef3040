"""One thread for what may take its time on a disk, so that the desk never waits for a slow card."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Worker(Generic[T]):
    """Does jobs one after the other; `results` gives what they returned.

    `failed` makes a result of what a job raised. The thread is made at the first job, and does not keep a
    process alive: a disk that hangs must not hold up the end of a run.
    """

    def __init__(self, name: str, failed: Callable[[Exception], T]) -> None:
        self._name = name
        self._failed = failed
        self._jobs: queue.SimpleQueue[Callable[[], T]] = queue.SimpleQueue()
        self._results: queue.SimpleQueue[T] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._given = self._done = 0

    @property
    def busy(self) -> bool:
        """Whether a job is being done, or waits to be."""
        return self._given > self._done

    def give(self, job: Callable[[], T]) -> None:
        """Have a job done."""
        self._given += 1
        self._jobs.put(job)
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name=self._name, daemon=True)
            self._thread.start()

    def results(self) -> list[T]:
        """Return what jobs have returned since the last call."""
        found: list[T] = []
        while not self._results.empty():
            found.append(self._results.get_nowait())
            self._done += 1
        return found

    def _work(self) -> None:
        while True:
            job = self._jobs.get()
            try:
                self._results.put(job())
            except Exception as error:  # whatever it is, the thread goes on
                self._results.put(self._failed(error))
