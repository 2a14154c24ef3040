"""The plan against figures from outside: clock intervals, Song Position, integration, and other players."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import mido
import numpy as np
import pytest
from songs import clock_times, compiled, load, sent

from runner.plan.parts import select_part
from runner.plan.smf import read_smf

WITHIN_NS = 1_000  #: 1 µs, of which most is the judge's floating point

#: MIDI tempo counts quarters (SMF RP-001 p. 9) and 24 clocks a quarter (MIDI 1.0 4.2.1, p. 30):
#: interval = 2.5 / BPM seconds.
INTERVALS_MS = {60: 41.666667, 90: 27.777778, 120: 20.833333, 125: 20.0, 140: 17.857143, 174: 14.367816}


@pytest.mark.parametrize(("bpm", "interval_ms"), INTERVALS_MS.items())
def test_clock_interval_by_tempo(bpm: int, interval_ms: float) -> None:
    """Clocks are 2.5 / BPM seconds apart; at 125 BPM exactly 20 ms; no rounding adds up over 64 bars."""
    song = compiled(f"tempo: {bpm}\nmeter: 4/4\nlength: 64 bars")
    clocks = clock_times(song, "front")
    assert all(
        (after - before) / 1e6 == pytest.approx(interval_ms, abs=2e-6) for before, after in pairwise(clocks)
    )
    assert clocks[-1] == round(2.5e9 * (len(clocks) - 1) / bpm)
    # the slope of the least-squares line through all clocks is the tempo (numpy)
    slope = np.polyfit(np.arange(len(clocks)), np.array(clocks) / 1e9, 1)[0]
    assert 2.5 / slope == pytest.approx(bpm, rel=1e-9)


@pytest.mark.parametrize(
    ("meter", "clocks"),
    [
        ("4/4", 96),
        ("3/4", 72),
        ("2/4", 48),
        ("5/4", 120),
        ("6/8", 72),
        ("7/8", 84),
        ("12/8", 144),
        ("7/16", 42),
    ],
)
def test_clocks_per_bar(meter: str, clocks: int) -> None:
    """96 n/d clocks a bar of n/d (24 a quarter, MIDI 1.0 4.2.1, p. 30)."""
    song = compiled(f"tempo: 120\nmeter: {meter}\nlength: 5 bars")
    assert len(clock_times(song, "front")) == 5 * clocks


@pytest.mark.parametrize(("bar", "position"), [(2, "F2 10 00"), (9, "F2 00 01"), (63, "F2 60 07")])
def test_song_position_of_a_bar(bar: int, position: str) -> None:
    """16 sixteenths a bar of 4/4, 14 bits, LSB first (MIDI 1.0 4.2.1, p. 27): bar 9 is 128."""
    machines = "seq: {port: front, channel: 1, follows: [clock, transport, position]}\n"
    song = compiled("tempo: 120\nmeter: 4/4\nlength: 64 bars", machines=machines, from_=f"bar {bar}")
    assert next(text for _, text in sent(song)) == position


def test_a_bar_of_a_fine_meter_is_not_a_whole_number_of_sixteenths() -> None:
    """5/32 has 15 clocks a bar, so bar 2 lies 3 clocks behind Song Position 2 (6 clocks each, p. 27)."""
    machines = "seq: {port: front, channel: 1, follows: [clock, transport, position]}\n"
    song = compiled("tempo: 120\nmeter: 5/32\nlength: 64 bars", machines=machines, from_="bar 2")
    assert next(text for _, text in sent(song)) == "F2 02 00"
    assert "3 clocks" in song.problems[0].message


def test_a_ramp_takes_the_time_that_integration_gives() -> None:
    """From 120 to 60 over 4 bars: the clocks' times are the integral of 60 / bpm (scipy.integrate.quad)."""
    from scipy.integrate import quad

    song = compiled(
        "tempo: 120\nmeter: 4/4\nlength: 8 bars\ntempo-changes: [{at: bar 2, tempo: 60, over: 4 bars}]"
    )
    clocks = clock_times(song, "front")

    def seconds(quarters: float) -> float:
        return 60 / (120 - 60 * min(max(quarters - 4, 0), 16) / 16)

    for tick in range(0, 8 * 96, 31):
        expected, _ = quad(
            seconds, 0, tick / 24, points=[4, 20] if tick > 480 else [4] if tick > 96 else None
        )
        assert clocks[tick] == pytest.approx(expected * 1e9, abs=WITHIN_NS)


def seconds_by_mido(file: Path) -> dict[tuple[int, int, int], list[int]]:
    """Return the times (ns) of all Note Ons and Offs by (kind, channel, key), as mido plays them."""
    result: dict[tuple[int, int, int], list[int]] = defaultdict(list)
    at = 0.0
    for message in mido.MidiFile(file):
        at += message.time
        if message.type in ("note_on", "note_off"):
            sounds = message.type == "note_on" and message.velocity > 0
            result[0x90 if sounds else 0x80, message.channel, message.note].append(round(at * 1e9))
    return result


def test_real_music_is_played_when_mido_plays_it(corpus_files_with_tempo: list[Path]) -> None:
    """26 pieces with tempo changes: every note on and off within 1 µs, none lost, none added."""
    for file in corpus_files_with_tempo:
        smf = read_smf(file.read_bytes(), file.name)
        tempos = {tempo.tick: tempo.us_per_quarter for tempo in smf.tempos}
        bpm = {tick: round(Decimal(60_000_000) / Decimal(us), 14) for tick, us in tempos.items()}
        first = bpm.pop(0, Decimal(120))
        text = f"tempo: {first}\nmeter: 4/4\nlength: {smf.end_tick // smf.ppq // 4 + 2} bars\n"
        text += "parts: [{file: a.mid, machine: all}]\n"
        text += "tempo-changes:\n" + "".join(
            f"  - {{at: {tick}/{smf.ppq} quarters after bar 1, tempo: {value}}}\n"
            for tick, value in sorted(bpm.items())
        )
        machines = "all: {port: front}\n"
        spec = load(text, machines=machines).session.songs[0].parts[0]
        song = compiled(text, {0: select_part(smf, spec)}, machines=machines)
        ours: dict[tuple[int, int, int], list[int]] = defaultdict(list)
        events = song.course.legs[0].timeline.events
        for index, t_ns in enumerate(events.t_ns):
            message = events.bytes_of(index)
            if message[0] < 0xA0:
                ours[message[0] & 0xF0, message[0] & 0x0F, message[1]].append(t_ns)
        theirs = seconds_by_mido(file)
        assert ours.keys() == theirs.keys()
        for key, expected in theirs.items():
            assert len(ours[key]) == len(expected)
            apart = [abs(a - b) for a, b in zip(ours[key], sorted(expected), strict=True)]
            assert max(apart) <= WITHIN_NS
