"""What a plan says about itself: the load of each wire, and every message in order.

A `WireReport` tells for one port how long a clock has to wait at worst, where, and for what. More than the
session's limit is a warning; more than half a clock interval is refused, as a machine may then take one
clock for the next.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from functools import lru_cache, partial
from typing import Any

from runner.music import SongTime
from runner.plan.columns import Rows
from runner.plan.grid import CLOCKS_PER_QUARTER
from runner.plan.messages import CLOCK, describe, hex_text
from runner.plan.quarter_frames import QuarterFrames
from runner.plan.reporting import Reporter
from runner.plan.score import Score, ScorePort
from runner.plan.timeline import NO_MACHINE, ClockRole, Course, EventOrder, TimeCodeRole, Timeline
from runner.plan.wire_load import Load, clock_interval_ns

REFUSED_SHARE = 0.5  #: of a clock interval


@dataclass(frozen=True, slots=True)
class WireReport:
    """The load of one port in one leg. Times in ns; `at` is bar and beat of the clock that waits longest."""

    port: str
    link: str
    clocks: int
    messages: int
    byte_count: int
    busy_share: float  #: of the time from the first to the last byte
    worst_wait_ns: int
    at: str
    quarters: float
    behind: str  #: what that clock waits for
    interval_ns: int  #: to the next clock, there
    waits_over_limit: int  #: how many clocks wait longer than the session's limit
    worst_share: float  #: the largest wait as a share of its clock's interval
    worst_message_wait_ns: int  #: the longest that any other message waits
    brought_forward: int  #: controllers sent a little earlier to let a clock pass

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain data for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Traffic:
    """What a load was measured on: a port's clocks, and its rows among those of a leg."""

    clock_ns: Sequence[int]
    quarters0: Fraction
    rows: Rows
    mine: Sequence[int]
    sources: Sequence[str]
    times_ns: Sequence[int]  #: of `mine`; a row below 0 is a quarter frame of time code

    def what(self, index: int) -> str:
        """Return message `index` of the port in words, with where it comes from."""
        row = self.mine[index]
        if row < 0:
            return "a time code quarter frame"
        return f"{describe(self.rows.data[row])} ({self.sources[self.rows.source[row]]})"

    def quarters(self, clock: int) -> Fraction:
        """Return the song position of a clock."""
        return self.quarters0 + Fraction(clock, CLOCKS_PER_QUARTER)


def judge_wire(score: Score, port: ScorePort, load: Load, traffic: Traffic, report: Reporter) -> WireReport:
    """Return the report on a port's load; a wait that is too long is added to the problems."""
    clocks, times = traffic.clock_ns, traffic.times_ns
    first = [clocks[0]] if clocks else []
    last = [clocks[-1]] if clocks else []
    if times:
        first.append(times[0])
        last.append(times[-1])
    span_ns = max(1, max(last) - min(first))
    waits = load.worst_clock >= 0
    quarters = traffic.quarters(load.worst_clock) if waits else Fraction(0)
    result = WireReport(
        port=port.name,
        link=port.link.name,
        clocks=load.clocks,
        messages=load.messages,
        byte_count=load.byte_count + load.clocks,
        busy_share=min(1.0, load.busy_ns / span_ns),
        worst_wait_ns=load.worst_wait_ns,
        at=score.time.at_text(quarters) if waits else "",
        quarters=float(quarters),
        behind=traffic.what(load.worst_behind) if waits else "",
        interval_ns=clock_interval_ns(clocks, load.worst_clock) if waits else 0,
        waits_over_limit=load.waits_over,
        worst_share=load.steepest,
        worst_message_wait_ns=load.worst_message_wait_ns,
        brought_forward=len(load.moved),
    )
    if load.steepest > REFUSED_SHARE:
        _refuse(score, port, load, traffic, report)
    elif load.waits_over:
        report.warn(
            ("ports", port.name),
            f"{_count(load.waits_over, 'clock')} on {port.name} must wait longer than the limit of "
            f"wire-wait, at worst {result.worst_wait_ns / 1e6:.2f} ms at {result.at}, behind {result.behind}",
            hint="spread what is sent there, or use a port of its own",
        )
    return result


def _refuse(score: Score, port: ScorePort, load: Load, traffic: Traffic, report: Reporter) -> None:
    index = load.steepest_clock
    interval_ns = clock_interval_ns(traffic.clock_ns, index)
    at_text = score.time.at_text(traffic.quarters(index))
    behind = traffic.what(load.steepest_behind)
    hint = "spread what is sent there, or use a port of its own"
    if "system exclusive" in behind and not port.raw:
        hint = "send it before the lead, or set `raw: true` if the port takes single bytes"
    report.add(
        ("ports", port.name),
        f"the clock at {at_text} on {port.name} would wait {load.steepest * interval_ns / 1e6:.2f} ms "
        f"behind {behind}, more than half of the {interval_ns / 1e6:.2f} ms to the next clock",
        hint=hint,
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def rows_of(course: Course, time: SongTime) -> Iterator[dict[str, Any]]:
    """Yield everything that a course sends, clocks included, in the order in which it is sent.

    Each row is ``{"t_ns", "at", "port", "machine", "bytes", "what", "source"}``. A leg that is repeated
    comes as often as it is played, an endless one once, its rows marked with ``"hold": true``; `t_ns` of
    later legs goes on from where the leg before ends, so that it never jumps back.
    """

    @lru_cache(maxsize=1 << 16)  # the passes of a loop are at the same places
    def text_at(quarters0: float, tick: int) -> str:
        return time.at_text(_exact(quarters0) + Fraction(tick, CLOCKS_PER_QUARTER))

    streams: list[Iterator[tuple[int, int, int, dict[str, Any]]]] = []
    exit_ns: int | None = None
    number = 0
    for leg in course.legs:
        for _ in range(max(1, leg.repeats)):
            timeline = leg.timeline
            shift_ns = 0 if exit_ns is None else exit_ns - timeline.entry_ns
            exit_ns = timeline.exit_ns + shift_ns
            rows = _leg_rows(timeline, text_at, shift_ns, number)
            streams.append(_held(rows) if leg.repeats == 0 else rows)
            number += 1
    for _, _, _, row in heapq.merge(*streams, key=lambda item: item[:3]):
        yield row


_Item = tuple[int, int, int, dict[str, Any]]


def _held(rows: Iterator[_Item]) -> Iterator[_Item]:
    """Mark rows as those of a leg that is played as often as the players want, or not at all."""
    for t_ns, order, number, row in rows:
        yield t_ns, order, number, {**row, "hold": True}


def _leg_rows(
    timeline: Timeline, text_at: Callable[[float, int], str], shift_ns: int, number: int
) -> Iterator[_Item]:
    tick_text = partial(text_at, timeline.clock_quarters0)
    clocks = [_clock_rows(timeline, role, tick_text, shift_ns, number) for role in timeline.clocks]
    codes = [_time_code_rows(timeline, role, tick_text, shift_ns, number) for role in timeline.time_codes]
    events = _event_rows(timeline, text_at, shift_ns, number)
    return heapq.merge(events, *clocks, *codes, key=lambda item: item[:3])


def _event_rows(
    timeline: Timeline, text_at: Callable[[float, int], str], shift_ns: int, number: int
) -> Iterator[_Item]:
    events = timeline.events
    for index in range(len(events)):
        message = events.bytes_of(index)
        machine = events.machine[index]
        transport = message[0] in (0xF2, 0xF3, 0xFA, 0xFB, 0xFC)
        row = {
            "t_ns": events.t_ns[index] + shift_ns,
            "at": text_at(events.quarters[index], 0),
            "port": timeline.ports[events.port[index]],
            "machine": None if machine == NO_MACHINE else timeline.machines[machine],
            "bytes": hex_text(message),
            "what": describe(message),
            "source": timeline.sources[events.source[index]],
        }
        order = EventOrder.TRANSPORT if transport else EventOrder.PROGRAM
        yield events.t_ns[index] + shift_ns, int(order), number, row


def _clock_rows(
    timeline: Timeline, role: ClockRole, tick_text: Callable[[int], str], shift_ns: int, number: int
) -> Iterator[_Item]:
    for tick in range(role.first, role.last):
        t_ns = timeline.clock_ns[tick] + role.shift_ns + shift_ns
        row = {
            "t_ns": t_ns,
            "at": tick_text(tick),
            "port": timeline.ports[role.port],
            "machine": None,
            "bytes": hex_text(CLOCK),
            "what": "clock",
            "source": "clock",
        }
        yield t_ns, int(EventOrder.CLOCK), number, row


def _time_code_rows(
    timeline: Timeline, role: TimeCodeRole, tick_text: Callable[[int], str], shift_ns: int, number: int
) -> Iterator[_Item]:
    """Yield the quarter frames; the position told is that of the last whole clock."""
    frames = QuarterFrames.of(timeline, role)
    for index in frames:
        t_ns = frames.send_ns(index) + shift_ns
        data = frames.data(index)
        row = {
            "t_ns": t_ns,
            "at": tick_text(frames.clock_at(frames.song_ns(index))),
            "port": timeline.ports[role.port],
            "machine": None if role.machine == NO_MACHINE else timeline.machines[role.machine],
            "bytes": hex_text(data),
            "what": f"time code {frames.code(index)}, piece {data[1] >> 4}",
            "source": timeline.sources[role.source],
        }
        yield t_ns, int(EventOrder.PROGRAM), number, row


def _exact(quarters: float) -> Fraction:
    """Return the position that a float was made from: its denominator is small in any real music."""
    return Fraction(quarters).limit_denominator(1_000_000)
