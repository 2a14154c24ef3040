"""Automatic takes with a recorder that may fail in any way: each record says truly what it did, none hangs.

Virtual time; the simulated recorder is the truth, its own answers are all that the record may rest on.
"""

from __future__ import annotations

from dataclasses import fields
from random import Random
from typing import Any

import pytest
from recorder_takes import IN_NS, MS, OUT_NS, SECOND, Kept, RecorderTakes

from runner.ports.recorder import RecorderSettings

FAULTS: tuple[dict[str, Any], ...] = (
    {}, {}, {}, {"answers": False}, {"locate_ns": 70 * SECOND}, {"ignores_locate": True},
    {"locate_misses_ns": 3 * SECOND}, {"ignore_start": True}, {"ignores_record": True}, {"protected": True},
    {"frame_rate": 29.97}, {"start_ns": 15 * SECOND}, {"start_ns": 4 * SECOND},
)  # fmt: skip


def settings_of(dice: Random) -> RecorderSettings:
    """Return a recorder with some habits and, in most cases, a fault or two."""
    values: dict[str, Any] = {
        "locate_ns": dice.randrange(50, 8_000) * MS,
        "start_ns": dice.randrange(0, 1_500) * MS,
        "answer_ns": dice.choice((1, 5, 60, 400)) * MS,
        **dice.choice(FAULTS),
        **dice.choice(FAULTS),
    }
    if dice.random() < 0.3:
        values["drops_out_after_ns"] = dice.randrange(1, 4_500) * MS
    if dice.random() < 0.15:
        values["stops_after_ns"] = dice.randrange(1, 14_000) * MS
    assert set(values) <= {field.name for field in fields(RecorderSettings)}
    return RecorderSettings(**values)


def check(kept: Kept, settings: RecorderSettings) -> None:
    """Hold the record against what the model did."""
    report, codes = kept.report, kept.codes
    if not settings.answers:
        assert report["recorded"] is report["located"] is report["rolled"] is report["stopped"] is None
        assert not [code for code in codes if code != "recorder-open-loop"]
        return
    assert report["loop"] == "closed"
    if kept.refused:
        assert kept.recordings == []
        assert {"recorder-not-located", "recorder-not-rolling", "recorder-other-rate"} & set(codes)
        assert report["recorded"] is None
        assert report["located"] is False or report["rolled"] is False
        return
    assert report["located"] is True and report["rolled"] is True
    assert kept.anchor_ns is not None
    (punch,) = report["punches"]
    begin = kept.anchor_ns + IN_NS
    end = kept.anchor_ns + OUT_NS
    late = settings.answer_ns + 100 * MS

    def recording_at(t_ns: int) -> bool:
        return any(first <= t_ns <= last for first, last in kept.recordings)

    # it was asked 0.4 s after the punch in and 0.3 s before the punch out, or a little ahead of that
    assert punch["began"] in {recording_at(begin + 400 * MS - step * 10 * MS) for step in range(11)}
    if report["recorded"] is None:  # an answer that came after the punch out tells nothing of before it
        assert settings.answer_ns >= 300 * MS
        return
    assert report["recorded"] in {
        punch["began"] and recording_at(end - 300 * MS - step * 10 * MS) for step in range(11)
    }
    if report["recorded"]:
        (first, last) = kept.recordings[0]
        assert first <= begin and last >= end - 300 * MS - late
        assert not {"recorder-not-recording", "recorder-protected", "recorder-dropped-out"} & set(codes)
    else:
        found = {"recorder-not-recording", "recorder-protected", "recorder-dropped-out", "recorder-stopped"}
        assert found & set(codes)
    if "recorder-protected" in codes:
        assert settings.protected
    if "recorder-stopped" in codes:
        assert settings.stops_after_ns


def play(count: int, seed: int) -> list[Kept]:
    """Roll takes, each with a recorder of its own faults; return what is on record."""
    dice = Random(seed)
    rig = RecorderTakes.of(RecorderSettings())
    kept: list[Kept] = []
    for _ in range(count):
        settings = settings_of(dice)
        fresh = RecorderTakes.of(settings)
        fresh.course = rig.course
        kept.append(fresh.take())
        assert kept[-1].ended_ns - SECOND < 100 * SECOND
        check(kept[-1], settings)
    return kept


def test_100_takes_by_themselves() -> None:
    """None hangs, each record is true, and every kind of end comes about."""
    kept = play(100, 1)
    codes = {code for each in kept for code in each.codes}
    assert codes >= {
        "recorder-not-located", "recorder-not-rolling", "recorder-not-recording", "recorder-protected",
        "recorder-dropped-out", "recorder-other-rate", "recorder-open-loop", "recorder-stopped",
    }  # fmt: skip
    assert any(each.report["recorded"] for each in kept)


@pytest.mark.campaign
def test_1000_takes_by_themselves() -> None:
    """The same a thousand times."""
    play(1_000, 2)


def test_a_row_of_takes_with_one_recorder_that_gets_better_and_worse() -> None:
    """Ten takes on one tape, the recorder's faults changing between them: each record is of its own take."""
    dice = Random(3)
    rig = RecorderTakes.of(RecorderSettings())
    for number in range(10):
        settings = RecorderSettings(
            answers=number % 4 != 3, ignores_record=number % 3 == 1, locate_ns=dice.randrange(50, 3_000) * MS
        )
        rig.recorder.settings = settings
        check(rig.take(), settings)
