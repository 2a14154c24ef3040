"""Tempo, meters and sections of a file."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import mido
import pytest

from runner.errors import PartFileError
from runner.music.meter import Meter
from runner.plan.smf_file import SmfFile
from runner.plan.smf_maps import meters_from, read_meters, sections_from, tempo_from, tempo_map_from

Build = Callable[..., SmfFile]


def tempo(us: int) -> mido.MetaMessage:
    """Return a tempo in µs per quarter note."""
    return mido.MetaMessage("set_tempo", tempo=us)


def meter(text: str) -> mido.MetaMessage:
    """Return a meter."""
    upper, lower = text.split("/")
    return mido.MetaMessage("time_signature", numerator=int(upper), denominator=int(lower))


def marker(text: str) -> mido.MetaMessage:
    """Return a marker."""
    return mido.MetaMessage("marker", text=text)


def test_file_without_tempo_or_meter_has_the_standards(build: Build) -> None:
    """120 quarter notes a minute and 4/4 (RP-001, Standard MIDI Files 1.0, p. 5)."""
    smf = build([])
    assert tempo_from(smf) == (120, [])
    assert meters_from(smf).first == Meter(4, 4)


def test_tempo_changes_in_order(build: Build) -> None:
    """The tempo at tick 0 is the first; the last of several at one tick counts; repeats are left out."""
    smf = build(
        [
            (0, tempo(600_000)),
            (96, tempo(1)),
            (96, tempo(500_000)),
            (100, tempo(500_000)),
            (192, tempo(600_000)),
        ]
    )
    assert tempo_from(smf) == (100, [(96, 500_000), (192, 600_000)])


def test_tempo_that_comes_late_leaves_the_beginning_at_120(build: Build) -> None:
    """Before the first tempo of a file the standard's 120 holds."""
    assert tempo_from(build([(96, tempo(600_000))])) == (120, [(96, 600_000)])


def test_tempo_of_other_tracks_is_taken_and_told(build: Build) -> None:
    """A tempo outside the first track is odd, but what the file says."""
    smf = build([], [(0, tempo(600_000))])
    assert tempo_from(smf)[0] == 100
    assert any("outside the first track" in notice.message for notice in smf.notices)


def test_time_of_a_tick_is_exact(build: Build) -> None:
    """Ticks x tempo / division: 6144 ticks at 500000 and 96 are 32000 ms (RP-001, p. 14)."""
    times = tempo_map_from(build([(0, tempo(500_000))]))
    assert times.ns_of_ticks([6144], 96) == [32_000_000_000]
    odd = tempo_map_from(build([(0, tempo(517_241)), (96, tempo(333_333))]))
    assert odd.ns_of_ticks([96, 192], 96) == [517_241_000, 850_574_000]


def test_meters_become_bars(build: Build) -> None:
    """Meter changes get the number of the bar at which they stand; repeats are left out."""
    smf = build(
        [(0, meter("3/4")), (576, meter("7/8")), (576 + 336, meter("7/8")), (576 + 672, meter("4/4"))]
    )
    assert list(meters_from(smf).changes) == [(3, Meter(7, 8)), (5, Meter(4, 4))]


def test_meter_within_a_bar_is_an_error_with_its_place(build: Build) -> None:
    """The error names bar, beat and byte; the lenient reading gives the others."""
    smf = build([(0, meter("4/4")), (432, meter("3/4")), (768, meter("6/8"))])
    with pytest.raises(
        PartFileError, match=r"byte \d+: the meter changes to 3/4 .*, at bar 2 beat 1.5"
    ) as caught:
        meters_from(smf)
    assert caught.value.offset == smf.meters[1].offset
    found, refused = read_meters(smf)
    assert list(found.changes) == [(3, Meter(6, 8))]
    assert [each.meter for each in refused] == [Meter(3, 4)]


def test_markers_and_cue_points_become_sections(build: Build) -> None:
    """Names that come again get a number, names that mean a moment get `mark`, off the bar they are told."""
    smf = build(
        [(0, marker("verse")), (384, marker("refrain")), (384, mido.MetaMessage("cue_marker", text="lights")),
         (768, marker("verse")), (800, marker("break")), (1152, marker("end")), (1536, marker("  bar   9 "))]
    )  # fmt: skip
    found = sections_from(smf)
    assert found.bars == {
        "verse": 1, "refrain": 2, "lights": 2, "verse 2": 3, "mark end": 4, "mark bar 9": 5,
    }  # fmt: skip
    assert [notice.severity for notice in found.notices] == ["warning"]
    assert "the marker 'break' is at bar 3 beat 1 1/3, within a bar" in found.notices[0].message


def test_same_marker_in_every_track_is_one_section(build: Build) -> None:
    """Files that repeat their markers in each track do not give sections twice."""
    rows = [(0, marker("verse")), (384, marker("refrain"))]
    assert sections_from(build(rows, rows)).bars == {"verse": 1, "refrain": 2}


def test_tempo_map_follows_the_changes(build: Build) -> None:
    """Each change stands at its quarter note."""
    found = tempo_map_from(build([(0, tempo(500_000)), (48, tempo(250_000))]))
    assert [(change.at, change.bpm) for change in found.changes] == [(Fraction(1, 2), 240)]
