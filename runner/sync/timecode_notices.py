"""What time code can do that beat clock cannot, kept until it is asked for. Pure."""

from __future__ import annotations

from collections import deque
from enum import Enum
from typing import NamedTuple

from runner.music import TimeCode


class Notice(Enum):
    """Kinds of it."""

    JUMPED = "jumped"
    REVERSE = "reverse"
    RATE = "rate"  #: it names another frame rate than the session
    CHANGED_RATE = "changed rate"
    NUMBERS = "numbers"  #: it names one way to number frames, and counts the other


class TimeCodeNotice(NamedTuple):
    """One of these, with the time code and what is said of it."""

    kind: Notice
    t_ns: int
    code: TimeCode
    text: str
    size: float = 0.0


class Notices:
    """The newest of them, at most 256."""

    def __init__(self) -> None:
        self._waiting: deque[TimeCodeNotice] = deque(maxlen=256)
        self._told: set[Notice] = set()

    def add(self, kind: Notice, t_ns: int, code: TimeCode, text: str, size: float = 0.0) -> None:
        """Keep a notice."""
        self._waiting.append(TimeCodeNotice(kind, t_ns, code, text, size))

    def add_once(self, kind: Notice, t_ns: int, code: TimeCode, text: str) -> None:
        """Keep a notice if it is the first of its kind."""
        if kind not in self._told:
            self._told.add(kind)
            self.add(kind, t_ns, code, text)

    def drain(self) -> list[TimeCodeNotice]:
        """Return what came since the last call, oldest first."""
        out = list(self._waiting)
        self._waiting.clear()
        return out
