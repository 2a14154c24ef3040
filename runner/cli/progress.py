"""Shows that something is going on once it has taken about a second; before that, nothing, nor an import.

It goes to standard error and only to a terminal, so that pipes and logs stay clean.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from typing import TypeVar

AFTER_S = 0.8  #: work that is done sooner is not worth a flicker
Item = TypeVar("Item")


@contextlib.contextmanager
def busy(text: str) -> Iterator[None]:
    """Show `text` with a moving sign while the body runs, if that takes long."""
    if not sys.stderr.isatty():
        yield
        return
    done = threading.Event()
    thread = threading.Thread(target=_show_busy, args=(text, done), daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def _show_busy(text: str, done: threading.Event) -> None:
    if done.wait(AFTER_S):
        return
    from rich.console import Console

    with Console(stderr=True).status(text):
        done.wait()


def counted(items: Sequence[Item], text: str) -> Iterable[Item]:
    """Yield the items; show a bar with their count while they are worked on, if that takes long."""
    if not sys.stderr.isatty():
        yield from items
        return
    begun = time.monotonic()
    at = 0
    while at < len(items) and time.monotonic() - begun < AFTER_S:
        yield items[at]
        at += 1
    if at == len(items):
        return
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    yield from track(items[at:], text, total=len(items), completed=at, console=console, transient=True)
