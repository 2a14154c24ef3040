"""Joining a song that another machine plays already: what each port must be told to play from there. Pure."""

from __future__ import annotations

from typing import NamedTuple

from runner.plan.timeline import Timeline

_START, _CONTINUE, _STOP, _POSITION = 0xFA, 0xFB, 0xFC, 0xF2
_PER_QUARTER = 24
_PER_SIXTEENTH = 6
_LAST_POSITION = 0x3FFF


class Joining(NamedTuple):
    """How a port is joined: `position` in sixteenths (-1: cannot be named), `runs` whether it plays there."""

    port: int
    position: int
    runs: bool


def joinings(timeline: Timeline, quarters: float) -> list[Joining]:
    """Return, for each port whose machines would have been started before a position, how to join it there.

    Ports that are started later are not among them: their Start is still to come. A position that Song
    Position cannot name (no whole sixteenth, or beyond its reach) is given as -1.
    """
    events = timeline.events
    base: dict[int, float] = {}
    clocks: dict[int, float] = {}
    running: dict[int, bool] = {}
    for row in range(len(events)):
        if events.quarters[row] >= quarters:
            continue
        status, port = events.data[events.start[row]], events.port[row]
        at = events.quarters[row]
        if status == _START:
            base[port], clocks[port], running[port] = at, 0.0, True
        elif status == _CONTINUE and not running.get(port, False):
            base[port], running[port] = at, True
        elif status == _STOP and running.get(port, False):
            clocks[port] = clocks.get(port, 0.0) + (at - base[port]) * _PER_QUARTER
            running[port] = False
        elif status == _POSITION:
            data = events.bytes_of(row)
            clocks[port] = float((data[1] | data[2] << 7) * _PER_SIXTEENTH)
            running.setdefault(port, False)
    found: list[Joining] = []
    for port, runs in sorted(running.items()):
        count = clocks.get(port, 0.0) + ((quarters - base[port]) * _PER_QUARTER if runs else 0.0)
        sixteenths, rest = divmod(round(count), _PER_SIXTEENTH)
        named = not rest and abs(count - round(count)) < 1e-6 and sixteenths <= _LAST_POSITION
        found.append(Joining(port, sixteenths if named else -1, runs))
    return found


def song_position(sixteenths: int) -> bytes:
    """Return a Song Position Pointer."""
    return bytes((0xF2, sixteenths & 0x7F, sixteenths >> 7))
