"""What the plots of a take hold: every clock, where the bars lie, what was there when."""

from __future__ import annotations

import base64
import random
import struct
from array import array
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy
import pytest

from runner.audit.bar_axis import bar_marks
from runner.audit.packing import TIME_UNIT_NS, packed_times, packed_values
from runner.audit.plots import against_neighbours, cue_rows, measured_tempo, plot_data, present_spans
from runner.audit.text import audit_take
from runner.music.tempo import TempoChange
from runner.takes.format import Kind, Record
from runner.takes.model import Take, TickTrack
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

Spoil = Callable[[list[Record]], list[Record]]


def a_take(folder: Path, spoil: Spoil = list, **changes: Any) -> Take:
    """Write and read a take of eight bars at 125 BPM with two ports."""
    time = song_time(125, bars=8, pre_roll=1)
    write_take(folder, take_header(time, 2, **changes), spoil(steady_records(time, 2))).finish()
    return read_take(folder)


def unpacked(packed: dict[str, Any]) -> list[int]:
    """Read a column back by the standard library alone: 16 bits each, little-endian, base 64 (RFC 4648)."""
    raw = base64.b64decode(packed["b64"])
    numbers = list(struct.unpack(f"<{len(raw) // 2}h", raw))
    for index, number in packed["large"].items():
        numbers[int(index)] = number
    return numbers


def panel(data: dict[str, Any], name: str) -> dict[str, Any]:
    """Return one panel of plots."""
    return next(panel for panel in data["panels"] if panel["id"] == name)


@pytest.mark.parametrize("scale_ns", [1_000, 1_000_000, 40_000_000, 3_000_000_000])
def test_columns_come_back_to_half_a_unit(scale_ns: int) -> None:
    """Values of any size come back to within half the unit that they are told in; times to one unit."""
    rng = random.Random(7)
    values = [round(rng.gauss(0, scale_ns)) for _ in range(2000)] + [0, 10**13, -(10**13)]
    packed = packed_values(values)
    unit = packed["unit_ns"]
    worst = max(abs(back * unit - value) for back, value in zip(unpacked(packed), values, strict=True))
    assert worst <= unit / 2
    times = sorted(values)
    place = numpy.cumsum(unpacked(packed_times(times, -5))) * TIME_UNIT_NS - 5
    assert float(numpy.max(numpy.abs(place - numpy.array(times)))) <= TIME_UNIT_NS


def test_a_few_large_values_do_not_coarsen_the_rest() -> None:
    """One clock that is a minute late leaves the others at 0.1 µs."""
    packed = packed_values([150] * 1000 + [60_000_000_000])
    assert packed["unit_ns"] == 100
    assert unpacked(packed)[-1] == 600_000_000
    assert packed_values([]) == {"unit_ns": 100, "b64": "", "large": {}}


def test_bars_lie_where_their_first_clock_was_due(tmp_path: Path) -> None:
    """At 125 quarter notes a minute a bar of 4/4 lasts 1.92 s, and the pre-roll is bar 0."""
    marks = bar_marks(a_take(tmp_path))
    assert [mark.bar for mark in marks] == list(range(9))
    assert [mark.t_ns for mark in marks] == [1_920_000_000 * bar for bar in range(-1, 8)]


def test_a_take_without_clock_has_the_bars_of_its_declaration(tmp_path: Path) -> None:
    """Where no clock was sent, the declared tempo says where the bars lay."""
    take = a_take(tmp_path, lambda records: [r for r in records if r.kind != Kind.TICK_SENT])
    assert [mark.bar for mark in bar_marks(take)] == list(range(9))


def test_the_declared_tempo_is_drawn_with_its_jumps_and_ramps(tmp_path: Path) -> None:
    """A jump has two values at one place; a ramp ends at its last value; both lie in their bars."""
    changes = [TempoChange(Fraction(8), Fraction(100)), TempoChange(Fraction(16), Fraction(80), Fraction(8))]
    time = song_time(125, bars=8, pre_roll=1, changes=changes)
    write_take(tmp_path, take_header(time, 1), steady_records(time, 1)).finish()
    take = read_take(tmp_path)
    declared = panel(plot_data(take, audit_take(take), []), "tempo")["series"][0]
    points = [tuple(point) for point in declared["points"]]
    assert (3.84, 125.0) in points and (3.84, 100.0) in points
    ramp_ends = time.tempo.ns_at(Fraction(24)) / 1e9
    assert any(abs(t - ramp_ends) < 1e-3 and bpm == 80 for t, bpm in points)
    assert points[-1][1] == 80 and min(bpm for _, bpm in points) == 80


def test_the_measured_tempo_is_that_of_each_beat() -> None:
    """24 clocks in half a second are 120 quarter notes a minute, one of them late or not."""
    track = TickTrack("quay", "out")
    for tick in range(97):
        track.number.append(tick)
        track.t_ns.append(tick * 500_000_000 // 24)
        if tick % 24 == 0:
            track.beats.append((tick, None))
    assert [round(bpm, 3) for _, bpm in measured_tempo(track)] == [120.0] * 4


def test_incoming_clocks_are_held_against_their_neighbours() -> None:
    """A steady clock deviates by nothing, a single late one by all but its share of the mean (numpy)."""
    times = array("q", (tick * 20_000_000 for tick in range(200)))
    assert max(map(abs, against_neighbours(times))) <= 1
    times[100] += 5_000_000
    window = numpy.array(times[88:113])
    assert against_neighbours(times)[100] == pytest.approx(times[100] - window.mean(), abs=1)
    assert list(against_neighbours(array("q", []))) == []


def test_no_clock_is_left_out_and_no_extreme(tmp_path: Path) -> None:
    """The lanes hold every clock sent; the worst is in them to 0.1 µs; a gap is marked."""

    def spoil(records: list[Record]) -> list[Record]:
        kept = [r for r in records if not (r.kind == Kind.TICK_SENT and r.port == 1 and r.ref == 300)]
        return [
            replace(r, t_ns=r.t_ns + 4_321_000) if r.kind == Kind.TICK_SENT and r.ref == 500 else r
            for r in kept
        ]

    take = a_take(tmp_path, spoil)
    lanes = {
        lane["name"]: lane for lane in panel(plot_data(take, audit_take(take), []), "ticks-out")["lanes"]
    }
    for port in ("quay", "loft"):
        track = take.tracks[port, "out"]
        values = unpacked(lanes[port]["y"])
        assert lanes[port]["count"] == len(values) == len(track)
        worst_ns = max(track.lateness_ns())
        assert abs(max(values) * lanes[port]["y"]["unit_ns"] - worst_ns) <= 50
    assert lanes["quay"]["gaps"] == []
    assert lanes["loft"]["gaps"] == [pytest.approx(300 * 0.02 - 1.92, abs=1e-3)]


def test_sections_follow_one_another(tmp_path: Path) -> None:
    """Pre-roll, the part before the first section, the section: each ends where the next begins."""
    take = a_take(tmp_path)
    spans = panel(plot_data(take, audit_take(take), []), "sections")["rows"][0]["spans"]
    assert [span[2] for span in spans] == ["pre-roll", "", "refrain"]
    assert [span[0] for span in spans] == [-1.92, 0.0, 7.68]
    assert [span[1] for span in spans[:-1]] == [span[0] for span in spans[1:]]


@pytest.mark.parametrize(
    ("news", "expected"),
    [
        ([], [(0, 100)]),
        ([(40, False)], [(0, 40)]),
        ([(40, False), (60, True)], [(0, 40), (60, 100)]),
        ([(20, True), (50, False)], [(20, 50)]),
        ([(20, False), (30, False), (40, True), (50, True)], [(0, 20), (40, 100)]),
    ],
)
def test_when_a_port_was_there(
    tmp_path: Path, news: Sequence[tuple[int, bool]], expected: list[tuple[int, int]]
) -> None:
    """News of its coming and going give the stretches between; no news is good news."""

    def spoil(records: list[Record]) -> list[Record]:
        maker = RecordMaker(len(records) * 3)
        for t_ns, present in news:
            maker.json(Kind.PRESENCE, t_ns, {"port": "quay", "present": present})
        return records + maker.records

    take = a_take(tmp_path, spoil)
    assert present_spans(take, "quay", 0, 100) == expected
    assert present_spans(take, "loft", 0, 100) == [(0, 100)]


def test_cues_are_shown_sent_late_and_never_sent(tmp_path: Path) -> None:
    """A cue's message has its due and sent times; one that the plan has and the log has not is never sent."""

    def spoil(records: list[Record]) -> list[Record]:
        maker = RecordMaker(len(records) * 3)
        maker.add(Kind.SENT, 7_000_000, due_ns=0, quarters=0, port=0, machine=0, ref=2, data=b"\xc9\x05")
        return records + maker.records

    take = a_take(tmp_path, spoil, sources=("clock", "part", "songs[0].cues[0]"))
    take.plan = [
        {"port": "quay", "bytes": "C9 05", "what": "program 6", "t_ns": 0, "source": "songs[0].cues[0]"},
        {"port": "loft", "bytes": "C1 07", "what": "program 8", "t_ns": 5, "source": "songs[0].cues[1]"},
    ]
    sent, never = cue_rows(take)
    assert (sent.what, sent.late_ms, sent.at) == ("program 6", 7.0, "bar 1 beat 1")
    assert (never.what, never.sent_ns, never.late_ms) == ("program 8", None, None)
    points = panel(plot_data(take, audit_take(take), [sent, never]), "cues")["points"]
    assert [point[1] for point in points] == [7.0, None]
