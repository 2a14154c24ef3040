"""Songs that go straight on: the clock unbroken, machines started anew, nothing lost at the seam."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from songs import BAR_NS, compiled, load, part_of, sent

from runner.plan.compile import CompiledSong, opening_messages
from runner.plan.report import rows_of
from runner.plan.timeline import Course, Stage

MS = 1_000_000
LOCATED = """
seq: {port: front, channel: 1, follows: [clock, transport, position]%s}
bass: {port: cable, channel: 2, settle: 50 ms}
"""


def set_of(*songs: CompiledSong) -> list[dict[str, Any]]:
    """Return the rows of several songs played as one course."""
    course = Course(tuple(leg for song in songs for leg in song.course.legs))
    return list(rows_of(course, songs[0].time))


def two(
    second: str, machines: str | None = None, first: str = "tail: 1 bar"
) -> tuple[CompiledSong, CompiledSong]:
    """Return two songs of 8 bars, the second following the first."""
    options: dict[str, Any] = {} if machines is None else {"machines": machines}
    one = compiled(first, straight_on=True, **options)
    return one, compiled(second, follows=one.after, **options)


def test_the_clock_goes_on_without_a_gap() -> None:
    """16 bars of clock, evenly spaced, no lead, pre-roll or tail in between; the last song has its tail."""
    rows = set_of(*two("lead: 1 s\npre-roll: 2 bars\ntail: 1 bar"))
    clocks = [row["t_ns"] for row in rows if row["bytes"] == "F8" and row["port"] == "front"]
    assert len(clocks) == 17 * 96
    assert {after - before for before, after in pairwise(clocks)} <= {20_833_333, 20_833_334, 20_833_332}


def test_machines_are_stopped_and_started_between_two_clocks() -> None:
    """Stop, then Start for the downbeat of the second song, at least 1 ms before it."""
    rows = [(row["t_ns"], row["bytes"]) for row in set_of(*two("")) if row["bytes"] != "F8"]
    assert [text for _, text in rows] == ["FA", "FC", "FA", "FC"]
    seam = 8 * BAR_NS
    assert seam - 20_833_333 < rows[1][0] < rows[2][0] <= seam - MS


def test_song_select_goes_between_stop_and_start() -> None:
    """The second song's Song Select is sent while the machine stands."""
    _, second = two("cues: [{at: start, machine: seq, song-select: 4}]", LOCATED % "")
    messages = sent(second, "front")
    assert [text for _, text in messages] == ["FC", "F3 04", "FA", "FC"]
    assert messages[0][0] + MS <= messages[1][0] <= messages[2][0] - 640_000 // 2


def test_a_machine_that_counts_the_pre_roll_is_located_behind_it() -> None:
    """Two bars of pre-roll that are not played: Song Position 32 and Continue."""
    _, second = two("pre-roll: 2 bars", LOCATED % ", starts: pre-roll", first="pre-roll: 2 bars")
    assert [text for _, text in sent(second, "front")] == ["FC", "F2 20 00", "FB", "FC"]


def test_a_machine_that_counts_the_pre_roll_and_has_no_position_is_told_of() -> None:
    """It is started at bar 1 and is a pre-roll behind: a warning."""
    machines = "drums: {port: front, channel: 10, follows: [clock, transport], starts: pre-roll}\n"
    _, second = two("pre-roll: 2 bars", machines, first="pre-roll: 2 bars")
    assert [problem.severity for problem in second.problems] == ["warning"]
    assert [text for _, text in sent(second, "front")] == ["FC", "FA", "FC"]


def test_programs_of_the_next_song_are_sent_before_its_bar_1() -> None:
    """Set for its start or its bar 1, they are in force at its bar 1, ahead of the seam."""
    cues = "cues: [{at: start, machine: bass, program: 3}, {at: bar 1, machine: bass, control: 7, value: 90}]"
    _, second = two(cues, LOCATED % "")
    messages = sent(second, "cable")
    assert [text for _, text in messages] == ["C1 02", "B1 07 5A"]
    assert messages[0][0] <= -50 * MS - 640_000
    assert second.course.legs[0].timeline.start_ns == messages[0][0]
    assert second.course.legs[0].timeline.entry_ns == 0


def test_what_is_in_force_already_is_not_sent_again() -> None:
    """The first song leaves volume 90: the second, which wants 90, says nothing at its start."""
    cues = "pre-roll: 1 bar\ncues: [{at: start, machine: bass, control: 7, value: 90}]"
    _, second = two(cues, LOCATED % "", first=cues)
    assert sent(second, "cable") == []


def test_notes_of_the_first_song_are_ended_at_the_seam() -> None:
    """Nothing sounds into the next song."""
    part = "parts: [{file: a.mid, machine: bass}]"
    first = compiled(part, {0: part_of([(7 * 1920, 12 * 1920, 40)])}, straight_on=True)
    assert sent(first, "cable") == [(7 * BAR_NS, "91 28 64"), (8 * BAR_NS, "81 28 40")]
    assert Stage.END not in {mark.stage for mark in first.course.legs[-1].timeline.stages}


def test_opening_messages_are_what_bar_1_needs() -> None:
    """Programs and controllers up to bar 1 itself, to be sent while the song is waited for."""
    cues = """
    cues:
      - {at: start, machine: bass, program: 3, bank: 1/2}
      - {at: bar 1, machine: bass, control: 7, value: 90}
      - {at: bar 2, machine: bass, control: 7, value: 91}
    """
    found = [(port, message.hex(" ").upper()) for port, message in opening_messages(compiled(cues))]
    assert found == [(1, "B1 00 01"), (1, "B1 20 02"), (1, "C1 02"), (1, "B1 07 5A")]


def test_what_can_be_muted_has_notes_by_parts_or_by_cues() -> None:
    """Cues without notes make no sound; notes in raw bytes do; a cue to a port is no machine's."""
    song = """
    parts: [{file: a.mid, machine: bass}]
    cues:
      - {at: bar 1, machine: %s}
    """
    for cue, sounds in (
        ("drums, note: 36", True),
        ('drums, raw: "C2 05 92 24 64"', True),
        ("drums, program: 5", False),
        ('drums, raw: "B0 07 10"', False),
    ):
        sounding = load(song % cue).session.songs[0].sounding
        assert sounding == ({"bass", "drums"} if sounds else {"bass"}), cue
