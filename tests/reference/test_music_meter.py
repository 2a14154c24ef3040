"""Bars and meters against the tables of the standards and a score library."""

from __future__ import annotations

from fractions import Fraction

import pytest
from music21 import corpus

from runner.music import Meter, MeterMap


@pytest.mark.parametrize(
    ("text", "clocks"),
    [
        ("4/4", 96),
        ("3/4", 72),
        ("2/4", 48),
        ("5/4", 120),
        ("6/8", 72),
        ("7/8", 84),
        ("9/8", 108),
        ("12/8", 144),
        ("2/2", 96),
        ("7/16", 42),
        ("5/32", 15),
        ("1/64", Fraction(3, 2)),
    ],
)
def test_clocks_of_a_bar(text: str, clocks: Fraction) -> None:
    """96 n/d clocks a bar: 24 a quarter (MIDI 1.0 Detailed Specification 4.2.1, p. 30), n/d as in FF 58
    of Standard MIDI File RP-001 v1.0, p. 10."""
    meter = Meter.parse(text)
    assert meter.clocks_per_bar == clocks
    ppq = 480
    ticks = Fraction(ppq * 4 * meter.numerator, meter.denominator)
    assert meter.quarters_per_bar * ppq == ticks


def test_bars_and_beats_of_a_score_with_meter_changes() -> None:
    """The bar lines and beats of a 126-bar piece in 6/8, 2/4 and 3/4 lie where music21 counts them.

    Source: music21's corpus, luca/gloria: the offset of each measure and the beat of each note.
    """
    score = corpus.parse("luca/gloria")
    measures = list(score.parts[0].getElementsByClass("Measure"))
    meters = [
        (measure.number, Meter.parse(measure.timeSignature.ratioString))
        for measure in measures
        if measure.timeSignature is not None
    ]
    assert len({str(meter) for _, meter in meters}) == 3
    bars = MeterMap(meters[0][1], meters[1:])
    checked, signature = 0, ""
    for measure in measures:
        start = Fraction(measure.offset)
        assert bars.bar_start(measure.number) == start
        if measure.timeSignature is not None:
            signature = measure.timeSignature.ratioString
        assert str(bars.meter_at(start)) == str(bars.meter_of_bar(measure.number)) == signature
        beat_quarters = Fraction(4, int(signature.split("/")[1]))
        for note in measure.notes:
            position = bars.position(start + Fraction(note.offset))
            assert position.bar == measure.number
            assert position.beat == 1 + Fraction(note.offset) / beat_quarters
            checked += 1
    assert checked > 200
