"""The click: one stroke to a beat, or to a span that the session names, accented on the first beat of a bar.

Where a meter names its groups (2+2+3/8, or 6/8 in two as 3+3/8), the strokes fall on the groups; a meter
without groups is clicked on every beat of its denominator. General MIDI: side stick 37, wood blocks 76 and 77
(GM 1, table 3), channel 10 by convention; a session may name any key.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from collections.abc import Iterator
from fractions import Fraction
from itertools import accumulate

from runner.music import Meter, SongTime, Span
from runner.plan.messages import note_off, note_on
from runner.plan.reporting import Path
from runner.plan.score import ScoreMachine, Voice
from runner.plan.timeline import EventOrder
from runner.session.model_song import ClickSpec

STROKE_QUARTERS = Fraction(1, 16)  #: length of a stroke's note: percussion does not mind when it ends


def strokes(
    time: SongTime, every: Span | None, first: Fraction, last: Fraction
) -> Iterator[tuple[Fraction, int]]:
    """Yield (position, weight) of each stroke from `first` up to `last`.

    Weight 2 is the first beat of a bar, 1 the first beat of a group, 0 any other stroke.
    """
    bar = time.meters.position(first).bar
    while (begin := time.meters.bar_start(bar)) < last:
        meter = time.meters.meter_of_bar(bar)
        for offset, weight in _bar_strokes(meter, every):
            position = begin + offset
            if first <= position < last:
                yield position, weight
        bar += 1


def _bar_strokes(meter: Meter, every: Span | None) -> Iterator[tuple[Fraction, int]]:
    beat = meter.quarters_per_beat
    groups = (
        {start * beat for start in accumulate(meter.grouping[:-1], initial=0)} if meter.grouping else set()
    )
    if every is None and groups:
        for start in sorted(groups):
            yield start, 0 if start else 2
        return
    step = beat if every is None else _step(meter, every)
    for index in range(math.ceil(meter.quarters_per_bar / step)):
        offset = index * step
        yield offset, 2 if not offset else 1 if offset in groups else 0


def _step(meter: Meter, every: Span) -> Fraction:
    if every.unit == "bars":
        return every.amount * meter.quarters_per_bar
    return every.amount * (meter.quarters_per_beat if every.unit == "beats" else Fraction(1))


def click_voice(
    spec: ClickSpec, machine: ScoreMachine, channel: int, time: SongTime, path: Path, source: str
) -> Voice:
    """Return the click over the pre-roll and the whole song, as a voice."""
    found = list(strokes(time, spec.every, time.start_quarters, time.end_quarters))
    ppq = math.lcm(STROKE_QUARTERS.denominator, *{position.denominator for position, _ in found})
    length = int(STROKE_QUARTERS * ppq)
    rows: list[tuple[int, int, bytes]] = []
    for index, (position, weight) in enumerate(found):
        tick = int(position * ppq)
        end = tick + length
        if index + 1 < len(found):
            end = min(end, int(found[index + 1][0] * ppq))
        accented = weight > 0 and spec.accent_note is not None
        key = spec.accent_note if accented and spec.accent_note is not None else spec.note
        velocity = spec.accent_velocity if weight == 2 else spec.velocity
        rows.append((tick, EventOrder.NOTE_ON, note_on(channel, key, velocity)))
        rows.append((end, EventOrder.NOTE_OFF, note_off(channel, key)))
    return _voice(rows, ppq, spec.where == "pre-roll", machine, time, path, source)


def _voice(
    rows: list[tuple[int, int, bytes]],
    ppq: int,
    only_pre_roll: bool,
    machine: ScoreMachine,
    time: SongTime,
    path: Path,
    source: str,
) -> Voice:
    order = sorted(range(len(rows)), key=lambda row: rows[row][:2])
    place = {row: at for at, row in enumerate(order)}
    partner = array("i", [place[row ^ 1] for row in order])  # a stroke and its end were put in as a pair
    ticks = array("q", [rows[row][0] for row in order])
    return Voice(
        path,
        source,
        machine.name,
        machine.port,
        machine.index,
        machine.offset_ns,
        machine.settle_ns,
        ppq,
        ticks,
        time.tempo.ns_of_ticks(ticks, ppq),
        array("d", [tick / ppq for tick in ticks]),
        [rows[row][2] for row in order],
        bytes(rows[row][1] for row in order),
        partner,
        [],
        only_pre_roll,
    )


def strokes_between(voice: Voice, first: Fraction, last: Fraction) -> int:
    """Return how many strokes of a click lie from `first` up to `last`."""
    low = bisect_left(voice.ticks, math.ceil(first * voice.ppq))
    high = bisect_left(voice.ticks, math.ceil(last * voice.ppq))
    return sum(1 for row in range(low, high) if voice.order[row] == EventOrder.NOTE_ON)
