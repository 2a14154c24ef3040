"""A song compiled: lead, Start, clock, cues, parts, tail and Stop, each where the session says."""

from __future__ import annotations

import pytest
from songs import BAR_NS, BEAT_NS, CLOCK_NS, clock_times, compiled, part_of, sent

from runner.errors import PlanError
from runner.plan.timeline import Course, Stage

MS = 1_000_000
FOLLOWING = "drums: {port: front, channel: 10, follows: [clock, transport], %s}\n"


def drums(more: str) -> str:
    """Return machines with a drum machine that has further keys."""
    return FOLLOWING % more + "bass: {port: cable, channel: 2}\n"


def stages(song: object) -> dict[Stage, int]:
    """Return when the stages of the first leg begin."""
    timeline = song.course.legs[0].timeline  # type: ignore[attr-defined]
    return {mark.stage: mark.t_ns for mark in timeline.stages}


def test_a_plain_song_has_24_clocks_a_quarter_and_stops_where_the_next_would_be() -> None:
    """8 bars of 4/4 are 768 clocks (MIDI 1.0 4.2.1, p. 30: 24 a quarter); Stop follows at the bar line."""
    song = compiled()
    clocks = clock_times(song, "front")
    assert len(clocks) == 8 * 96
    assert clocks[0] == 0
    assert clocks[24] == BEAT_NS
    assert sent(song, "front")[-1] == (8 * BAR_NS, "FC")
    assert clocks[-1] < 8 * BAR_NS


def test_only_ports_with_machines_that_follow_get_clock() -> None:
    """The bass follows nothing, so its port carries no clock, Start or Stop."""
    assert sent(compiled(), "cable", clocks=True) == []


def test_start_comes_between_the_last_lead_clock_and_the_downbeat() -> None:
    """At least 1 ms lies between Start and the first clock (MIDI 1.0 4.2.1, p. 30)."""
    song = compiled("lead: 1 s")
    start = next(t_ns for t_ns, text in sent(song, "front") if text == "FA")
    clocks = clock_times(song, "front")
    assert start == -2 * MS
    assert max(clock for clock in clocks if clock < 0) < start
    assert -start >= MS


def test_the_lead_is_whole_clocks_in_phase_with_the_song() -> None:
    """A lead of 1 s at 120 BPM is 48 clocks; one of 1.01 s is 49; all lie on the song's own grid."""
    assert next(t for t in clock_times(compiled("lead: 1 s"), "front") if t < 0) == -1_000_000_000
    longer = [t for t in clock_times(compiled("lead: 1010 ms"), "front") if t < 0]
    assert len(longer) == 49
    assert longer == [-round(index * CLOCK_NS) for index in range(49, 0, -1)]


def test_the_lead_may_be_counted_in_beats() -> None:
    """Two beats of lead are 48 clocks."""
    assert len([t for t in clock_times(compiled("lead: 2 beats"), "front") if t < 0]) == 48


@pytest.mark.parametrize(("starts", "expected"), [("pre-roll", -2 * BAR_NS), ("bar-1", 0)])
def test_machines_start_at_the_pre_roll_or_at_bar_1(starts: str, expected: int) -> None:
    """A machine that counts the pre-roll as its own bars gets Start there, the others at bar 1."""
    song = compiled("pre-roll: 2 bars", machines=drums(f"starts: {starts}"))
    start = next(t_ns for t_ns, text in sent(song, "front") if text == "FA")
    assert start == expected - 2 * MS
    assert clock_times(song, "front")[0] == -2 * BAR_NS


def test_the_tail_carries_clock_and_then_stops() -> None:
    """A tail of one bar adds 96 clocks; a tail in seconds is rounded up to whole clocks."""
    song = compiled("tail: 1 bar")
    assert len(clock_times(song, "front")) == 9 * 96
    assert sent(song)[-1] == (9 * BAR_NS, "FC")
    song = compiled("tail: 1010 ms")
    assert len(clock_times(song, "front")) == 8 * 96 + 49


def test_stages_are_marked_in_order() -> None:
    """Lead, pre-roll, song, tail and end begin where they should; the end lies behind the last message."""
    song = compiled("lead: 1 s\npre-roll: 1 bar\ntail: 1 bar")
    marks = stages(song)
    assert list(marks) == [Stage.LEAD, Stage.PRE_ROLL, Stage.SONG, Stage.TAIL, Stage.END]
    assert marks[Stage.LEAD] == -BAR_NS - 1_000_000_000
    assert marks[Stage.PRE_ROLL] == -BAR_NS
    assert marks[Stage.SONG] == 0
    assert marks[Stage.TAIL] == 8 * BAR_NS
    assert marks[Stage.END] == 9 * BAR_NS + 1


def test_an_offset_shifts_all_that_a_machine_gets() -> None:
    """2.5 ms earlier moves clock, Start, notes and Stop; the roll begins that much earlier."""
    plain, early = compiled(machines=drums("")), compiled(machines=drums("offset: -2.5 ms"))
    shift = -2_500_000
    assert clock_times(early, "front") == [t_ns + shift for t_ns in clock_times(plain, "front")]
    assert sent(early, "front") == [(t_ns + shift, text) for t_ns, text in sent(plain, "front")]
    assert early.course.legs[0].timeline.start_ns == plain.course.legs[0].timeline.start_ns + shift


def test_a_late_machine_ends_late_and_the_end_waits_for_it() -> None:
    """With 30 ms of offset the last messages come 30 ms later, and so does the end of the roll."""
    song = compiled(machines=drums("offset: 30 ms"))
    assert sent(song, "front")[-1] == (8 * BAR_NS + 30 * MS, "FC")
    assert stages(song)[Stage.END] > 8 * BAR_NS + 30 * MS


def test_a_program_is_in_force_at_its_moment() -> None:
    """It is through `settle` before the moment: 8 bytes on a DIN cable are 2.56 ms."""
    cue = "cues: [{at: bar 3, machine: bass, program: 12, bank: 1/2}]"
    song = compiled(cue, machines=drums("").replace("channel: 2", "channel: 2, settle: 120 ms"))
    messages = sent(song, "cable")
    assert [text for _, text in messages] == ["B1 00 01", "B1 20 02", "C1 0B"]
    at_ns = messages[0][0]
    assert {t_ns for t_ns, _ in messages} == {at_ns}
    assert at_ns == 2 * BAR_NS - 120 * MS - 2_560_000


def test_a_program_at_bar_1_makes_the_roll_begin_earlier() -> None:
    """Without a lead there is no other time for it than before the first clock."""
    machines = drums("").replace("channel: 2", "channel: 2, settle: 2 s")
    song = compiled("cues: [{at: bar 1, machine: bass, program: 1}]", machines=machines)
    assert song.course.legs[0].timeline.start_ns == -2_000 * MS - 640_000


def test_programs_of_one_channel_keep_their_order() -> None:
    """Two programs closer together than the machine needs to settle still come one after the other."""
    cues = """
    cues:
      - {at: bar 3, machine: bass, program: 1}
      - {at: bar 3 beat 1.1, machine: bass, program: 2}
    """
    machines = drums("").replace("channel: 2", "channel: 2, settle: 120 ms")
    messages = sent(compiled(cues, machines=machines), "cable")
    assert [text for _, text in messages] == ["C1 00", "C1 01"]
    assert messages[1][0] >= messages[0][0] + 640_000


def test_cues_of_every_kind_become_their_bytes() -> None:
    """Control, note, bend, pressure, parameters, sysex and raw bytes."""
    cues = """
    cues:
      - {at: bar 2, machine: bass, control: 74, value: 90}
      - {at: bar 2 beat 2, machine: bass, note: 60, velocity: 80, length: 1/2 beat}
      - {at: bar 2 beat 3, machine: bass, bend: -1}
      - {at: bar 2 beat 4, machine: bass, pressure: 7}
      - {at: bar 3, machine: bass, rpn: 0/0, value: 12}
      - {at: bar 4, machine: bass, sysex: "7D 01 02"}
      - {at: bar 5, port: cable, raw: "F6 B0 07 64"}
      - {at: bar 6, port: cable, channel: 3, program: 5}
    """
    at = {text: t_ns for t_ns, text in sent(compiled(cues), "cable")}
    assert at["B1 4A 5A"] == BAR_NS
    assert at["91 3C 50"] == BAR_NS + BEAT_NS
    assert at["81 3C 40"] == BAR_NS + BEAT_NS * 3 // 2
    assert at["E1 7F 3F"] == BAR_NS + 2 * BEAT_NS
    assert at["D1 07"] == BAR_NS + 3 * BEAT_NS
    texts = [text for t_ns, text in sent(compiled(cues), "cable") if t_ns == 2 * BAR_NS]
    assert texts == ["B1 65 00", "B1 64 00", "B1 06 0C", "B1 26 00", "B1 65 7F", "B1 64 7F"]
    assert at["F0 7D 01 02 F7"] == 3 * BAR_NS
    assert at["F6"] == at["B0 07 64"] == 4 * BAR_NS
    assert at["C2 04"] == 5 * BAR_NS - 640_000


def test_messages_of_one_instant_go_in_the_standing_order() -> None:
    """Clock, control, note off, note on, whatever the order in the file."""
    cues = """
    cues:
      - {at: bar 2, machine: drums, note: 38}
      - {at: bar 1, machine: drums, note: 36, length: 1 bar}
      - {at: bar 2, machine: drums, control: 7, value: 100}
    """
    texts = [text for t_ns, text in sent(compiled(cues), "front", clocks=True) if t_ns == BAR_NS]
    assert texts == ["F8", "B9 07 64", "89 24 40", "99 26 64"]


def test_a_time_shift_moves_a_cue_by_time_and_not_by_music() -> None:
    """120 ms before bar 2 is 120 ms whatever the tempo; the row still names the moment's bar."""
    song = compiled("cues: [{at: 120 ms before bar 2, machine: bass, control: 7, value: 1}]")
    assert sent(song, "cable") == [(BAR_NS - 120 * MS, "B1 07 01")]
    row = next(row for row in song.rows() if row["port"] == "cable")
    assert (row["machine"], row["source"]) == ("bass", "songs[0].cues[0]")


def test_start_and_stop_cues_take_effect_with_their_clock() -> None:
    """Stop goes out 3 ms and Start 2 ms before the clock at which the machine stops or starts."""
    cues = "cues: [{at: bar 3, machine: drums, stop: true}, {at: bar 5, machine: drums, start: true}]"
    assert sent(compiled(cues), "front") == [
        (-2 * MS, "FA"),
        (2 * BAR_NS - 3 * MS, "FC"),
        (4 * BAR_NS - 2 * MS, "FA"),
        (8 * BAR_NS, "FC"),
    ]


def test_stop_and_start_for_one_clock_come_in_that_order() -> None:
    """However they stand in the file, Stop goes before Start."""
    cues = "cues: [{at: bar 3, machine: drums, start: true}, {at: bar 3, machine: drums, stop: true}]"
    song = compiled(cues)
    assert [text for _, text in sent(song, "front")] == ["FA", "FC", "FA", "FC"]
    assert song.problems == []


def test_a_start_while_the_machine_plays_is_warned_of() -> None:
    """Machines ignore Start while they play (MIDI 1.0 4.2.1, p. 32)."""
    song = compiled("cues: [{at: bar 3, machine: drums, start: true}]")
    (problem,) = song.problems
    assert problem.severity == "warning"
    assert problem.path == "songs[0].cues[0]"
    assert problem.line > 1


def test_song_select_goes_before_start() -> None:
    """A Song Select for the start is sent ahead of Start, as it may only be sent while nothing plays."""
    messages = sent(compiled("cues: [{at: start, machine: drums, song-select: 3}]"), "front")
    assert [text for _, text in messages] == ["F3 03", "FA", "FC"]
    assert messages[0][0] < messages[1][0] - MS // 2


def test_song_select_while_playing_is_refused() -> None:
    """Song Select is only sent when nothing plays (MIDI 1.0 4.2.1, p. 29)."""
    with pytest.raises(PlanError, match="bar 3") as caught:
        compiled("cues: [{at: bar 3, machine: drums, song-select: 3}]")
    assert caught.value.problems[0].path == "songs[0].cues[0]"


def test_song_select_between_stop_and_start_is_sent() -> None:
    """While the machine stands in mid-song, it may be told another song."""
    cues = """
    cues:
      - {at: bar 3, machine: drums, stop: true}
      - {at: bar 4, machine: drums, song-select: 3}
      - {at: bar 5, machine: drums, start: true}
    """
    assert [text for _, text in sent(compiled(cues), "front")] == ["FA", "FC", "F3 03", "FA", "FC"]


def test_errors_are_listed_instead_of_raised_on_wish() -> None:
    """A check wants the whole picture, wire load included."""
    song = compiled("cues: [{at: bar 3, machine: drums, song-select: 3}]", strict=False)
    assert [problem.severity for problem in song.problems] == ["error"]
    assert song.wire


def test_a_recorder_that_was_told_to_record_is_stopped_at_the_end() -> None:
    """Record strobe at the start (RP-013: 06), machine control stop (01) where the roll ends.

    In between it is asked (READ, 42) for motion and record status: 0.4 s after, 0.3 s before.
    """
    machines = "deck: {port: front, device-id: 1, kind: recorder}\n"
    song = compiled("cues: [{at: start, machine: deck, record: true}]", machines=machines)
    asks = "F0 7F 01 06 42 02 48 4D F7"
    assert [text for _, text in sent(song)] == ["F0 7F 01 06 06 F7", asks, asks, "F0 7F 01 06 01 F7"]
    assert [t_ns for t_ns, _ in sent(song)][1:] == [400_000_000, 8 * BAR_NS - 300_000_000, 8 * BAR_NS]


PART = "parts: [{file: parts/ropewalk.mid, machine: bass}]"


def test_a_part_is_played_where_its_file_says() -> None:
    """480 ticks a quarter at 120 BPM: a note on beat 2 of bar 1 sounds at 0.5 s."""
    song = compiled(PART, {0: part_of([(480, 960, 40)])})
    assert sent(song, "cable") == [(BEAT_NS, "91 28 64"), (2 * BEAT_NS, "81 28 40")]
    assert {row["source"] for row in song.rows() if row["port"] == "cable"} == {"songs[0].parts[0] note"}


def test_a_program_in_a_part_is_sent_early_with_its_bank() -> None:
    """Bank and program of a file go as one group, ahead of the moment, also when they stand apart."""
    part = part_of([(1920, 2400, 40)], [(1900, "B1 00 01"), (1910, "B1 20 02"), (1920, "C1 05")])
    machines = drums("").replace("channel: 2", "channel: 2, settle: 50 ms")
    messages = sent(compiled(PART, {0: part}, machines=machines), "cable")
    assert [text for _, text in messages][:3] == ["B1 00 01", "B1 20 02", "C1 05"]
    assert messages[0][0] == messages[2][0] == BAR_NS - 50 * MS - 2_560_000


def test_a_note_that_sounds_at_the_end_is_ended_there() -> None:
    """Nothing is left sounding when the roll ends."""
    song = compiled(PART, {0: part_of([(7 * 1920, 20 * 1920, 40)])})
    assert sent(song, "cable") == [(7 * BAR_NS, "91 28 64"), (8 * BAR_NS, "81 28 40")]


def test_what_a_part_has_after_the_end_is_left_out_and_told() -> None:
    """Notes behind the tail are not sent, and a warning names the part."""
    song = compiled(PART, {0: part_of([(0, 480, 40), (9 * 1920, 9 * 1920 + 480, 40)])})
    assert len(sent(song, "cable")) == 2
    assert [(p.severity, p.path) for p in song.problems] == [("warning", "songs[0].parts[0]")]


def test_what_a_part_says_at_the_very_end_belongs_to_the_song() -> None:
    """A note that ends with the last bar and a pedal that comes up there are whole: sent, and no warning."""
    part = part_of([(7 * 1920, 8 * 1920, 40)], [(7 * 1920, "B1 40 7F"), (8 * 1920, "B1 40 00")])
    song = compiled(PART, {0: part})
    assert sent(song, "cable") == [
        (7 * BAR_NS, "B1 40 7F"),
        (7 * BAR_NS, "91 28 64"),
        (8 * BAR_NS, "B1 40 00"),
        (8 * BAR_NS, "81 28 40"),
    ]
    assert song.problems == []


def test_what_is_cut_off_at_the_end_is_counted() -> None:
    """A note that begins before the end is ended there, one that would begin there is left out: both said."""
    part = part_of([(7 * 1920, 8 * 1920 + 1, 40), (8 * 1920, 8 * 1920 + 480, 41)])
    song = compiled(PART, {0: part})
    assert sent(song, "cable") == [(7 * BAR_NS, "91 28 64"), (8 * BAR_NS, "81 28 40")]
    assert [problem.message for problem in song.problems] == [
        "goes on after the end at bar 9 beat 1: 2 messages are not sent, 1 note ends there"
    ]


def test_doubled_note_ons_keep_their_own_note_offs() -> None:
    """Two overlapping notes of one key have two Note Ons and two Note Offs (MIDI 1.0 4.2.1, A-4)."""
    part = part_of([(0, 960, 40), (480, 1440, 40)])
    texts = [text for _, text in sent(compiled(PART, {0: part}), "cable")]
    assert texts == ["91 28 64", "91 28 64", "81 28 40", "81 28 40"]


NOTE_CUES = """
cues:
  - {at: bar 1, machine: bass, program: 5}
  - {at: bar 2, machine: bass, note: 40}
  - {at: bar 2 beat 2, machine: bass, raw: "91 2B 64"}
  - {at: bar 2 beat 3, machine: bass, raw: "81 2B 40"}
  - {at: bar 3, machine: bass, control: 7, value: 1}
  - {at: bar 4, port: cable, channel: 2, note: 50}
"""


def test_a_muted_machine_gets_no_notes_of_parts_or_cues_and_all_else() -> None:
    """What would be in force stays so, programs and controllers; a cue to a port is no machine's."""
    song = compiled(PART + NOTE_CUES, {0: part_of([(0, 480, 40)])}, muted=["bass"])
    assert [text for _, text in sent(song, "cable")] == ["C1 04", "B1 07 01", "91 32 64", "81 32 40"]
    assert len(sent(compiled(PART + NOTE_CUES, {0: part_of([(0, 480, 40)])}), "cable")) == 10


def test_a_scaled_tempo_scales_all_musical_time() -> None:
    """At 80 % everything comes 1.25 times as late; spans of time stay what they are."""
    from fractions import Fraction

    song = compiled(
        "cues: [{at: 100 ms after bar 2, machine: bass, control: 7, value: 1}]", tempo_scale=Fraction(4, 5)
    )
    assert clock_times(song, "front")[96] == BAR_NS * 5 // 4
    assert sent(song, "cable") == [(BAR_NS * 5 // 4 + 100 * MS, "B1 07 01")]


def test_a_course_survives_packing() -> None:
    """What the engine unpacks is what was planned."""
    song = compiled("lead: 1 s\ncues: [{at: bar 2, machine: bass, program: 3}]")
    again = Course.unpack(song.course.pack())
    assert again == song.course


def test_compiling_twice_gives_the_same_bytes() -> None:
    """A plan is a pure function of the session."""
    text = "lead: 1 s\npre-roll: 1 bar\ncues: [{at: bar 2, machine: bass, program: 3}]"
    assert compiled(text).course.pack() == compiled(text).course.pack()


def test_events_keep_their_musical_moment() -> None:
    """For a follower of another clock: time = tempo map at `quarters` plus `shift_ns`, for every event."""
    cues = """
    tempo: 97
    meter: 4/4
    length: 16 bars
    lead: 1 s
    tempo-changes: [{at: bar 3, tempo: 140, over: 2 bars}]
    cues:
      - {at: bar 2 beat 2.5, machine: bass, program: 3}
      - {at: 50 ms after bar 3 beat 3, machine: bass, note: 60}
      - {at: bar 6, machine: drums, stop: true}
      - {at: bar 7, machine: bass, sysex: "7D 01 02 03"}
    """
    song = compiled(cues, machines=drums("offset: -3 ms").replace("channel: 2", "channel: 2, offset: 4 ms"))
    events = song.course.legs[0].timeline.events
    from fractions import Fraction

    for index in range(len(events)):
        at_ns = song.time.tempo.ns_at(Fraction(events.quarters[index]).limit_denominator(10_000))
        assert abs(at_ns + events.shift_ns[index] - events.t_ns[index]) <= 1


def test_notes_of_raw_bytes_are_ended_with_the_roll() -> None:
    """Two Note Ons and one Note Off in raw bytes: the other one is ended where the roll ends."""
    cue = """
    cues:
      - {at: bar 2, port: cable, raw: "90 3C 40 90 3E 40"}
      - {at: bar 3, port: cable, raw: "90 3C 00"}
    """
    assert sent(compiled(cue), "cable")[-1] == (8 * BAR_NS, "80 3E 40")
    assert len(sent(compiled(cue), "cable")) == 4


def test_a_machine_that_follows_transport_only_is_started_at_the_moment_itself() -> None:
    """Without a clock on its port there is nothing to wait for: each message at its own moment."""
    machines = "deck: {port: front, follows: [transport]}\n"
    cues = "cues: [{at: bar 3, machine: deck, stop: true}, {at: bar 5 beat 1.01, machine: deck, start: true}]"
    song = compiled(cues, machines=machines)
    assert sent(song, "front", clocks=True) == [
        (0, "FA"),
        (2 * BAR_NS, "FC"),
        (4 * BAR_NS + BEAT_NS // 100, "FA"),
        (8 * BAR_NS, "FC"),
    ]


def test_a_start_between_two_clocks_is_made_with_the_next_and_told() -> None:
    """A machine moves with a clock (MIDI 1.0 4.2.1, p. 30), so the cue takes effect up to one clock later."""
    cues = (
        "cues: [{at: bar 3, machine: drums, stop: true}, {at: bar 5 beat 1.01, machine: drums, start: true}]"
    )
    song = compiled(cues)
    assert sent(song, "front")[2] == (4 * BAR_NS + round(CLOCK_NS) - 2 * MS, "FA")
    assert [(problem.severity, problem.path) for problem in song.problems] == [
        ("note", "songs[0].cues[1].at")
    ]


def test_a_stop_and_a_start_at_the_songs_own_start_are_one_start() -> None:
    """Cues at the moment at which the machine would start by itself take the place of that Start."""
    cues = (
        "cues:\n  - {at: bar 1, machine: drums, stop: true}\n  - {at: bar 1, machine: drums, start: true}\n"
    )
    texts = [text for _, text in sent(compiled(cues), "front")]
    assert texts == ["FC", "FA", "FC"]
