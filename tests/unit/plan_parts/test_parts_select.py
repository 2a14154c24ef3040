"""What a session takes out of a file: choice, pairing, changes on the way, and what is told."""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import mido
import pytest

from runner.errors import PartFileError
from runner.plan.parts import NO_PARTNER, PartNotes, select_part
from runner.plan.smf_file import SmfFile
from runner.plan.timeline import EventOrder
from runner.session.model import PartSpec

Build = Callable[..., SmfFile]
Note = tuple[int, int, int, int]


def spec(**keys: Any) -> PartSpec:
    """Return a part as a session file would write it."""
    return PartSpec.model_validate({"file": "tide-table.mid", "machine": "bass", **keys})


def on(key: int, velocity: int = 64, channel: int = 1) -> mido.Message:
    """Return a Note On; channels from 1."""
    return mido.Message("note_on", note=key, velocity=velocity, channel=channel - 1)


def off(key: int, channel: int = 1, velocity: int = 0) -> mido.Message:
    """Return a Note Off; channels from 1."""
    return mido.Message("note_off", note=key, velocity=velocity, channel=channel - 1)


def control(number: int, value: int, channel: int = 1) -> mido.Message:
    """Return a Control Change; channels from 1."""
    return mido.Message("control_change", control=number, value=value, channel=channel - 1)


def program(number: int, channel: int = 1) -> mido.Message:
    """Return a Program Change; channels from 1, programs from 0."""
    return mido.Message("program_change", program=number, channel=channel - 1)


def name(text: str) -> mido.MetaMessage:
    """Return a track name."""
    return mido.MetaMessage("track_name", name=text)


def notes(part: PartNotes) -> list[Note]:
    """Return (key, velocity, first tick, last tick) of every note."""
    return [(part.data1[row], part.data2[row], part.ticks[row], part.ticks[end]) for row, end in part.notes()]


def rows(part: PartNotes) -> list[str]:
    """Return every row as its tick and bytes."""
    return [f"{tick} {data.hex(' ').upper()}" for tick, data in zip(part.ticks, part.messages(), strict=True)]


def told(part: PartNotes) -> str:
    """Return the texts of all notices."""
    return "\n".join(str(notice) for notice in part.notices)


def two_tracks(build: Build) -> SmfFile:
    """Return a file with a bass on channel 2 and a lead on channel 3."""
    bass = [(0, name("Bass")), (0, on(36, channel=2)), (96, off(36, channel=2))]
    lead = [(0, name("Lead")), (48, on(72, channel=3)), (96, off(72, channel=3))]
    return build(bass, lead)


@pytest.mark.parametrize(
    ("choice", "keys"),
    [
        ({"track": "Bass"}, [36]),
        ({"track": "lead"}, [72]),
        ({"track": 2}, [72]),
        ({"channel": 2}, [36]),
        ({}, [36, 72]),
    ],
)
def test_part_is_chosen_by_track_or_channel(build: Build, choice: dict[str, Any], keys: list[int]) -> None:
    """A track's name (in any case), its number from 1, or a channel choose notes; nothing said takes all."""
    part = select_part(two_tracks(build), spec(**choice))
    assert [note[0] for note in notes(part)] == keys


def test_track_and_channel_together_must_both_fit(build: Build) -> None:
    """A track and a channel that it does not use give an empty part, and the file's tracks are told."""
    part = select_part(two_tracks(build), spec(track="Bass", channel=3))
    assert len(part) == 0
    assert 'no notes on channel 3; the file has 1 "Bass" (channel 2; 1 notes), 2 "Lead"' in told(part)


@pytest.mark.parametrize(
    ("track", "words"),
    [
        ("Bas", ["no track 'Bas'", "did you mean 'Bass'?", '2 "Lead" (channel 3; 1 notes)']),
        (3, ["no track 3", '1 "Bass"']),
        ("Twin", ["tracks 1, 2 are all named 'Twin'"]),
    ],
)
def test_track_that_cannot_be_found_is_an_error(build: Build, track: str | int, words: list[str]) -> None:
    """The error names the file, what it has, and the nearest name."""
    smf = two_tracks(build)
    if track == "Twin":
        smf = build(*([(0, name("Twin")), (0, on(60)), (9, off(60))] for _ in range(2)))
    with pytest.raises(PartFileError) as caught:
        select_part(smf, spec(track=track))
    for word in ("tide-table.mid", *words):
        assert word in str(caught.value)


def test_part_goes_to_its_channel(build: Build) -> None:
    """`to-channel` wins over the machine's channel; without both the file's channels stay."""
    smf = two_tracks(build)
    assert select_part(smf, spec(track=1, **{"to-channel": 9}), channel=4).channels == (9,)
    assert select_part(smf, spec(track=1), channel=4).channels == (4,)
    assert select_part(smf, spec()).channels == (2, 3)


def test_merged_channels_are_told(build: Build) -> None:
    """Several channels of the file played on one are a warning, as their programs would fight."""
    part = select_part(two_tracks(build), spec(), channel=5)
    assert part.channels == (5,)
    assert "channels 2, 3 of the file are all played on channel 5" in told(part)
    assert part.notices[0].severity == "warning"


def test_doubled_notes_keep_their_own_ends(build: Build) -> None:
    """Of two Note Ons of one key the first gets the first Note Off.

    MIDI 1.0 Detailed Specification 4.2.1 p. A-4: every Note On has a Note Off of its own.
    """
    smf = build([(0, on(60, 50)), (10, on(60, 60)), (20, off(60)), (30, off(60))])
    assert notes(select_part(smf, spec())) == [(60, 50, 0, 20), (60, 60, 10, 30)]


def test_doubled_notes_of_two_tracks_do_not_mix(build: Build) -> None:
    """A Note Off ends a note of its own track, also where two tracks share channel and key."""
    first = [(0, on(60, 50)), (100, off(60))]
    second = [(10, on(60, 60)), (20, off(60))]
    assert notes(select_part(build(first, second), spec())) == [(60, 50, 0, 100), (60, 60, 10, 20)]


def test_note_on_of_velocity_0_becomes_a_note_off(build: Build) -> None:
    """An end is always 8n, with release velocity 40 where the file has none (MIDI 1.0 4.2.1 p. 10)."""
    smf = build([(0, on(60)), (9, on(60, 0)), (10, on(62)), (20, off(62, velocity=77))])
    assert rows(select_part(smf, spec())) == ["0 90 3C 40", "9 80 3C 40", "10 90 3E 40", "20 80 3E 4D"]


def test_note_of_no_length_ends_behind_its_beginning(build: Build) -> None:
    """At one tick older notes end first, then new notes begin, then those of no length end."""
    smf = build([(0, on(60)), (10, on(62)), (10, off(62)), (10, off(60)), (10, on(64)), (20, off(64))])
    part = select_part(smf, spec())
    assert rows(part) == [
        "0 90 3C 40",
        "10 80 3C 00",
        "10 90 3E 40",
        "10 90 40 40",
        "10 80 3E 00",
        "20 80 40 00",
    ]
    assert part.order[4] == EventOrder.NOTE_ON
    assert part.partner.tolist() == [1, 0, 4, 5, 2, 3]


def test_end_written_before_its_beginning(build: Build) -> None:
    """A Note Off just before its Note On ends a note of no length, and later notes stay right."""
    smf = build([(10, off(60)), (10, on(60)), (20, off(60)), (20, on(60)), (30, on(60)), (90, off(60))])
    part = select_part(smf, spec())
    assert notes(part) == [(60, 64, 10, 10), (60, 64, 20, 20), (60, 64, 30, 90)]
    assert rows(part)[:2] == ["10 90 3C 40", "10 80 3C 00"]
    assert (part.counts.ends_first, part.counts.hanging, part.counts.stray_offs) == (2, 0, 0)
    assert "2 notes of no length: the file has the Note Off before the Note On" in told(part)


def test_two_ends_written_before_two_beginnings(build: Build) -> None:
    """Two notes of no length at once, ends first, and a long one beside them keep their own ends."""
    both = [
        (10, off(60, velocity=1)),
        (10, off(60, velocity=2)),
        (10, on(60, 70)),
        (10, on(60, 80)),
        (10, on(60, 90)),
    ]
    part = select_part(build([*both, (50, off(60))]), spec())
    assert notes(part) == [(60, 70, 10, 10), (60, 80, 10, 10), (60, 90, 10, 50)]
    assert [part.data2[end] for _, end in part.notes()] == [1, 2, 0]


def test_needless_note_offs_do_not_cut_notes(build: Build) -> None:
    """A file with a needless Note Off before each note, and a last note cut off, keeps its lengths."""
    smf = build([(0, off(60)), (0, on(60)), (50, off(60)), (96, off(60)), (96, on(60)), (99, control(7, 1))])
    part = select_part(smf, spec())
    assert notes(part) == [(60, 64, 0, 50), (60, 64, 96, 99)]
    assert (part.counts.ends_first, part.counts.hanging, part.counts.stray_offs) == (0, 1, 2)


def test_hanging_notes_and_stray_offs_are_counted(build: Build) -> None:
    """A note without an end is ended with its track; an end without a note is left out; both are told."""
    smf = build([(0, off(50)), (0, on(60)), (10, on(62)), (20, off(62))], end=480)
    part = select_part(smf, spec())
    assert notes(part) == [(60, 64, 0, 480), (62, 64, 10, 20)]
    assert (part.counts.hanging, part.counts.stray_offs) == (1, 1)
    assert "1 note without a Note Off in the file; ended with their track" in told(part)
    assert "1 Note Off without a Note On; left out" in told(part)


def test_keys_then_map_then_transpose(build: Build) -> None:
    """The key range is of the file, the map comes next; keys off the keyboard are left out and told."""
    played = [row for key in (10, 36, 38, 126, 127) for row in ((0, on(key)), (9, off(key)))]
    part = select_part(build(played), spec(keys="36-127", map={"36": 35}, transpose=1))
    assert [note[0] for note in notes(part)] == [36, 39, 127]
    assert (part.counts.outside_keys, part.counts.off_keyboard, part.counts.notes) == (1, 1, 3)
    assert "1 note left out: transposed below key 0 or above key 127" in told(part)


def test_general_midi_drum_keys_are_mapped(build: Build) -> None:
    """Bass drum 35, side stick 37, closed hi-hat 42 (General MIDI level 1, p. 6) go where a map says."""
    smf = build(
        [row for key in (35, 37, 42) for row in ((0, on(key, channel=10)), (9, off(key, channel=10)))]
    )
    part = select_part(smf, spec(channel=10, map={"35": 36, "42": 44}))
    assert sorted(note[0] for note in notes(part)) == [36, 37, 44]


@pytest.mark.parametrize(
    ("scale", "velocities", "clamped"),
    [
        ("150 %", [2, 96, 127, 127], 2),
        ("50 %", [1, 32, 43, 64], 0),
        ("1 %", [1, 1, 1, 1], 1),
        ("100 %", [1, 64, 85, 127], 0),
    ],
)
def test_velocities_are_scaled_exactly(build: Build, scale: str, velocities: list[int], clamped: int) -> None:
    """Velocities 1, 64, 85 and 127 are scaled as fractions, rounded half up, and kept within 1 to 127."""
    smf = build([row for v in (1, 64, 85, 127) for row in ((v, on(60, v)), (v, off(60)))])
    part = select_part(smf, spec(velocity=scale))
    assert [note[1] for note in notes(part)] == velocities
    assert part.counts.clamped == clamped


def bars_of_notes(build: Build) -> SmfFile:
    """Return two bars of 3/4, then 4/4 from bar 3; at each bar's start a note of a bar, and controllers."""
    meters = [
        (0, mido.MetaMessage("time_signature", numerator=3, denominator=4)),
        (576, mido.MetaMessage("time_signature", numerator=4, denominator=4)),
    ]
    starts = [0, 288, 576, 960, 1344]
    played = [row for i, at in enumerate(starts) for row in ((at, on(60 + i)), (at + 300, off(60 + i)))]
    states = [
        (0, control(0, 3)), (0, program(5)), (1, control(7, 90)), (100, control(7, 80)),
        (300, control(64, 127)), (600, control(64, 0)), (700, control(64, 127)),
        (1000, mido.Message("pitchwheel", pitch=100)),
    ]  # fmt: skip
    return build(meters, played + states)


def test_bars_are_the_files_own(build: Build) -> None:
    """`from` and `to` count the file's bars by its meters; notes stay where they are and end at `to`."""
    part = select_part(bars_of_notes(build), spec(**{"from": 3, "to": 4}))
    assert notes(part) == [(62, 64, 576, 876)]
    assert part.end_tick == 960
    part = select_part(bars_of_notes(build), spec(**{"from": "bar 2", "to": "bar 3"}))
    assert notes(part) == [(61, 64, 288, 576)]
    assert (part.counts.outside_bars, part.counts.shortened) == (4, 1)


def test_states_before_the_first_bar_are_in_force_there(build: Build) -> None:
    """What was said last before `from` is said again at `from`; a pedal down at `to` is lifted."""
    part = select_part(bars_of_notes(build), spec(**{"from": 3, "to": 4}))
    other = [row for row, end in zip(rows(part), part.partner, strict=True) if end == NO_PARTNER]
    assert other == [
        "576 B0 00 03",
        "576 C0 05",
        "576 B0 07 50",
        "576 B0 40 7F",
        "600 B0 40 00",
        "700 B0 40 7F",
        "960 B0 40 00",
    ]
    assert part.counts.released == 1
    assert part.order[:3] == bytes((EventOrder.PROGRAM, EventOrder.PROGRAM, EventOrder.CONTROL))


def test_bend_is_centred_where_the_part_is_cut(build: Build) -> None:
    """A bend in force at `to` is brought back to the centre, 00 40."""
    part = select_part(bars_of_notes(build), spec(to=5))
    assert rows(part)[-2:] == ["1344 B0 40 00", "1344 E0 00 40"]


def test_broken_meters_only_matter_to_bars(build: Build) -> None:
    """A meter change within a bar is an error, with bar and beat, for `from` and `to`, and else none."""
    smf = build(
        [(96, mido.MetaMessage("time_signature", numerator=3, denominator=4)), (0, on(60)), (9, off(60))]
    )
    assert select_part(smf, spec()).counts.notes == 1
    with pytest.raises(PartFileError, match="changes to 3/4 within a bar of 4/4, at bar 1 beat 2"):
        select_part(smf, spec(to=2))


def test_all_other_channel_messages_pass(build: Build) -> None:
    """Key pressure (its key moved), controllers, RPN, program, channel pressure and bend pass in order."""
    smf = build(
        [
            (0, mido.Message("polytouch", note=60, value=5)),
            (0, control(101, 0)),
            (0, control(100, 0)),
            (0, control(6, 12)),
            (0, program(7)),
            (0, control(0, 1)),
            (0, mido.Message("aftertouch", value=9)),
            (0, mido.Message("pitchwheel", pitch=-8192)),
        ]
    )
    part = select_part(smf, spec(transpose=2), channel=16)
    assert rows(part) == [
        "0 CF 07", "0 BF 00 01", "0 AF 3E 05", "0 BF 65 00", "0 BF 64 00", "0 BF 06 0C",
        "0 DF 09", "0 EF 00 00",
    ]  # fmt: skip
    assert part.counts.other == 8


def test_programs_can_be_left_to_cues(build: Build) -> None:
    """Without programs, program changes and bank selects of the file are left out and counted."""
    smf = build([(0, control(0, 1)), (0, control(32, 2)), (0, program(7)), (0, control(7, 99))])
    part = select_part(smf, spec(), programs=False)
    assert rows(part) == ["0 B0 07 63"]
    assert part.counts.programs_left_out == 3
    assert "left out" not in told(part)  # it was asked for


def test_sysex_is_never_sent_from_a_part(build: Build) -> None:
    """System exclusive messages of the chosen track are counted and told."""
    sysex = [(0, mido.Message("sysex", data=[0x7D, 1])), (0, on(60)), (9, off(60))]
    part = select_part(build([(0, on(50)), (9, off(50))], sysex), spec(track=2))
    assert part.counts.sysex == 1
    assert "1 sysex event not sent" in told(part)
    assert select_part(build(sysex), spec()).counts.sysex == 1


def random_track(dice: random.Random, channel: int) -> list[tuple[int, mido.Message]]:
    """Return a track of few keys and few ticks, so that notes double, touch and have no length."""
    choices = (
        lambda: on(dice.randrange(60, 63), dice.randrange(1, 128), channel),
        lambda: on(dice.randrange(60, 63), dice.randrange(1, 128), channel),
        lambda: off(dice.randrange(60, 63), channel),
        lambda: off(dice.randrange(60, 63), channel),
        lambda: control(dice.choice((0, 7, 32, 64)), dice.randrange(128), channel),
        lambda: program(dice.randrange(128), channel),
    )
    return [(dice.randrange(40), dice.choice(choices)()) for _ in range(dice.randrange(60))]


@pytest.mark.parametrize("seed", range(60))
def test_nothing_is_lost_and_every_note_ends(build: Build, seed: int) -> None:
    """Over random files: as many notes as Note Ons, each with a later row of its own for its end."""
    dice = random.Random(seed)
    tracks = [random_track(dice, dice.randrange(1, 3)) for _ in range(dice.randrange(1, 4))]
    smf = build(*tracks)
    part = select_part(smf, spec(), channel=1)
    ons = [(tick, m.note, m.velocity) for rows in tracks for tick, m in rows if m.type == "note_on"]
    others = sum(1 for rows in tracks for _, m in rows if not m.type.startswith("note"))
    pairs = list(part.notes())
    assert Counter((part.ticks[a], part.data1[a], part.data2[a]) for a, _ in pairs) == Counter(ons)
    assert len(part) == 2 * len(ons) + others
    assert all(part.partner[end] == start and start < end for start, end in pairs)
    assert all(part.status[start] == 0x90 and part.status[end] == 0x80 for start, end in pairs)
    keys = list(zip(part.ticks, part.order, strict=True))
    assert keys == sorted(keys)
    ends = sum(1 for rows in tracks for _, m in rows if m.type == "note_off")
    assert ends == len(ons) - part.counts.hanging + part.counts.stray_offs
    assert {end for _, end in pairs if part.ticks[end] == part.ticks[part.partner[end]]} <= {
        row for row, rank in enumerate(part.order) if rank == EventOrder.NOTE_ON
    }


@pytest.mark.parametrize("seed", range(40))
def test_a_cut_part_sounds_as_the_whole_one(build: Build, seed: int) -> None:
    """The notes are those of the whole part that begin within the bars, ended at `to` at the latest."""
    dice = random.Random(seed)
    smf = build(random_track(dice, 1), ppq=2)
    first, last = sorted(dice.sample(range(1, 6), 2))
    low, high = (first - 1) * 8, (last - 1) * 8
    part = select_part(smf, spec(**{"from": first, "to": last}))
    whole = notes(select_part(smf, spec()))
    expected = [(k, v, a, min(b, high)) for k, v, a, b in whole if low <= a < high]
    assert sorted(notes(part)) == sorted(expected)
    assert all(low <= tick <= high for tick in part.ticks)
    balance: dict[int, int] = defaultdict(int)
    for status, key in zip(part.status, part.data1, strict=True):
        if status in (0x80, 0x90):
            balance[key] += 1 if status == 0x90 else -1
            assert balance[key] >= 0
    assert not any(balance.values())


def test_key_range_is_told_for_the_plan(build: Build) -> None:
    """The lowest and highest key, as played; None for a part without notes."""
    smf = two_tracks(build)
    assert select_part(smf, spec(transpose=-12)).key_range() == (24, 60)
    assert select_part(smf, spec(channel=16)).key_range() is None


def test_velocity_scale_is_a_fraction() -> None:
    """The session gives the scale as an exact fraction, so that a third is a third of every velocity."""
    assert spec(velocity="12.5 %").velocity == Fraction(1, 8)
