"""What is sounding on every port, kept so that it can always be silenced. Pure.

The table is a flat buffer of bytes given from outside: in the engine it lies in memory shared with the
keeper, so that after a crash the next engine reads from it what the dead one left sounding. For each
port: 16 x 128 counts of Note Ons without their Note Off, 16 sets of pedals that are down (hold, sostenuto,
hold 2: all that keep notes sounding), 16 flags of channels used, and one flag that tells whether the port
was sent Start or Continue and no Stop since.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from runner.play.commands import RigMachine

_NOTES = 16 * 128
_PEDAL = _NOTES
_USED = _PEDAL + 16
_RUNNING = _USED + 16
PORT_BYTES = 2112  #: a little more than needed, so that each port begins on a cache line
MAX_PORTS = 64
TABLE_BYTES = PORT_BYTES * MAX_PORTS

_STOP = b"\xfc"
_PEDALS = {64: 1, 66: 2, 69: 4}  #: controller -> its bit
_RESET_PEDALS = 1 | 2  #: those that Reset All Controllers lifts (RP-015)


class Sounding:
    """Counts notes, pedals and transport by port from the messages that are sent.

    `table` must have `TABLE_BYTES` writable bytes; counts stop at 255 (a machine cannot owe more).
    """

    def __init__(self, table: memoryview | bytearray | None = None) -> None:
        self._table = memoryview(bytearray(TABLE_BYTES) if table is None else table)
        if len(self._table) < TABLE_BYTES:
            raise ValueError(f"table of {len(self._table)} bytes, {TABLE_BYTES} are needed")

    @staticmethod
    def adds(data: bytes) -> bool:
        """Return whether a message starts something that must be ended: a note, a pedal, a machine.

        In a table that outlives its engine, such a message is tracked before it is sent and all others
        after: then the table never owes less than the machines were sent, wherever the engine dies.
        """
        kind = data[0] & 0xF0
        if kind == 0x90:
            return data[2] > 0
        if kind == 0xB0:
            return data[1] in _PEDALS and data[2] >= 64
        return data[0] in (0xFA, 0xFB)

    def begun_by(self, port: int, data: bytes) -> tuple[bytes, ...]:
        """Return messages that stand for what `data` is about to end on `port`; nothing if it ends nothing.

        Tracking them after `data` makes the table as it was: for an end that may not have arrived.
        """
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if data[0] == 0xFC:
            return (b"\xfa",) if self.running(port) else ()
        if kind in (0x80, 0x90):
            return (bytes((0x90 | channel, data[1], 64)),) if self.is_on(port, data) else ()
        if kind != 0xB0:
            return ()
        down = self._table[port * PORT_BYTES + _PEDAL + channel]
        lifted = down & (_RESET_PEDALS if data[1] == 121 else _PEDALS.get(data[1], 0))
        return tuple(bytes((data[0], control, 127)) for control, bit in _PEDALS.items() if lifted & bit)

    def track(self, port: int, data: bytes) -> None:
        """Take note of one complete message that was sent to `port`."""
        status = data[0]
        base = port * PORT_BYTES
        table = self._table
        if status < 0xF0:
            kind = status & 0xF0
            channel = status & 0x0F
            if kind == 0x90 and data[2]:
                at = base + channel * 128 + data[1]
                if table[at] < 255:
                    table[at] += 1
                table[base + _USED + channel] = 1
            elif kind in (0x80, 0x90):
                at = base + channel * 128 + data[1]
                if table[at]:
                    table[at] -= 1
            elif kind == 0xB0:
                self._control(base, channel, data[1], data[2])
        elif status in (0xFA, 0xFB):
            table[base + _RUNNING] = 1
        elif status == 0xFC:
            table[base + _RUNNING] = 0

    def owe(self, port: int, more: Sounding) -> None:
        """Count for `port` also what `more` counts for it."""
        base = port * PORT_BYTES
        table = self._table
        for at, count in enumerate(bytes(more._table[base : base + PORT_BYTES]), base):
            if count:
                table[at] = min(255, table[at] + count) if at - base < _NOTES else table[at] | count

    def forget(self, port: int) -> None:
        """Count nothing for `port`."""
        base = port * PORT_BYTES
        self._table[base : base + PORT_BYTES] = bytes(PORT_BYTES)

    def _control(self, base: int, channel: int, control: int, value: int) -> None:
        at = base + _PEDAL + channel
        bit = _PEDALS.get(control, 0)
        if bit and value >= 64:
            self._table[at] |= bit
        elif bit:
            self._table[at] &= ~bit
        elif control == 121:
            self._table[at] &= ~_RESET_PEDALS

    def running(self, port: int) -> bool:
        """Return whether `port` was started and not stopped."""
        return bool(self._table[port * PORT_BYTES + _RUNNING])

    def is_on(self, port: int, data: bytes) -> bool:
        """Return whether the key and channel of the note message `data` is sounding on `port`."""
        return bool(self._table[port * PORT_BYTES + (data[0] & 0x0F) * 128 + data[1]])

    def count(self, port: int) -> int:
        """Return how many notes are sounding on `port`."""
        base = port * PORT_BYTES
        return sum(self._table[base : base + _NOTES])

    def note_offs(self, port: int, channel: int | None = None) -> Iterator[bytes]:
        """Yield a Note Off for each sounding Note On of `port`, and then the pedals lifted.

        Doubled Note Ons get their own Note Off each (MIDI 1.0 Detailed Specification 4.2.1, A-4).
        `channel` counts from 0; None means all. The table is not changed: sending is what changes it.
        """
        base = port * PORT_BYTES
        channels = range(16) if channel is None else (channel,)
        for ch in channels:
            row = bytes(self._table[base + ch * 128 : base + ch * 128 + 128])
            if any(row):
                for key, count in enumerate(row):
                    for _ in range(count):
                        yield bytes((0x80 | ch, key, 64))
        for ch in channels:
            down = self._table[base + _PEDAL + ch]
            for control, bit in _PEDALS.items():
                if down & bit:
                    yield bytes((0xB0 | ch, control, 0))

    def stop(self, port: int) -> Iterator[bytes]:
        """Yield Stop if the port is running."""
        if self.running(port):
            yield _STOP

    def any_left(self, ports: Sequence[int]) -> bool:
        """Return whether any of `ports` is running or has a note or a pedal down."""
        for port in ports:
            base = port * PORT_BYTES
            if any(self._table[base : base + _USED]) or self._table[base + _RUNNING]:
                return True
        return False


def mode_messages(machine: RigMachine, *, panic: bool = False) -> Iterator[bytes]:
    """Yield the channel mode messages by which `machine` wants to be silenced; in a panic, all of them.

    Order: Note Offs come first, these after them (MIDI 1.0 4.2.1 p. 24: All Notes Off is no substitute
    for Note Offs). Reset All Controllers as in RP-015.
    """
    channels = range(16) if machine.channel is None and panic else ()
    if machine.channel is not None:
        channels = range(machine.channel - 1, machine.channel)
    for channel in channels:
        status = 0xB0 | channel
        if machine.all_sound_off or panic:
            yield bytes((status, 120, 0))
        if machine.all_notes_off or panic:
            yield bytes((status, 123, 0))
        if machine.reset_controllers or panic:
            yield bytes((status, 121, 0))
