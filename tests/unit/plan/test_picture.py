"""The picture of a song: every row on one scale, every change seen, within its width."""

from __future__ import annotations

from fractions import Fraction

import pytest
from songs import compiled, part_of

from runner.music import parse_moment
from runner.plan.compile import CompiledSong
from runner.plan.loops import parse_loop
from runner.plan.part_facts import part_facts
from runner.plan.picture import ASCII, NAME_COLUMNS, UNICODE, pen_for, song_picture

SONG = """
tempo: 120
meter: 4/4
length: 32 bars
pre-roll: 2 bars
sections: {verse: 1, refrain: 17, coda: 31}
meter-changes: [{at: refrain, meter: 3/4}]
tempo-changes: [{at: bar 9, tempo: 132.5}, {at: bar 25, tempo: 96, over: 4 bars}]
parts: [{file: parts/ropewalk.mid, machine: bass}]
cues:
  - {at: bar 1, machine: bass, program: 12}
  - {at: refrain, machine: drums, stop: true}
  - {at: bar 20, machine: drums, start: true}
  - {at: bar 20, machine: drums, program: 3}
"""


def ropewalk(**options: object) -> CompiledSong:
    """Return a song with one note in bar 1, four in bar 2 and none later."""
    notes = [(0, 400, 40), *((1920 + 480 * beat, 1920 + 480 * beat + 100, 52) for beat in range(4))]
    return compiled(SONG, {0: part_of(notes)}, **options)  # type: ignore[arg-type]


def row(lines: list[str], name: str) -> str:
    """Return the row of that name, without the name."""
    (line,) = [line for line in lines if line[:NAME_COLUMNS].strip() == name]
    return line[NAME_COLUMNS:]


def test_every_row_is_on_one_scale() -> None:
    """Two columns to a bar: sections, meters, tempos, notes and cues stand below the bar's number."""
    lines = song_picture(ropewalk(), 80)
    bars = row(lines, "bars")
    column = {bar: 2 * (bar - 1) + 4 for bar in (1, 2, 9, 17, 20, 25, 31)}  # two bars of pre-roll first
    for bar in (1, 9, 17, 25):
        assert bars[column[bar] :].startswith(str(bar))
    assert row(lines, "sections").index("refrain") == column[17]
    assert row(lines, "sections").rstrip().endswith("coda")
    assert row(lines, "meter").index("3/4") == column[17]
    assert row(lines, "meter").startswith("4/4")
    assert row(lines, "tempo").index("132.5") == column[9]
    assert row(lines, "tempo").index("↝96") == column[25]
    busy = row(lines, "bass")
    assert busy[column[1]] != " "
    assert busy[column[2] : column[2] + 2] == "▇▇"
    assert busy[column[2] + 2 :].strip() == ""
    assert row(lines, "  cues".strip())[column[1]] == "p"
    drums = row(lines, "drums cues"[:10])
    assert (drums[column[17]], drums[column[20]]) == ("-", "*")
    assert any("* several cues" in line for line in lines)


@pytest.mark.parametrize("width", [60, 72, 80, 100])
@pytest.mark.parametrize("bars", [1, 3, 32, 69, 70, 200, 5000])
def test_it_never_gets_wider_than_asked(width: int, bars: int) -> None:
    """From one bar to five thousand, rows keep within the width, and the last section shows."""
    song = compiled(
        f"tempo: 120\nlength: {bars} bars\nsections: {{the long goodbye of the harbour: {bars}}}\n"
    )
    lines = song_picture(song, width)[:5]
    assert max(map(len, lines)) <= width
    assert row(lines, "sections").strip()


def test_one_bar_in_many_gives_way_but_is_seen() -> None:
    """Where labels are close together each is cut to what fits, down to one character."""
    song = compiled("tempo: 120\nlength: 200 bars\nsections: {aft: 100, bow: 105, cabin: 110, deck: 190}\n")
    assert row(song_picture(song, 80), "sections").replace("┄", "").split() == ["a", "bcabin", "deck"]


def test_plain_characters_say_the_same() -> None:
    """For a terminal without the drawing characters, the same rows in ASCII alone."""
    plain = song_picture(ropewalk(), 80, ASCII)
    assert all(line.isascii() for line in plain)
    assert [line[:NAME_COLUMNS] for line in plain[:7]] == [
        line[:NAME_COLUMNS] for line in song_picture(ropewalk(), 80, UNICODE)[:7]
    ]
    assert "~96" in row(plain, "tempo")


@pytest.mark.parametrize(
    ("encoding", "pen"),
    [("utf-8", UNICODE), ("ascii", ASCII), ("latin-1", ASCII), (None, ASCII), ("x", ASCII)],
)
def test_the_terminals_encoding_chooses(encoding: str | None, pen: object) -> None:
    """Whatever cannot show the drawing characters, or is not known, gets plain ones."""
    assert pen_for(encoding) is pen


def test_what_is_played_is_drawn_when_it_is_not_the_whole() -> None:
    """From bar 3 to bar 21 with a loop and a hold: a row for each stretch, with how often it is played."""
    loops = [parse_loop("bar 5 to bar 13, 3 times"), parse_loop("bar 15 to bar 19")]
    lines = song_picture(ropewalk(from_="bar 3", to="bar 21", loops=loops), 80, ASCII)
    names = [line[:NAME_COLUMNS].strip() for line in lines]
    assert [name for name in names if name in ("played", "again", "held")] == [
        "played", "again", "played", "held", "played",
    ]  # fmt: skip
    assert "2 times" in row(lines, "again")
    assert row(lines, "again").index("[") == 2 * (5 - 1) + 4
    assert "played" not in [line[:NAME_COLUMNS].strip() for line in song_picture(ropewalk(), 80)]


def test_muted_parts_have_no_row_and_are_named() -> None:
    """A part that is not played is named below the picture."""
    lines = song_picture(ropewalk(muted=["bass"]), 80, muted=["bass"])
    assert "notes not played: bass" in lines
    assert not [line for line in lines if line[:NAME_COLUMNS].strip() == "bass"]


def test_parts_in_figures() -> None:
    """Notes, bars, keys and velocities are counted from what is sent."""
    (facts,) = part_facts(ropewalk().score)  # type: ignore[arg-type]
    assert (facts.first_bar, facts.last_bar, facts.notes, facts.keys) == (1, 2, 5, (40, 52))
    assert facts.text == "5 notes in bars 1 to 2, keys 40 to 52, velocity 100"
    empty = compiled(SONG, {0: part_of([], [(0, "B1 07 40")])})
    assert part_facts(empty.score)[0].text == "no notes, 1 other message"  # type: ignore[arg-type]


def test_a_scaled_tempo_is_shown_as_it_is_played() -> None:
    """At half the tempo the picture shows half the numbers."""
    lines = song_picture(ropewalk(tempo_scale=Fraction(1, 2)), 80)
    assert row(lines, "tempo").startswith("60 ")
    assert "66.25" in row(lines, "tempo")


def test_an_entry_in_mid_bar_is_drawn_in_its_column() -> None:
    """An entry at beat 3 of bar 3 falls into the second column of the bar."""
    lines = song_picture(compiled(SONG, from_="bar 3 beat 3"), 80, ASCII)
    assert row(lines, "played").index("[") == 2 * 2 + 4 + 1
    assert parse_moment("bar 3 beat 3").base
