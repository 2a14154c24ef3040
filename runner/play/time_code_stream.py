"""The quarter frames of one port as a stream of the player: worked out one by one, never stored. Pure."""

from __future__ import annotations

from runner.music.mtc import full_message
from runner.plan.quarter_frames import QuarterFrames
from runner.plan.timeline import EventOrder, TimeCodeRole, Timeline
from runner.play.streams import NEVER, NO_TICK, Send, WhenDue


class TimeCodeStream:
    """The time code that one port gets in one leg."""

    __slots__ = ("_frames", "_next", "_role", "_when", "due_ns", "order")

    def __init__(self, timeline: Timeline, role: TimeCodeRole, when: WhenDue) -> None:
        self._frames = QuarterFrames.of(timeline, role)
        self._role = role
        self._when = when
        self._next = self._frames.first
        self.order = int(EventOrder.PROGRAM)  # behind a clock of the same instant
        self.due_ns = NEVER
        self.retime()

    def begin_at(self, quarters: float) -> list[Send]:
        """Leave out what lies before a song position; return the full message that locates there."""
        frames, role = self._frames, self._role
        self._next = frames.index_at(quarters)
        self.retime()
        if self._next >= frames.end:
            return []
        data = full_message(frames.code(self._next))
        return [Send(0, role.port, data, role.machine, role.source, quarters, NO_TICK, False)]

    def retime(self) -> None:
        """Work out anew when the next quarter frame is due."""
        frames = self._frames
        if self._next >= frames.end:
            self.due_ns = NEVER
            return
        song_ns = frames.song_ns(self._next)
        t_ns = frames.send_ns(self._next)
        self.due_ns = self._when(t_ns, frames.quarters(song_ns), t_ns - song_ns)

    def take(self) -> list[Send]:
        """Return the quarter frame that is due, and move on to the next."""
        frames, role = self._frames, self._role
        quarters = frames.quarters(frames.song_ns(self._next))
        data = frames.data(self._next)
        send = Send(self.due_ns, role.port, data, role.machine, role.source, quarters, NO_TICK, False)
        self._next += 1
        self.retime()
        return [send]
