"""Single values of a session: what is accepted and turned into what, and what is refused and how."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import mido
import pytest

from runner.errors import SessionError
from runner.music.meter import Meter
from runner.music.moment import Edge, Moment, parse_moment, parse_span
from runner.session.load import load_session
from runner.session.model import CueSpec, MachineSpec, Session, SongSpec

RIG = """session: Fog Signal, rehearsal
format: 1
ports: {front: {match: "Front*"}, pedal: {match: "*Foot*"}}
machines:
  bass: {port: front, channel: 2}
  old: {port: front, channel: 3, numbering: from-0}
  deck: {port: front, kind: recorder}
"""


def session_of(text: str) -> Session:
    """Return the session of the rig and more text."""
    return load_session(RIG + text).session


def song_of(text: str) -> SongSpec:
    """Return a song with more keys."""
    return session_of(
        f"songs: [{{song: Ropewalk, length: 64 bars, sections: {{refrain: 17}}, {text}}}]"
    ).songs[0]


def cue_of(text: str) -> CueSpec:
    """Return a cue for the bass with more keys."""
    return song_of(f"tempo: 120, cues: [{{at: bar 1, {text}}}]").cues[0]


def machine_of(text: str) -> MachineSpec:
    """Return a machine with more keys."""
    songs = "songs: [{song: Ropewalk, tempo: 120, length: 1 bar}]"
    return session_of(f"  new: {{port: front, {text}}}\n{songs}").machines["new"]


def refusal(function: Any, text: str) -> str:
    """Return the only problem that a text gives."""
    with pytest.raises(SessionError) as caught:
        function(text)
    problems = caught.value.problems
    assert len(problems) == 1, problems
    assert problems[0].line > 0
    return str(problems[0]).split(": ", 1)[1]


@pytest.mark.parametrize(
    ("text", "bpm"),
    [
        ("112", Fraction(112)),
        ("97.1", Fraction(971, 10)),
        ("4", Fraction(4)),
        ("999", Fraction(999)),
        ("1.2e2", Fraction(120)),
    ],
)
def test_tempo_is_exact(text: str, bpm: Fraction) -> None:
    """A tempo is the exact number that was written, not its binary neighbour."""
    assert song_of(f"tempo: {text}").tempo == bpm


@pytest.mark.parametrize("text", ["3.99", "999.01", "0", "-120", "fast", "true", "'120'", "1_20", "120 bpm"])
def test_tempo_out_of_range_is_refused(text: str) -> None:
    """A tempo outside 4 to 999, or one that is no number, is refused with the range."""
    assert "must be a tempo from 4 to 999 quarter notes a minute" in refusal(song_of, f"tempo: {text}")


def test_song_defaults() -> None:
    """A song that says little is in 4/4, without lead, pre-roll and tail."""
    song = song_of("tempo: 120")
    assert song.meter == Meter(4, 4)
    assert [str(span) for span in (song.lead, song.pre_roll, song.tail)] == ["0 s", "0 bars", "0 bars"]
    assert song.parts == song.cues == song.tempo_changes == song.meter_changes == []


@pytest.mark.parametrize(
    ("text", "meter"), [("7/8", Meter(7, 8)), ("2+2+3/8", Meter(7, 8, (2, 2, 3))), ("64/64", Meter(64, 64))]
)
def test_meters(text: str, meter: Meter) -> None:
    """A meter may tell how its beats fall into groups."""
    assert song_of(f"tempo: 120, meter: {text}").meter == meter


@pytest.mark.parametrize("text", ["4", "4/3", "0/4", "65/4", "4/128", "four", "4/4/4", "[4, 4]"])
def test_wrong_meters_are_refused(text: str) -> None:
    """What is no meter is refused at its place."""
    assert "songs[0].meter" in refusal(song_of, f"tempo: 120, meter: {text}")


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("bar 17", parse_moment("bar 17")),
        ("bar 17 beat 3", parse_moment("bar 17 beat 3")),
        ("1 beat before refrain", parse_moment("1 beat before refrain")),
        ("start", Moment(Edge.START)),
        ("end", Moment(Edge.END)),
    ],
)
def test_moments(text: str, moment: Moment) -> None:
    """A moment is read as the music package reads it."""
    assert song_of(f"tempo: 120, cues: [{{at: {text}, machine: bass, stop: true}}]").cues[0].at == moment


@pytest.mark.parametrize(
    ("text", "time_ns"),
    [
        ("-2.5 ms", -2_500_000),
        ("4ms", 4_000_000),
        ("+1 s", 10**9),
        ("0.1 us", 100),
        ("250 µs", 250_000),
        ("−3 ms", -3_000_000),
    ],
)
def test_offset_is_signed_ns(text: str, time_ns: int) -> None:
    """A machine's offset is in ns, negative for earlier; a real minus sign is one as well."""
    assert machine_of(f"offset: {text}").offset_ns == time_ns


@pytest.mark.parametrize("text", ["-2.5", "2 bars", "2001 ms", "-3 s", "ms", "1e3 ms", "1 fortnight"])
def test_wrong_offsets_are_refused(text: str) -> None:
    """An offset needs a unit of time and is 2 s at most."""
    assert "must be a time" in refusal(machine_of, f"offset: {text}")


def test_settle_is_not_negative() -> None:
    """A machine cannot settle before it is sent a program."""
    assert machine_of("settle: 120 ms").settle_ns == 120_000_000
    assert "must be a time from 0 s to 60 s" in refusal(machine_of, "settle: -1 ms")


@pytest.mark.parametrize(
    ("key", "good", "bad", "attribute"),
    [
        ("channel", (1, 16), (0, 17), "channel"),
        ("device-id", (0, 127), (-1, 128), "device_id"),
    ],
)
def test_machine_ranges(key: str, good: tuple[int, ...], bad: tuple[int, ...], attribute: str) -> None:
    """Both ends of a range are accepted, their neighbours refused."""
    for value in good:
        assert getattr(machine_of(f"{key}: {value}"), attribute) == value
    for value in bad:
        assert "must be from" in refusal(machine_of, f"{key}: {value}")


@pytest.mark.parametrize(
    ("key", "good", "bad", "rest"),
    [
        ("program", (1, 128), (0, 129), ""),
        ("control", (0, 119), (-1, 120), ", value: 1"),
        ("value", (0, 127), (-1, 128), ", control: 1"),
        ("note", (0, 127), (-1, 128), ""),
        ("velocity", (1, 127), (0, 128), ", note: 60"),
        ("bend", (-8192, 8191), (-8193, 8192), ""),
        ("pressure", (0, 127), (-1, 128), ""),
        ("song-select", (0, 127), (-1, 128), ""),
        ("fine", (0, 127), (-1, 128), ", rpn: 0/1, value: 1"),
        ("channel", (1, 16), (0, 17), ", note: 60"),
    ],
)
def test_cue_ranges(key: str, good: tuple[int, ...], bad: tuple[int, ...], rest: str) -> None:
    """Both ends of each value's range in MIDI are accepted, their neighbours refused."""
    for value in good:
        cue = cue_of(f"machine: bass, {key}: {value}{rest}")
        assert getattr(cue, key.replace("-", "_")) == value
    for value in bad:
        assert "songs[0].cues[0]" in refusal(cue_of, f"machine: bass, {key}: {value}{rest}")


def test_program_numbering() -> None:
    """Programs count from 1 unless the machine says from 0 (MIDI 1.0 Detailed Specification 4.2.1, p. 18)."""
    machines = session_of("songs: [{song: Ropewalk, tempo: 120, length: 1 bar}]").machines
    assert [machines["bass"].program_byte(number) for number in (1, 6, 128)] == [0, 5, 127]
    assert [machines["old"].program_byte(number) for number in (0, 127)] == [0, 127]
    assert "must be from 1 to 128: bass counts" in refusal(cue_of, "machine: bass, program: 0")
    assert "must be from 0 to 127: old has `numbering: from-0`" in refusal(
        cue_of, "machine: old, program: 128"
    )


def test_bank_numbering() -> None:
    """A bank's number is its MSB and LSB counted on: MIDI 1.0 Detailed Specification 4.2.1, p. 13.

    Shown bank 1 is 00 00, 128 is 00 7F, 129 is 01 00, 16384 is 7F 7F.
    """
    machines = session_of("songs: [{song: Ropewalk, tempo: 120, length: 1 bar}]").machines
    for shown, pair in ((1, (0, 0)), (128, (0, 127)), (129, (1, 0)), (16_384, (127, 127))):
        assert machines["bass"].bank_bytes(shown) == pair
        assert machines["old"].bank_bytes(shown - 1) == pair
    assert machines["bass"].bank_bytes((1, 2)) == (1, 2)
    assert "must be from 1 to 16384: bass counts" in refusal(cue_of, "machine: bass, program: 1, bank: 0")
    assert "both numbers from 0 to 127" in refusal(cue_of, "machine: bass, program: 1, bank: 1/128")


@pytest.mark.parametrize(
    "text", ['"7D 01 02"', '"F0 7D 01 02 F7"', '"f07d0102f7"', '"7D,01,02"', '"7D 01 02 F7"']
)
def test_sysex_framing_is_made_whole(text: str) -> None:
    """F0 and F7 may be left out; the message always has both, and mido takes it for a sysex."""
    data = cue_of(f"machine: bass, sysex: {text}").sysex
    assert data == bytes.fromhex("F0 7D 01 02 F7")
    message = mido.Message.from_bytes(data)
    assert (message.type, message.data) == ("sysex", (0x7D, 1, 2))


@pytest.mark.parametrize("status", [0xF4, 0xF5, 0xF9, 0xFD])
def test_undefined_status_bytes_are_never_sent(status: int) -> None:
    """Undefined status bytes must not be transmitted (MIDI 1.0 Detailed Specification 4.2.1, p. 6)."""
    assert "undefined" in refusal(cue_of, f'machine: bass, raw: "{status:02X}"')
    assert "undefined" in refusal(cue_of, f'port: front, raw: "C0 01 {status:02X}"')


@pytest.mark.parametrize(
    "text",
    [
        "80 3C 40",
        "90 3C 40",
        "A0 3C 40",
        "B0 07 64",
        "C0 05",
        "D0 05",
        "E0 00 40",
        "F0 7D 01 F7",
        "F1 23",
        "F2 10 00",
        "F3 01",
        "F6",
        "FF",
        "B0 00 01 B0 20 02 C0 05",
    ],
)
def test_raw_messages_are_what_another_encoder_calls_whole(text: str) -> None:
    """Every raw text that is accepted is a series of whole messages to mido's parser as well."""
    data = cue_of(f'machine: bass, raw: "{text}"').raw
    assert data == bytes.fromhex(text)
    messages = mido.parse_all(data)
    assert b"".join(bytes(message.bytes()) for message in messages) == data


@pytest.mark.parametrize(
    "text",
    ["90 3C", "3C 40", "90 3C 80", "F0 7D", "F0 F7", "F7", "F8", "FA", "FB", "FC", "FE", "90 3C 40 3E 40"],
)
def test_raw_refuses_what_is_not_whole_or_not_its_business(text: str) -> None:
    """Broken messages, running status, and clock, transport and sensing bytes are refused."""
    assert "songs[0].cues[0].raw: " in refusal(cue_of, f'machine: bass, raw: "{text}"')


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("machine: bass", "needs one of the keys program, control, note"),
        ("machine: bass, program: 1, stop: true", "must have only one of the keys"),
        ("stop: true", "needs one of the keys machine, port"),
        ("machine: bass, port: front, stop: true", "must have only one of the keys machine, port"),
        ("machine: bass, value: 1, stop: true", "value: only goes with control or rpn or nrpn"),
        ("machine: bass, bank: 1, stop: true", "bank: only goes with program"),
        ("machine: bass, fine: 1, control: 1, value: 1", "fine: only goes with rpn or nrpn"),
        ("machine: bass, control: 1", "control needs the key value"),
        ("machine: deck, note: 60", "note: needs a channel, and machine deck has none"),
        ("port: front, note: 60", "needs the key channel"),
        ("machine: bass, record: true", "record: needs a machine of kind: recorder"),
        ("machine: bass, stop: on", "stop: must be true, got on"),
        ("machine: bass, note: 60, length: 3", "length: must be a span"),
        ("machine: bass, note: 60, length: 0 beats", "length: must be more than 0"),
        ("machine: bass, note: 60, length: 1001 bars", "length: must be 1,000 at most"),
        ("machine: bass, note: 60, length: 601 s", "length: must be 10 minutes at most"),
    ],
)
def test_a_cue_has_one_target_and_one_action(text: str, words: str) -> None:
    """A cue says where it goes and one thing to do, with what belongs to that and nothing else."""
    assert words in refusal(cue_of, text)


def test_cue_action_names_the_one_that_is_set() -> None:
    """`action` is the attribute of the cue's action, also where that is false or zero."""
    assert cue_of("machine: bass, control: 0, value: 0").action == "control"
    assert cue_of("machine: deck, record: false").action == "record"
    assert cue_of("machine: bass, continue: true").action == "continue_"


def test_part_values() -> None:
    """A part's selection comes in real types."""
    part = song_of(
        "tempo: 120, parts: [{file: a.mid, machine: bass, track: 2, transpose: -12, velocity: 80 %, "
        "keys: 36-59, from: bar 9, to: 17, map: {36: 35}}]"
    ).parts[0]
    assert (part.track, part.transpose, part.velocity, part.keys) == (2, -12, Fraction(4, 5), (36, 59))
    assert (part.from_, part.to, part.map) == (9, 17, {36: 35})


@pytest.mark.parametrize(
    "text",
    [
        "keys: 59-36",
        "keys: 36-128",
        "velocity: 401 %",
        "velocity: 0",
        "transpose: 128",
        "map: {36: 128}",
        "map: {128: 1}",
        "map: {}",
        "from: 0",
        "from: 5, to: 5",
        "track: 0",
        "to: 66",
        "from: 65",
        "channel: 0",
    ],
)
def test_wrong_part_values_are_refused(text: str) -> None:
    """A part outside what MIDI or the song has is refused at the key that is wrong."""
    key = text.rsplit(", ", 1)[-1].split(":")[0]
    assert f"songs[0].parts[0].{key}" in refusal(
        song_of, f"tempo: 120, parts: [{{file: a.mid, machine: bass, {text}}}]"
    )


def test_controls_schedule_and_order_values() -> None:
    """Triggers, actions, times of day, days and what lies between songs come in real types."""
    session = session_of(
        "songs: [{song: Ropewalk, tempo: 120, length: 1 bar}]\n"
        "controls:\n"
        "  - {port: pedal, when: control 64, do: song Ropewalk}\n"
        "  - {port: pedal, when: start, do: panic}\n"
        'schedule: [{at: "7:05:09", days: fri-mon, roll: Ropewalk}, {every: 2 h, do: check}]\n'
        "order: [Ropewalk, {song: Ropewalk, between: 8 s}]\n"
    )
    assert [str(control.when) for control in session.controls] == ["control 64", "start"]
    assert [(c.do.word, c.do.name) for c in session.controls] == [("song", "Ropewalk"), ("panic", "")]
    assert str(session.schedule[0].at) == "07:05:09"
    assert session.schedule[0].days == {4, 5, 6, 0}
    assert session.schedule[1].every_ns == 7200 * 10**9
    assert [place.between for place in session.order] == [None, parse_span("8 s")]


def test_order_defaults_to_the_songs() -> None:
    """Without an order, the songs are played as they stand."""
    session = session_of("songs: [{song: A, tempo: 120, length: 1 bar}, {song: B, tempo: 90, length: 1 bar}]")
    assert [place.song for place in session.running_order] == ["A", "B"]


def test_limits_defaults_are_the_published_ones() -> None:
    """Limits: 320 µs a byte at 31.25 kbaud (MIDI 1.0, p. 1), 1 ms a USB frame, 6 ms the ear.

    6 ms: about the smallest displacement that is noticed in a regular beat (Friberg and Sundberg 1995).
    """
    limits = session_of("songs: [{song: A, tempo: 120, length: 1 bar}]").limits
    assert limits.clock_us == 10 / 31_250 * 1e6
    assert (limits.lateness_us, limits.cue_ms, limits.wire_wait_ms) == (1000, 6, 1)
    assert (limits.missing_clocks, limits.extra_clocks, limits.tempo_percent) == (0, 0, 0.1)


def test_link_of_a_port_is_its_slowest() -> None:
    """A port is taken for a DIN cable if it or one machine on it says so."""
    session = session_of("  din: {port: pedal, link: din}\nsongs: [{song: A, tempo: 120, length: 1 bar}]")
    assert session.link_of("pedal") == "din"
    assert session.link_of("front") == "usb"
