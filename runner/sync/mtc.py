"""Reads quarter frames: puts eight in a row together to a time, forward and in reverse. Pure.

MMA RP-004/RP-008, pp. 2-5: a time is known only when a whole set of eight has come in order. Running forward,
the pieces come as 0 to 7, and the time is that of the frame that began with piece 0; in reverse they
come as 7 to 0, and the time is that of the frame that has just begun.
"""

from __future__ import annotations

from typing import NamedTuple

from runner.music import TimeCode
from runner.music.mtc import PIECES, is_dropped_number, read_pieces


class WholeTime(NamedTuple):
    """A time that was read.

    `code` is as coded, `forward` the direction; `dropped` tells that the number is one that drop-frame leaves
    out, though it is coded as drop-frame.
    """

    code: TimeCode
    forward: bool
    dropped: bool

    @property
    def shown(self) -> TimeCode:
        """The frame that a display shows now: two on, if forward (p. 4)."""
        return self.code.plus(2) if self.forward else self.code


class TimeCodeReader:
    """Takes quarter frames one by one. `broken` counts those that were out of order or gave no time."""

    __slots__ = ("_count", "_last", "_nibbles", "_step", "broken")

    def __init__(self) -> None:
        self._nibbles = [0] * PIECES
        self._last: int | None = None
        self._step = 0  # 1 forward, -1 in reverse, 0 not known yet
        self._count = 0  # pieces in a row
        self.broken = 0

    @property
    def in_row(self) -> int:
        """How many quarter frames have come in a row, in one direction."""
        return self._count

    @property
    def reverse(self) -> bool:
        """Whether they have come in reverse, for a whole set at least."""
        return self._step < 0 and self._count >= PIECES

    def forget(self) -> None:
        """Begin anew: something else came in between."""
        self._last, self._step, self._count = None, 0, 0

    def take(self, data: bytes) -> WholeTime | None:
        """Take one quarter frame; return the time when it completes a set."""
        piece = data[1] >> 4 & 0x07
        self._nibbles[piece] = data[1] & 0x0F
        last, self._last = self._last, piece
        if last is None:
            self._count = 1
            return None
        step = {1: 1, PIECES - 1: -1}.get((piece - last) % PIECES, 0)
        if step == 0:
            self.broken += 1
            self._step, self._count = 0, 1
            return None
        if step != self._step:
            self._step, self._count = step, 2
        else:
            self._count = min(self._count + 1, 1 << 30)
        if self._count < PIECES or piece != (PIECES - 1 if step > 0 else 0):
            return None
        return self._whole(step > 0)

    def _whole(self, forward: bool) -> WholeTime | None:
        try:
            code = read_pieces(self._nibbles)
        except ValueError:
            self.broken += 1
            self._count = 0
            return None
        dropped = code.rate.is_drop and is_dropped_number(self._nibbles)
        return WholeTime(code, forward, dropped)
