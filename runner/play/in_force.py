"""What a machine would hold if it had heard all that it was due, so that one that was away can be told. Pure.

For each port the state of its channels (programs, banks, controllers, bend, pressure, parameters) and where
its transport would be: whether it would run, and which clock comes next. Fed with what is due, also while
nobody is there to hear it.
"""

from __future__ import annotations

from collections.abc import Iterator

from runner.plan.chase import ChannelState, Group
from runner.plan.messages import MAX_SONG_POSITION, song_position

CLOCKS_PER_SIXTEENTH = 6  #: MIDI 1.0 4.2.1, p. 27: a song position counts these
REJOIN_CLOCKS = 24  #: a machine is let in at a whole quarter ...
LOCATE_CLOCKS = 12  #: ... and has at least this long to find its place

_START, _CONTINUE, _STOP, _POSITION = 0xFA, 0xFB, 0xFC, 0xF2


class PortInForce:
    """One port's machines, as they would be."""

    __slots__ = ("_channels", "clocks", "running")

    def __init__(self) -> None:
        self._channels: dict[int, ChannelState] = {}
        self.running = False  #: whether Start or Continue was due, and no Stop since
        self.clocks = 0  #: number, from the machine's own beginning, of the clock that is due next

    def track(self, data: bytes) -> None:
        """Take note of one message that is due, clocks left out."""
        status = data[0]
        if 0xA0 <= status < 0xF0:
            channel = status & 0x0F
            state = self._channels.get(channel)
            if state is None:
                state = self._channels[channel] = ChannelState()
            state.apply(status, data[1], data[2] if len(data) > 2 else 0)
        elif status == _START:
            self.running, self.clocks = True, 0
        elif status == _CONTINUE:
            self.running = True
        elif status == _STOP:
            self.running = False
        elif status == _POSITION and len(data) == 3:
            self.clocks = (data[1] | data[2] << 7) * CLOCKS_PER_SIXTEENTH

    def tick(self) -> None:
        """Take note of a clock that is due: a machine that stands does not count it."""
        if self.running:
            self.clocks += 1

    def messages(self) -> Iterator[Group]:
        """Yield the groups of messages that bring machines there that hold nothing of it."""
        for channel in sorted(self._channels):
            yield from self._channels[channel].messages(channel + 1)

    def rejoin(self) -> tuple[int, bytes] | None:
        """Return where a machine that stands is let in: the clock that it plays first, and its song position.

        None if it would not run, or if the place is too far for a song position.
        """
        if not self.running:
            return None
        clock = -(-(self.clocks + LOCATE_CLOCKS) // REJOIN_CLOCKS) * REJOIN_CLOCKS
        sixteenth = clock // CLOCKS_PER_SIXTEENTH
        return (clock, song_position(sixteenth)) if sixteenth <= MAX_SONG_POSITION else None
