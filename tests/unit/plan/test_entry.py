"""Rolls that begin within the song: chase, Song Position, count-in, and who is left out."""

from __future__ import annotations

import itertools

import pytest
from songs import BAR_NS, BEAT_NS, clock_times, compiled, part_of, sent

from runner.errors import UsageError

MS = 1_000_000
LOCATED = """
seq: {port: front, channel: 1, follows: [clock, transport, position], %s}
bass: {port: cable, channel: 2, settle: 100 ms}
"""
UNLOCATED = (
    "drums: {port: front, channel: 10, follows: [clock, transport], %s}\nbass: {port: cable, channel: 2}\n"
)
PART = "parts: [{file: parts/ropewalk.mid, machine: bass}]"


def test_song_position_then_continue_then_the_downbeat_clock() -> None:
    """From bar 5 of 4/4: 64 sixteenths (F2 40 00), then Continue, at least 1 ms before its clock."""
    song = compiled("lead: 1 s", machines=LOCATED % "", from_="bar 5")
    messages = sent(song, "front")
    assert [text for _, text in messages] == ["F2 40 00", "FB", "FC"]
    clocks = clock_times(song, "front")
    assert messages[0][0] < clocks[0]
    assert messages[1][0] == 4 * BAR_NS - 2 * MS
    assert 4 * BAR_NS in clocks
    assert len(clocks) == 48 + 4 * 96


def test_a_machine_that_counts_the_pre_roll_is_located_with_it() -> None:
    """Started two bars before bar 1, it stands at its own bar 7 when the song is at bar 5: 96 sixteenths."""
    song = compiled("pre-roll: 2 bars", machines=LOCATED % "starts: pre-roll", from_="bar 5")
    assert "F2 60 00" in [text for _, text in sent(song, "front")]


def test_bar_1_and_before_is_the_whole_song() -> None:
    """From bar 1, from start, or from nowhere: the same roll."""
    text = "lead: 1 s\npre-roll: 2 bars"
    whole = compiled(text, machines=LOCATED % "")
    for moment in ("bar 1", "start", "bar 0"):
        assert compiled(text, machines=LOCATED % "", from_=moment).course == whole.course


def test_a_place_between_sixteenths_is_reached_by_continuing_a_little_earlier() -> None:
    """Beat 1 1/24 x 4 is clock 4 of the sixteenth: Continue goes out 4 clocks before, and it is said."""
    song = compiled("lead: 1 s", machines=LOCATED % "", from_="bar 5 beat 1 1/6")
    messages = sent(song, "front")
    assert messages[0][1] == "F2 40 00"
    assert messages[1] == (4 * BAR_NS - 2 * MS, "FB")
    assert song.course.legs[0].timeline.entry_ns == 4 * BAR_NS + BEAT_NS // 6
    assert [problem.severity for problem in song.problems] == ["note"]
    assert "4 clocks" in song.problems[0].message


def test_an_entry_between_clocks_is_taken_back_to_the_clock() -> None:
    """A moment that no clock marks is moved to the last one before it, and it is said."""
    song = compiled(machines=LOCATED % "", from_="bar 5 beat 1.01")
    assert song.course.legs[0].timeline.entry_quarters == 16.0
    assert any("not on a clock" in problem.message for problem in song.problems)


def test_early_clocks_lengthen_a_lead_that_is_too_short() -> None:
    """Without any lead, a Continue 4 clocks before the entry brings those 4 clocks with it."""
    song = compiled(machines=LOCATED % "", from_="bar 5 beat 1 1/6")
    clocks = clock_times(song, "front")
    assert clocks[0] == 4 * BAR_NS
    assert sent(song, "front")[1][0] < clocks[0]


def test_a_place_beyond_the_reach_of_song_position_is_told() -> None:
    """16383 sixteenths are 1023.9 bars of 4/4: from bar 1030 the machine is left out."""
    text = "tempo: 200\nmeter: 4/4\nlength: 1100 bars"
    song = compiled(text, machines=LOCATED % "", from_="bar 1030")
    assert [(item.machine, item.fate) for item in song.left_out] == [("seq", "is not started")]
    assert [text for _, text in sent(song, "front")] == ["FC"]


def test_a_machine_without_position_is_left_out_and_named() -> None:
    """It gets clock and the final Stop, but neither Start nor Continue."""
    song = compiled(machines=UNLOCATED % "", from_="bar 5")
    assert [text for _, text in sent(song, "front")] == ["FC"]
    assert [(item.machine, item.fate) for item in song.left_out] == [("drums", "is not started")]
    assert "the clock and the Stop of port front still reach it" in song.left_out[0].why
    assert any("drums" in problem.path and problem.severity == "note" for problem in song.problems)


def test_a_machine_without_position_is_started_at_its_bar_1_if_the_session_says_so() -> None:
    """`without-position: start-at-bar-1`: Start at the entry."""
    song = compiled(machines=UNLOCATED % "without-position: start-at-bar-1", from_="bar 5")
    assert sent(song, "front")[0] == (4 * BAR_NS - 2 * MS, "FA")
    assert [(item.machine, item.fate) for item in song.left_out] == [("drums", "is started at its own bar 1")]


def test_a_machine_on_the_port_of_one_with_position_is_named() -> None:
    """It hears the Continue that was meant for the other."""
    machines = LOCATED % "" + "drums: {port: front, channel: 10, follows: [clock, transport]}\n"
    song = compiled(machines=machines, from_="bar 5")
    assert [item.machine for item in song.left_out] == ["drums"]
    assert "hears the Continue for seq on port front" in song.left_out[0].why


CUES = """
cues:
  - {at: bar 3, machine: %s, stop: true}
  - {at: bar 5, machine: %s, %s: true}
"""


def test_a_machine_that_stands_at_the_entry_is_located_and_continued_by_its_cue() -> None:
    """Stopped at bar 3: from bar 4 it gets the position of bar 3 (32), and Continue only from its cue."""
    song = compiled(CUES % ("seq", "seq", "continue"), machines=LOCATED % "", from_="bar 4")
    messages = sent(song, "front")
    assert [text for _, text in messages] == ["F2 20 00", "FB", "FC"]
    assert messages[1][0] == 4 * BAR_NS - 2 * MS


def test_a_stopped_time_is_not_counted() -> None:
    """Stopped at bar 3, continued at bar 5: at bar 7 of the song it is at its own bar 5 (64)."""
    song = compiled(CUES % ("seq", "seq", "continue"), machines=LOCATED % "", from_="bar 7")
    assert sent(song, "front")[0][1] == "F2 40 00"


def test_a_restarted_machine_counts_from_its_last_start() -> None:
    """Started anew at bar 5: at bar 7 it is at its own bar 3 (32)."""
    song = compiled(CUES % ("seq", "seq", "start"), machines=LOCATED % "", from_="bar 7")
    assert sent(song, "front")[0][1] == "F2 20 00"


def test_a_start_cue_at_the_entry_needs_no_song_position_continue() -> None:
    """From bar 5, where the cue starts it: one Start, no Continue."""
    song = compiled(CUES % ("seq", "seq", "start"), machines=LOCATED % "", from_="bar 5")
    assert [text for _, text in sent(song, "front") if text in ("FA", "FB")] == ["FA"]


def test_a_continue_cue_is_kept_from_a_machine_that_was_left_out() -> None:
    """It would go on from wherever it happens to stand."""
    song = compiled(CUES % ("drums", "drums", "continue"), machines=UNLOCATED % "", from_="bar 4")
    assert "FB" not in [text for _, text in sent(song, "front")]
    assert any("continue is not sent" in problem.message for problem in song.problems)


def test_programs_and_controllers_in_force_are_sent_first() -> None:
    """The last program with its bank and the last value of each controller, paced, before the first clock."""
    cues = """
    lead: 1 s
    cues:
      - {at: bar 1, machine: bass, program: 1}
      - {at: bar 2, machine: bass, program: 12, bank: 1/2}
      - {at: bar 2, machine: bass, control: 74, value: 10}
      - {at: bar 3, machine: bass, control: 74, value: 20}
      - {at: bar 3, machine: bass, bend: 100}
      - {at: bar 5, machine: bass, control: 74, value: 30}
    """
    song = compiled(cues, machines=LOCATED % "", from_="bar 5")
    messages = sent(song, "cable")
    assert [text for _, text in messages] == [
        "B1 00 01", "B1 20 02", "C1 0B", "B1 4A 14", "E1 64 40", "B1 4A 1E",
    ]  # fmt: skip
    chase = [t_ns for t_ns, _ in messages[:5]]
    assert all(after - before >= 640_000 for before, after in itertools.pairwise(chase))
    assert chase[-1] + 960_000 < clock_times(song, "front")[0]
    rows = [row for row in song.rows() if row["port"] == "cable"]
    assert [row["source"] for row in rows] == ["chase"] * 5 + ["songs[0].cues[5]"]


def test_a_chased_program_has_time_to_settle_even_without_a_lead() -> None:
    """The whole chase is over `settle` before the entry."""
    song = compiled("cues: [{at: bar 1, machine: bass, program: 1}]", machines=LOCATED % "", from_="bar 5")
    ((t_ns, text),) = sent(song, "cable")
    assert text == "C1 00"
    assert t_ns + 640_000 <= 4 * BAR_NS - 100 * MS


def test_song_select_is_chased() -> None:
    """A Song Select for the start is sent before Song Position also when the roll begins later."""
    song = compiled("cues: [{at: start, machine: seq, song-select: 3}]", machines=LOCATED % "", from_="bar 5")
    assert [text for _, text in sent(song, "front")] == ["F3 03", "F2 40 00", "FB", "FC"]


def test_system_exclusive_is_not_chased_and_that_is_said() -> None:
    """Nobody knows what an old system exclusive message left in force."""
    song = compiled('cues: [{at: bar 2, machine: bass, sysex: "7D 01"}]', from_="bar 5")
    assert sent(song, "cable") == []
    assert [(p.severity, p.path) for p in song.problems if "exclusive" in p.message] == [
        ("note", "songs[0].cues[0]")
    ]


def test_controllers_of_parts_are_chased_and_notes_are_not() -> None:
    """The state comes from cues and parts alike; a note that began earlier stays silent."""
    part = part_of([(0, 6 * 1920, 40), (5 * 1920, 5 * 1920 + 480, 41)], [(960, "B1 07 32"), (1000, "C1 09")])
    song = compiled(PART, {0: part}, from_="bar 5")
    assert [text for _, text in sent(song, "cable")] == ["C1 09", "B1 07 32", "91 29 64", "81 29 40"]


def test_the_count_in_goes_at_the_tempo_of_the_entry() -> None:
    """Two bars of pre-roll before bar 5 are played at bar 5's tempo, not at that of bars 3 and 4."""
    text = """
    tempo: 120
    meter: 4/4
    length: 8 bars
    pre-roll: 2 bars
    tempo-changes: [{at: bar 5, tempo: 60}]
    """
    song = compiled(text, machines=LOCATED % "", from_="bar 5")
    clocks = clock_times(song, "front")
    entry_ns = 4 * BAR_NS
    assert clocks[0] == entry_ns - 2 * 4 * 1_000_000_000
    assert clocks.index(entry_ns) == 2 * 96


def test_an_end_is_honoured() -> None:
    """`to` stops the roll at its moment, without the tail."""
    song = compiled("tail: 1 bar", to="bar 3")
    assert sent(song, "front")[-1] == (2 * BAR_NS, "FC")
    assert len(clock_times(song, "front")) == 2 * 96


@pytest.mark.parametrize(
    ("from_", "to"), [("bar 5", "bar 5"), ("bar 5", "bar 3"), ("end", None), ("nowhere", None)]
)
def test_impossible_ends_are_refused(from_: str, to: str | None) -> None:
    """An end before the beginning, a beginning at the end, or an unknown section."""
    with pytest.raises(UsageError):
        compiled(from_=from_, to=to)


def test_a_recorder_that_would_be_recording_records_from_where_the_bars_begin() -> None:
    """From bar 5 with a bar of count-in: record strobe at bar 4, machine control stop at the end.

    In between it is asked whether it records.
    """
    machines = "deck: {port: front, device-id: 1, kind: recorder}\n"
    text = "pre-roll: 1 bar\ncues: [{at: start, machine: deck, record: true}]"
    assert sent(compiled(text, machines=machines, from_="bar 5")) == [
        (3 * BAR_NS, "F0 7F 01 06 06 F7"),
        (3 * BAR_NS + 400_000_000, "F0 7F 01 06 42 02 48 4D F7"),
        (8 * BAR_NS - 300_000_000, "F0 7F 01 06 42 02 48 4D F7"),
        (8 * BAR_NS, "F0 7F 01 06 01 F7"),
    ]


def test_sustained_notes_are_struck_again_on_wish() -> None:
    """A note from bar 1 to bar 7 and a cue's note: restarted at the entry, each with its own end."""
    part = part_of([(0, 6 * 1920, 40)])
    text = PART + "\ncues: [{at: bar 4, machine: bass, note: 60, length: 2 bars}]"
    song = compiled(text, {0: part}, from_="bar 5", restart_notes=True)
    assert sent(song, "cable") == [
        (4 * BAR_NS, "91 28 64"),
        (4 * BAR_NS, "91 3C 64"),
        (5 * BAR_NS, "81 3C 40"),
        (6 * BAR_NS, "81 28 40"),
    ]


def test_what_happens_at_the_end_that_was_asked_for_does_not_happen() -> None:
    """A roll up to bar 3 plays bars 1 and 2: a cue at bar 3 belongs to what is not played."""
    song = compiled("cues: [{at: bar 3, machine: drums, note: 60}]", to="bar 3")
    assert [text for _, text in sent(song, "front")] == ["FA", "FC"]
