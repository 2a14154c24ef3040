"""Small timelines, written by hand, for tests of the player and the engine."""

from __future__ import annotations

from array import array
from collections.abc import Sequence

from runner.plan.timeline import (
    NO_MACHINE,
    ClockRole,
    Course,
    EventColumns,
    Leg,
    Stage,
    StageMark,
    Timeline,
)

INTERVAL_NS = 20_000_000  #: 125 quarter notes a minute: one clock is 20 ms (60 s / 125 / 24)


def timeline(
    clocks: int = 96,
    events: Sequence[tuple[int, int, bytes]] = (),
    *,
    ports: int = 1,
    entry_ns: int = 0,
    shift_ns: int = 0,
    end: bool = True,
    start_ns: int | None = None,
    song: str = "Ropewalk",
) -> Timeline:
    """Return a leg of `clocks` ticks from `entry_ns` on, with events (time, port, bytes)."""
    columns = EventColumns()
    for t_ns, port, data in sorted(events, key=lambda event: event[0]):
        columns.append(t_ns, t_ns / INTERVAL_NS / 24, 0, port, NO_MACHINE, 1, data)
    exit_ns = entry_ns + clocks * INTERVAL_NS
    stages = [StageMark(Stage.SONG, entry_ns / INTERVAL_NS / 24, entry_ns)]
    if end:
        stages.append(StageMark(Stage.END, exit_ns / INTERVAL_NS / 24, exit_ns))
    earliest = min([entry_ns, entry_ns + shift_ns, *columns.t_ns])
    return Timeline(
        song=song,
        ports=tuple(f"port{n}" for n in range(ports)),
        machines=("keys",),
        sources=("", "test"),
        start_ns=earliest if start_ns is None else start_ns,
        entry_ns=entry_ns,
        exit_ns=exit_ns,
        entry_quarters=entry_ns / INTERVAL_NS / 24,
        exit_quarters=exit_ns / INTERVAL_NS / 24,
        clock_quarters0=entry_ns / INTERVAL_NS / 24,
        clock_ns=array("q", [entry_ns + i * INTERVAL_NS for i in range(clocks)]),
        clocks=tuple(ClockRole(port, shift_ns, 0, clocks) for port in range(ports)),
        stages=tuple(stages),
        events=columns,
    )


def course(*legs: Timeline | tuple[Timeline, int]) -> Course:
    """Return a course of timelines, or (timeline, repeats) pairs."""
    return Course(tuple(Leg(*leg) if isinstance(leg, tuple) else Leg(leg) for leg in legs))
