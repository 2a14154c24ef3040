"""Follows the queue of one wire from its first message to its last: what each clock has to wait for."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

from runner.plan.wire import CLOCK_GUARD_NS, Link


@dataclass(slots=True)
class Load:
    """What a port's wire carries in one leg, as the queue would send it."""

    clocks: int = 0
    messages: int = 0
    byte_count: int = 0
    busy_ns: int = 0
    worst_wait_ns: int = 0
    worst_clock: int = -1  #: index of the clock that waits longest
    worst_behind: int = -1  #: index of the message that it waits for
    steepest: float = 0.0  #: the largest wait as a share of the clock's interval
    steepest_clock: int = -1
    steepest_behind: int = -1
    waits_over: int = 0  #: how many clocks wait longer than the limit
    worst_message_wait_ns: int = 0
    worst_message: int = -1
    moved: dict[int, int] = field(default_factory=dict)  #: message index -> earlier time

    def uncount_clocks(self, link: Link, count: int) -> None:
        """Take clocks out of the counts that were only there to see what they would wait for."""
        self.clocks -= count
        self.busy_ns -= count * link.duration_ns(1)


def measure(
    link: Link,
    clock_ns: Sequence[int],
    times_ns: Sequence[int],
    sizes: Sequence[int],
    movable: Sequence[int] | None = None,
    *,
    limit_ns: int,
    window_ns: int = 0,
) -> Load:
    """Follow the queue of one port from the first to the last message.

    All sequences are sorted by time; a clock goes before a message of the same instant. Messages whose
    `movable` is true (controllers) are brought forward by up to `window_ns` where a clock would
    otherwise have to wait for them, never past the message before them. `limit_ns` is what a clock may
    wait before it counts in `waits_over`.
    """
    load = Load(clocks=len(clock_ns), messages=len(times_ns), byte_count=sum(sizes))
    byte_ns = link.duration_ns(1)
    durations = {size: link.duration_ns(size) for size in set(sizes)}
    moved = load.moved
    clock_count = len(clock_ns)
    never = 1 << 62
    free_ns = -never
    at_clock = run_end = 0
    next_clock = clock_ns[0] if clock_count else never
    for index, (t_ns, size) in enumerate(zip(times_ns, sizes, strict=True)):
        if moved:
            t_ns = moved.get(index, t_ns)
        if next_clock <= t_ns:
            while next_clock <= t_ns and free_ns > next_clock:
                _clock_waits(load, clock_ns, at_clock, free_ns, index - 1, limit_ns)
                free_ns += byte_ns
                at_clock += 1
                next_clock = clock_ns[at_clock] if at_clock < clock_count else never
            if next_clock <= t_ns:
                # the wire was idle at the clocks in between: only the last of them can still matter
                at_clock = bisect_right(clock_ns, t_ns, at_clock)
                free_ns = clock_ns[at_clock - 1] + byte_ns
                next_clock = clock_ns[at_clock] if at_clock < clock_count else never
        if movable is not None and movable[index] and index >= run_end and at_clock < clock_count:
            run_end = _bring_forward(
                load, index, times_ns, sizes, movable, durations, next_clock, free_ns, window_ns
            )
            t_ns = moved.get(index, t_ns)
        if free_ns > t_ns:
            if free_ns - t_ns > load.worst_message_wait_ns:
                load.worst_message_wait_ns, load.worst_message = free_ns - t_ns, index
            free_ns += durations[size]
        else:
            free_ns = t_ns + durations[size]
    while at_clock < clock_count and free_ns > clock_ns[at_clock]:
        _clock_waits(load, clock_ns, at_clock, free_ns, len(times_ns) - 1, limit_ns)
        free_ns += byte_ns
        at_clock += 1
    load.busy_ns = clock_count * byte_ns + sum(map(durations.__getitem__, sizes))
    return load


def _clock_waits(
    load: Load, clock_ns: Sequence[int], index: int, free_ns: int, behind: int, limit_ns: int
) -> None:
    wait_ns = free_ns - clock_ns[index]
    if wait_ns > load.worst_wait_ns:
        load.worst_wait_ns, load.worst_clock, load.worst_behind = wait_ns, index, behind
    if wait_ns > limit_ns:
        load.waits_over += 1
    share = wait_ns / clock_interval_ns(clock_ns, index)
    if share > load.steepest:
        load.steepest, load.steepest_clock, load.steepest_behind = share, index, behind


def clock_interval_ns(clock_ns: Sequence[int], index: int) -> int:
    """Return the interval from clock `index` to the next one, or from the one before it at the end."""
    if len(clock_ns) < 2:
        return 1 << 62
    return (
        clock_ns[index + 1] - clock_ns[index]
        if index + 1 < len(clock_ns)
        else clock_ns[index] - clock_ns[index - 1]
    )


def _bring_forward(
    load: Load,
    index: int,
    times_ns: Sequence[int],
    sizes: Sequence[int],
    movable: Sequence[int],
    durations: dict[int, int],
    clock_ns: int,
    free_ns: int,
    window_ns: int,
) -> int:
    """Move a run of movable messages out of the way of the clock at `clock_ns`; return the run's end."""
    end = index
    need_ns = 0
    late_ns = free_ns
    while end < len(times_ns) and movable[end] and times_ns[end] < clock_ns:
        need_ns += durations[sizes[end]]
        late_ns = max(late_ns, times_ns[end]) + durations[sizes[end]]
        end += 1
    if end == index or late_ns + CLOCK_GUARD_NS <= clock_ns:
        return end
    start_ns = max(clock_ns - CLOCK_GUARD_NS - need_ns, free_ns)
    if start_ns < times_ns[index] - window_ns:
        return end
    for position in range(index, end):
        if start_ns < times_ns[position]:
            load.moved[position] = start_ns
        start_ns = max(start_ns, load.moved.get(position, times_ns[position])) + durations[sizes[position]]
    return end
