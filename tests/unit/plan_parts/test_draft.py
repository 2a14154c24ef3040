"""A drafted session loads as it stands and says what the file says."""

from __future__ import annotations

import io
import random
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import mido
import pytest
from smf_rows import message, meta, note

from runner.errors import PartFileError
from runner.music.meter import Meter
from runner.plan.compile import compile_song
from runner.plan.draft import draft_session
from runner.plan.parts import select_part
from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile
from runner.plan.take_over import with_files
from runner.session.load import LoadedSession, load_session

Build = Callable[..., SmfFile]
PARTS = Path(__file__).parents[3] / "configs" / "parts"


def full_file(build: Build) -> SmfFile:
    """Return a file with everything that a draft takes over."""
    conductor = [
        (0, meta("track_name", name="Slack Water")),
        (0, meta("set_tempo", tempo=517_241)), (0, meta("time_signature", numerator=6, denominator=8)),
        (576, meta("set_tempo", tempo=500_000)), (864, meta("time_signature", numerator=4, denominator=4)),
        (900, meta("set_tempo", tempo=631_579)),
        (0, meta("marker", text="verse")), (864, meta("marker", text="refrain: again")),
    ]  # fmt: skip
    bass = [
        (0, meta("track_name", name="bass")), (0, message("control_change", control=0, value=1, channel=1)),
        (0, message("control_change", control=32, value=2, channel=1)),
        (0, message("program_change", program=11, channel=1)),
        *note(0, 36, 1), (912, message("program_change", program=33, channel=1)), *note(1200, 48, 1),
    ]  # fmt: skip
    drums = [row for at in range(0, 1200, 96) for row in note(at, 38, 9)]
    return build(conductor, bass, drums, file="parts/slack-water.mid")


def loaded(smf: SmfFile, file: str = "parts/slack-water.mid") -> LoadedSession:
    """Return the drafted session, as the loader reads it; problems are errors."""
    return load_session(draft_session(smf, file), "draft.yaml")


def test_draft_takes_over_the_file(build: Build) -> None:
    """Tempo, meters, sections, machines by channel, parts and programs are in the drafted session."""
    session = loaded(full_file(build)).session
    song = session.songs[0]
    assert (song.song, song.tempo, song.meter) == ("Slack water", 116, Meter(6, 8))
    assert song.length.amount == 5
    assert song.sections == {"verse": 1, "refrain: again": 4}
    assert [(str(change.at), change.tempo) for change in song.tempo_changes] == [
        ("bar 3", 120),
        ("bar 4 beat 1.375", 95),
    ]
    assert [(str(change.at), change.meter) for change in song.meter_changes] == [("bar 4", Meter(4, 4))]
    assert {name: machine.channel for name, machine in session.machines.items()} == {"bass": 2, "drums": 10}
    assert [(part.track, part.channel, part.machine) for part in song.parts] == [
        ("bass", None, "bass"),
        (None, 10, "drums"),
    ]
    assert [(str(cue.at), cue.machine, cue.program, cue.bank) for cue in song.cues] == [
        ("bar 1", "bass", 12, (1, 2)),
        ("bar 4 beat 1.5", "bass", 34, None),
    ]
    assert [str(place.song) for place in session.order] == ["Slack water"]


def test_draft_has_no_problems_and_explains_itself(build: Build) -> None:
    """The loader has nothing to remark, and the text has comments on what to fill in."""
    smf = full_file(build)
    assert loaded(smf).notices == []
    text = draft_session(smf, "parts/slack-water.mid")
    assert "TODO" in text
    assert "# drafted" not in text
    assert text.startswith("# A session drafted from parts/slack-water.mid: type 1, 3 tracks")
    assert "# 13 notes" in text


def test_parts_of_a_draft_play_the_whole_file(build: Build) -> None:
    """Taken together, the drafted parts have every note of the file once."""
    smf = full_file(build)
    song = loaded(smf).session.songs[0]
    parts = [select_part(smf, part) for part in song.parts]
    assert sum(part.counts.notes for part in parts) == sum(track.notes for track in smf.tracks)


@pytest.mark.parametrize(
    ("us", "bpm"),
    [
        (500_000, "120"),
        (517_241, "116"),
        (428_571, "140"),
        (344_828, "174"),
        (333_333, "180"),
        (461_538, "130"),
        (487_805, "123"),
    ],
)
def test_tempo_is_the_number_that_was_meant(build: Build, us: int, bpm: str) -> None:
    """A file rounds a tempo to whole µs; the draft writes the shortest number that rounds to them."""
    smf = build([(0, meta("set_tempo", tempo=us)), *note(0, 60, 0)])
    assert f"tempo: {bpm}\n" in draft_session(smf, "a.mid")
    assert round(60_000_000 / loaded(smf).session.songs[0].tempo) == us


def test_each_program_of_the_file_is_one_cue(build: Build) -> None:
    """Repeats too, and a bank only where the file selects one; the part leaves its own out."""
    rows = [(tick, message("program_change", program=5)) for tick in (0, 0, 96)]
    bank = [
        (192, message("control_change", control=0, value=0)),
        (192, message("control_change", control=32, value=3)),
        (192, message("program_change", program=5)),
    ]
    song = loaded(build([*rows, *bank, *note(0, 60, 0)])).session.songs[0]
    assert [(str(cue.at), cue.program, cue.bank) for cue in song.cues] == [
        ("bar 1", 6, None),
        ("bar 1", 6, None),
        ("bar 1 beat 2", 6, None),
        ("bar 1 beat 3", 6, (0, 3)),
    ]
    assert [part.programs for part in song.parts] == [False]


@pytest.mark.parametrize(
    "selects",
    [
        [(0, 32, 3)],  # one of the two only
        [(0, 32, 3), (0, 0, 1)],  # the other way round
        [(0, 0, 1), (48, 32, 3)],  # apart from each other
        [(0, 0, 1), (0, 32, 3), (48, 0, 2), (48, 32, 3)],  # twice
        [(300, 0, 1), (300, 32, 1)],  # with no program change after them
    ],
)
def test_banks_that_no_cue_can_say_stay_in_the_part(
    build: Build, selects: list[tuple[int, int, int]]
) -> None:
    """Then the part sends the channel's programs, no cue does, and a comment says so."""
    rows = [(tick, message("control_change", control=number, value=value)) for tick, number, value in selects]
    smf = build([*rows, (96, message("program_change", program=5)), *note(96, 60, 0)])
    song = loaded(smf).session.songs[0]
    assert (song.cues, [part.programs for part in song.parts]) == ([], [True])
    assert "# - the programs of channel 1 as cues, with bank selects" in draft_session(smf, "a.mid")


def test_what_cannot_be_taken_over_is_said(build: Build) -> None:
    """A meter within a bar, an impossible tempo and a marker off the bar become comments."""
    smf = build(
        [(0, meta("set_tempo", tempo=16_777_215)), (100, meta("time_signature", numerator=3, denominator=4)),
         (50, meta("marker", text="late")), *note(0, 60, 0)]
    )  # fmt: skip
    text = draft_session(smf, "a.mid")
    assert "# - the meter changes to 3/4 within a bar of 4/4, at bar 1 beat 2 1/24" in text
    assert "# - a tempo of 3.58: songs have 4 to 999" in text
    assert "# - the marker 'late' is at bar 1 beat 1 25/48" in text
    assert loaded(smf).session.songs[0].tempo == 4


def test_thousands_of_tempo_changes_are_left_to_the_file(build: Build) -> None:
    """More tempo changes than a person can read stay in the file, every one of them."""
    rows = [(tick, meta("set_tempo", tempo=500_000 + tick)) for tick in range(0, 30_000, 5)]
    smf = build([*rows, *note(30_000, 60, 0)])
    filled = with_files(loaded(smf, "a: b.mid"), {"a: b.mid": smf})
    assert len(filled.session.songs[0].tempo_changes) == 5_999
    assert filled.notices == []


def test_more_tempo_changes_than_a_song_may_have_are_thinned(build: Build) -> None:
    """They are thinned to one a beat, and this is said."""
    rows = [(tick, meta("set_tempo", tempo=500_000 + tick)) for tick in range(30_000)]
    smf = build([*rows, *note(30_000, 60, 0)])
    assert len(loaded(smf).session.songs[0].tempo_changes) == 313
    assert "tempo changes: the first of each beat is kept" in draft_session(smf, "a.mid")


@pytest.mark.parametrize(
    "name",
    ["yes", "null", "12", "1.5", "a: b", "- x", "#1", "\"q\" 'q'", "{x}", "*star", "&and", "!bang", "%", "@",
     "`", "bass\\drum", "Ünïcode ♪", "a" * 200, "x,y", "0x10", "~", "2024-01-01", "[", "?", "|", ">",
     "null\tnull"],
)  # fmt: skip
def test_any_name_can_be_drafted(build: Build, name: str) -> None:
    """Track names, markers and file names with a meaning in YAML, or none at all, stay text."""
    buffer = io.BytesIO()
    midi = mido.MidiFile(type=1, charset="utf-8")
    midi.tracks.append(mido.MidiTrack([meta("marker", text=name)]))
    for channel in (0, 1):
        rows = note(0, 60, channel)
        midi.tracks.append(
            mido.MidiTrack([meta("track_name", name=name * (channel + 1)), *(m for _, m in rows)])
        )
    midi.save(file=buffer)
    smf = read_smf(buffer.getvalue())
    plain = name[:50].replace("\t", "_")
    session = loaded(smf, f"{plain}.mid").session
    parts = session.songs[0].parts
    assert parts[0].file == f"{plain}.mid"
    assert [select_part(smf, part).counts.notes for part in parts] == [1, 1]
    assert len(session.songs[0].sections) == 1


@pytest.mark.parametrize(("file", "words"), [("x" * 130, "120 characters"), ("a\nb.mid", "printable")])
def test_file_name_that_no_session_can_hold(build: Build, file: str, words: str) -> None:
    """Such a name is refused with the remedy."""
    with pytest.raises(PartFileError, match=words):
        draft_session(build(note(0, 60, 0)), file)


def test_file_with_nothing_to_play_is_refused(build: Build) -> None:
    """No channel message, no draft."""
    with pytest.raises(PartFileError, match="nothing to draft"):
        draft_session(build([(0, meta("set_tempo", tempo=500_000))]), "a.mid")


def random_file(dice: random.Random, build: Build) -> SmfFile:
    """Return a file of random metas and messages anywhere, at a random division."""
    makers = (
        lambda: meta("set_tempo", tempo=dice.randrange(1, 2**24)),
        lambda: meta(
            "time_signature", numerator=dice.randrange(1, 256), denominator=2 ** dice.randrange(0, 8)
        ),
        lambda: meta(
            "marker", text=dice.choice(("verse", "end", "7", "bar 3", "", "2 bars before x", "start"))
        ),
        lambda: meta("track_name", name=dice.choice(("bass", "drums", "Bass", "channel 3", ""))),
        lambda: message("program_change", program=dice.randrange(128), channel=dice.randrange(16)),
        lambda: message("control_change", control=dice.choice((0, 32)), value=dice.randrange(128)),
        lambda: message(
            "note_on", note=dice.randrange(128), velocity=dice.randrange(128), channel=dice.randrange(16)
        ),
    )
    far = dice.choice((100, 10_000, 10_000_000))
    tracks = [[(dice.randrange(far), dice.choice(makers)()) for _ in range(25)] for _ in range(3)]
    return build(*tracks, [(0, message("note_on", note=1))], ppq=dice.choice((1, 24, 96, 480, 32_767)))


@pytest.mark.parametrize("seed", range(40))
def test_every_draft_loads(build: Build, seed: int) -> None:
    """Whatever a file says, its draft is accepted by the loader and names every channel of the file."""
    smf = random_file(random.Random(seed), build)
    session = loaded(smf).session
    channels = {number for track in smf.tracks for number in track.channels}
    assert {machine.channel for machine in session.machines.values()} == channels
    assert session.songs[0].tempo >= Fraction(4)


@pytest.mark.parametrize(
    ("last", "more"),
    [
        ([], 0),
        ([(384, message("control_change", control=64, value=0))], 1),
        ([(384, message("program_change", program=3))], 1),
        (note(384, 41, 0, length=0), 2),
    ],
    ids=["note ends", "pedal comes up", "program", "drum is hit"],
)
def test_what_lies_on_the_last_bar_line_is_played_too(build: Build, last: list[Any], more: int) -> None:
    """A bar of one whole note, and something where it ends: all of it is sent, and there is no warning."""
    smf = build([*note(0, 40, 0, length=384), *last])
    drafted = loaded(smf)
    song = drafted.session.songs[0]
    part = select_part(smf, song.parts[0], song.parts[0].to_channel or 1, programs=song.parts[0].programs)
    compiled = compile_song(drafted.session, song, {0: part})
    assert compiled.problems == []
    assert sum(len(leg.timeline.events) for leg in compiled.course.legs) == 2 + more


def test_a_draft_is_the_same_every_time(build: Build) -> None:
    """Drafting a file again gives the same text."""
    smf = full_file(build)
    assert draft_session(smf, "a.mid") == draft_session(smf, "a.mid")


def sent_by(session: LoadedSession, smf: SmfFile) -> list[tuple[Fraction, bytes]]:
    """Return (position in quarter notes, message) of all that the drafted song's plan sends."""
    song = session.session.songs[0]
    parts = {
        number: select_part(smf, part, session.session.machines[part.machine].channel, programs=part.programs)
        for number, part in enumerate(song.parts)
    }
    compiled = compile_song(session.session, song, parts)
    events = compiled.course.legs[0].timeline.events
    return sorted(
        (Fraction(events.quarters[row]).limit_denominator(smf.ppq), events.bytes_of(row))
        for row in range(len(events))
    )


def said_by(smf: SmfFile) -> list[tuple[Fraction, bytes]]:
    """Return (position, message) of all channel messages of a file, Note Offs as the plan writes them."""
    said: list[tuple[Fraction, bytes]] = []
    for tick, status, first, second in zip(smf.ticks, smf.status, smf.data1, smf.data2, strict=True):
        if 0x90 <= status < 0xA0 and not second:
            status, second = status - 0x10, 0x40
        size = 2 if 0xC0 <= status < 0xE0 else 3
        said.append((Fraction(tick, smf.ppq), bytes((status, first, second))[:size]))
    return sorted(said)


@pytest.mark.parametrize("seed", range(12))
def test_a_draft_plans_to_the_events_of_the_file(build: Build, seed: int) -> None:
    """Every channel message of the file at its own position, once, and nothing else."""
    rng = random.Random(seed)
    tracks = []
    for channel in rng.sample(range(16), rng.randint(1, 4)):
        rows = [row for at in range(0, 2000, 120) for row in note(at, rng.randint(30, 90), channel, 100)]
        for _ in range(rng.randint(0, 5)):
            at = 24 * rng.randint(0, 80)
            if rng.random() < 0.6:
                rows.append(
                    (at, message("control_change", control=0, value=rng.randint(0, 3), channel=channel))
                )
            if rng.random() < 0.6:
                rows.append(
                    (at, message("control_change", control=32, value=rng.randint(0, 3), channel=channel))
                )
            rows.append((at, message("program_change", program=rng.randint(0, 127), channel=channel)))
            rows.append(
                (at, message("control_change", control=7, value=rng.randint(0, 127), channel=channel))
            )
        tracks.append(rows)
    smf = build(*tracks)
    assert sent_by(loaded(smf), smf) == said_by(smf)


@pytest.mark.parametrize("part", sorted(PARTS.glob("*.mid")), ids=lambda path: path.stem)
def test_drafts_of_our_own_files_plan_to_their_events(part: Path) -> None:
    """The example parts, with all that they hold, come out as they are."""
    smf = read_smf(part.read_bytes(), part.name)
    assert sent_by(loaded(smf, part.name), smf) == said_by(smf)
