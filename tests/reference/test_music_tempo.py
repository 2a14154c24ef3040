"""The tempo map against numerical integration, published tables and independent libraries."""

from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import mido
import pretty_midi
import pytest
from scipy.integrate import quad

from runner.music import TempoChange, TempoMap

CLOCK = Fraction(1, 24)


@pytest.mark.parametrize(
    ("bpm", "interval_s", "clocks_a_second", "ff51_us"),
    [
        (60, Fraction(1, 24), Fraction(24), 1_000_000),
        (90, Fraction(1, 36), Fraction(36), 666_667),
        (120, Fraction(1, 48), Fraction(48), 500_000),
        (125, Fraction(1, 50), Fraction(50), 480_000),
        (140, Fraction(1, 56), Fraction(56), 428_571),
        (174, Fraction(5, 348), Fraction(348, 5), 344_828),
    ],
)
def test_clock_intervals_are_those_of_midi(
    bpm: int, interval_s: Fraction, clocks_a_second: Fraction, ff51_us: int
) -> None:
    """A clock is 1/24 quarter: 2.5/BPM s (MIDI 1.0 Detailed Specification 4.2.1, p. 30), at common tempos.

    The FF 51 value is µs a quarter (Standard MIDI File RP-001 v1.0, p. 9), rounded to a whole µs.
    """
    tempo = TempoMap(Fraction(bpm))
    assert tempo.interval_ns_at(0) == pytest.approx(float(interval_s * 10**9), rel=1e-15)
    assert tempo.ns_at(CLOCK * clocks_a_second) == 10**9
    assert tempo.ns_at(CLOCK) == round(interval_s * 10**9)
    assert round(Fraction(tempo.ns_at(1), 1000)) == ff51_us


def test_the_worked_example_of_the_smf_text_lasts_as_long_as_it_says() -> None:
    """6144 ticks at 96 a quarter and 500,000 µs a quarter are 32 s (SMF RP-001: 96 ppq, FF 51 07 A1 20)."""
    tempo = TempoMap(Fraction(60_000_000, 500_000))
    assert tempo.ns_of_ticks([0, 96, 6144], 96) == [0, 500_000_000, 32_000_000_000]


def test_ramps_agree_with_numerical_integration() -> None:
    """60/b(q) integrated over a ramp by scipy.integrate.quad (QUADPACK) gives the closed form's time."""
    dice = random.Random(4711)
    for _ in range(60):
        first, last = Fraction(dice.randint(40, 240)), Fraction(dice.randint(400, 2400), 10)
        start, length = (
            Fraction(dice.randint(0, 64), 3),
            Fraction(dice.randint(1, 64), dice.choice((1, 2, 3))),
        )
        tempo = TempoMap(first, [TempoChange(start, last, length)])

        def seconds_a_quarter(
            quarters: float, first: Fraction = first, last: Fraction = last, length: Fraction = length
        ) -> float:
            return 60 / (float(first) + float(last - first) * quarters / float(length))

        for part in (Fraction(1, 7), Fraction(1, 2), Fraction(1)):
            expected_s, _ = quad(seconds_a_quarter, 0, float(length * part), epsabs=0, epsrel=1e-13)
            seen_ns = tempo.ns_at(start + length * part) - tempo.ns_at(start)
            assert abs(seen_ns - expected_s * 1e9) < 1.5, (first, last, length, part)


def test_a_long_chain_of_ramps_agrees_with_numerical_integration() -> None:
    """Ten ramps and steps in a row, integrated piece by piece by scipy.integrate.quad, end at the same ns."""
    dice = random.Random(99)
    changes, at, bpm = [], Fraction(4), 100
    expected_s = 4 * 60 / 100
    for _ in range(10):
        over, following, rest = dice.randint(1, 16), dice.randint(50, 200), dice.randint(0, 8)
        changes.append(TempoChange(at, Fraction(following), Fraction(over)))
        slope = (following - bpm) / over
        expected_s += quad(lambda q, b=bpm, s=slope: 60 / (b + s * q), 0, over, epsabs=0, epsrel=1e-13)[0]
        expected_s += rest * 60 / following
        at, bpm = at + over + rest, following
    assert abs(TempoMap(Fraction(100), changes).ns_at(at) - expected_s * 1e9) < 1.5


def _tempo_map_of(midi: mido.MidiFile) -> tuple[TempoMap, list[int], int]:
    """The file's tempo map, its event ticks in order, and how many tempo changes it has."""
    tempos: dict[int, int] = {}
    ticks = []
    at = 0
    for message in mido.merge_tracks(midi.tracks):
        at += message.time
        ticks.append(at)
        if message.type == "set_tempo":
            tempos[at] = message.tempo
    first = Fraction(60_000_000, tempos.pop(0, 500_000))
    changes = [
        TempoChange(Fraction(tick, midi.ticks_per_beat), Fraction(60_000_000, us))
        for tick, us in tempos.items()
    ]
    return TempoMap(first, changes), ticks, len(changes)


def _times_by_mido(midi: mido.MidiFile) -> list[float]:
    """Seconds of each event, added up with mido's tick2second."""
    seconds, us, times = 0.0, 500_000, []
    for message in mido.merge_tracks(midi.tracks):
        seconds += mido.tick2second(message.time, midi.ticks_per_beat, us)
        times.append(seconds)
        if message.type == "set_tempo":
            us = message.tempo
    return times


def test_corpus_pieces_with_tempo_changes_agree_with_mido_and_pretty_midi(
    corpus_files_with_tempo: list[Path],
) -> None:
    """26 pieces of music21's corpus: each event's time is mido's tick2second's and pretty_midi's, to 5 ns.

    Five ns is the room that sums of floats need; the map itself is exact.
    """
    changes_seen = compared = 0
    for file in corpus_files_with_tempo:
        midi = mido.MidiFile(file)
        tempo, ticks, changes = _tempo_map_of(midi)
        changes_seen += changes
        times_ns = tempo.ns_of_ticks(ticks, midi.ticks_per_beat)
        assert len(times_ns) > 50
        for seen_ns, expected_s in zip(times_ns, _times_by_mido(midi), strict=True):
            assert abs(seen_ns - expected_s * 1e9) < 5, file.name
        other = pretty_midi.PrettyMIDI(str(file))
        for seen_ns, tick in zip(times_ns, ticks, strict=True):
            if tick <= other.time_to_tick(other.get_end_time()):
                compared += 1
                assert abs(seen_ns - other.tick_to_time(tick) * 1e9) < 5, file.name
    assert len(corpus_files_with_tempo) >= 20
    assert compared > 5000
    assert changes_seen >= 12 * len(corpus_files_with_tempo)
