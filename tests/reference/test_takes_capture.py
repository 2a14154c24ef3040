"""capture.mid against the Standard MIDI File specification, mido, and the project's own reader of parts."""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path

import mido
import pytest

from runner.music.tempo import TempoChange
from runner.plan.smf import read_smf
from runner.takes.format import Kind
from runner.takes.midi_capture import MAX_TICK_NS, _variable, capture_midi
from runner.takes.model import Take
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take


def make(tmp_path: Path, bpm: int = 112, changes: tuple[TempoChange, ...] = ()) -> Take:
    """A take with messages of every kind out and in."""
    time = song_time(bpm, bars=8, pre_roll=2, changes=changes)
    records = steady_records(time, 2, notes_a_beat=2)
    maker = RecordMaker(seq=records[-1].seq + 1)
    for t_ns, data in (
        (1_234_567, b"\xfa"), (2_000_000_123, b"\x92\x40\x11"), (2_000_000_123, b"\xf0\x7d\x01\x02\xf7"),
        (3_000_000_000, b"\xf2\x68\x07"), (4_111_111_111, b"\xc2\x05"), (4_200_000_000, b"\xe2\x00\x40"),
        (5_000_000_000, b"\xfc"),
    ):  # fmt: skip
        maker.add(Kind.RECEIVED, t_ns, port=0, data=data)
    for index in range(48):
        maker.add(Kind.TICK_RECEIVED, 20_000_000 * index, port=1, ref=index)
    write_take(tmp_path, take_header(time, 2), [*records, *maker.records]).finish()
    return read_take(tmp_path)


def absolute_ns(file: mido.MidiFile) -> dict[str, list[tuple[int, bytes]]]:
    """Each track's messages at the times that mido's own tempo arithmetic gives, ns from the file's start."""
    tempos = [(0, 500_000)]
    now = 0
    for message in file.tracks[0]:
        now += message.time
        if message.type == "set_tempo":
            tempos.append((now, message.tempo))
    result: dict[str, list[tuple[int, bytes]]] = {}
    for track in file.tracks[1:]:
        now = 0
        rows = result[track.name] = []
        for message in track:
            now += message.time
            if message.is_meta:
                continue
            seconds = 0.0
            for (start, tempo), (end, _) in zip(tempos, [*tempos[1:], (1 << 62, 0)], strict=True):
                if now > start:
                    seconds += mido.tick2second(min(now, end) - start, file.ticks_per_beat, tempo)
            rows.append((round(seconds * 1e9), bytes(message.bytes())))
    return result


STEP = (TempoChange(Fraction(16), Fraction(140)), TempoChange(Fraction(20), Fraction(90), Fraction(8)))


@pytest.mark.parametrize(("bpm", "changes"), [(112, ()), (125, ()), (20, ()), (6, ()), (125, STEP)])
def test_mido_reads_every_message_at_its_time(
    bpm: int, changes: tuple[TempoChange, ...], tmp_path: Path
) -> None:
    """mido finds each message in its port's track, within half a tick (at most 0.125 ms) of its real time."""
    take = make(tmp_path, bpm, changes)
    file = mido.MidiFile(file=io.BytesIO(capture_midi(take)))
    found = absolute_ns(file)
    assert set(found) == {"quay out", "loft out", "quay in"}
    origin = None
    for name, rows in found.items():
        port, direction = name.split()
        kinds = ("received",) if direction == "in" else ("sent", "cut")
        wanted = [
            (event.t_ns, event.data)
            for event in take.of_kind(*kinds)
            if event.port == port and event.data[0] not in (0xFA, 0xFC, 0xF2)
        ]
        assert [data for _, data in rows] == [data for _, data in wanted]
        for (t_ns, _), (real_ns, _) in zip(rows, wanted, strict=True):
            origin = t_ns - real_ns if origin is None else origin
            assert abs(t_ns - real_ns - origin) <= MAX_TICK_NS + 1000, name
    longest = max(m.tempo for m in file.tracks[0] if m.type == "set_tempo") / file.ticks_per_beat
    assert longest * 1000 <= MAX_TICK_NS or bpm < 10


def test_bars_lie_on_the_file_s_bars(tmp_path: Path) -> None:
    """With the declared tempo, bar 1 is a whole number of bars into the file, and sections are markers."""
    take = make(tmp_path, 120)
    file = mido.MidiFile(file=io.BytesIO(capture_midi(take)))
    bar = 4 * file.ticks_per_beat
    now, markers = 0, {}
    for message in file.tracks[0]:
        now += message.time
        if message.type == "marker":
            markers[message.text] = now
    assert markers == {"refrain": markers["refrain"]}
    assert markers["refrain"] % bar == 0
    first_note = 0
    for message in file.tracks[1]:
        first_note += message.time
        if message.type == "note_on" and message.velocity:
            break
    assert first_note % bar <= 2  # the note of bar 1 beat 1, late by its own few µs
    assert markers["refrain"] - first_note == pytest.approx(4 * bar, abs=2)


def test_transport_is_told_as_text(tmp_path: Path) -> None:
    """Start, Stop and Song Position, which an SMF cannot hold as such, are text events at their time."""
    file = mido.MidiFile(file=io.BytesIO(capture_midi(make(tmp_path))))
    texts = {track.name: [m.text for m in track if m.type == "text"] for track in file.tracks[1:]}
    assert texts["quay out"] == ["Start (FA)", "Stop (FC)"]
    assert texts["quay in"] == ["Start (FA)", "Song Position (F2 68 07)", "Stop (FC)"]


def test_the_project_s_own_reader_takes_both_forms(tmp_path: Path) -> None:
    """The careful reader of parts reads the file with and without escapes."""
    take = make(tmp_path)
    for escapes in (False, True):
        smf = read_smf(capture_midi(take, escapes=escapes), "capture.mid")
        assert smf is not None


def test_the_full_form_holds_every_clock_as_an_escape(tmp_path: Path) -> None:
    """RP-001 v1.0 p. 6: ``F7 <length> <bytes>`` carries what an SMF has no event for; each clock is there."""
    take = make(tmp_path)
    data = capture_midi(take, escapes=True)
    clocks = sum(len(track) for track in take.tracks.values())
    assert data.count(b"\xf7\x01\xf8") == clocks
    assert data.count(b"\xf7\x01\xfa") == 3
    assert data.count(b"\xf7\x03\xf2\x68\x07") == 1
    # mido takes escapes for sysex and refuses their data unless told to clip it; it finds as many
    file = mido.MidiFile(file=io.BytesIO(data), clip=True)
    escapes = sum(1 for track in file.tracks for m in track if m.type == "sysex")
    assert escapes == clocks + 3 + 3 + 1 + 1  # clocks, starts, stops, song position, and one true sysex


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0x00, "00"), (0x40, "40"), (0x7F, "7F"), (0x80, "81 00"), (0x2000, "C0 00"), (0x3FFF, "FF 7F"),
        (0x4000, "81 80 00"), (0x100000, "C0 80 00"), (0x1FFFFF, "FF FF 7F"), (0x200000, "81 80 80 00"),
        (0x8000000, "C0 80 80 00"), (0xFFFFFFF, "FF FF FF 7F"),
    ],
)  # fmt: skip
def test_variable_length_quantities_are_those_of_the_specification(number: int, text: str) -> None:
    """The table of RP-001 v1.0, p. 2."""
    assert _variable(number) == bytes.fromhex(text)


def test_a_take_without_a_declared_tempo_is_captured_too(tmp_path: Path) -> None:
    """Without a declaration the file has the SMF default of 120 BPM (RP-001 v1.0, p. 5) and real times."""
    time = song_time(100, bars=2)
    header = take_header(time, 1)
    plain = type(header)(**{**{name: getattr(header, name) for name in header.__slots__}, "declared": {}})
    write_take(tmp_path, plain, steady_records(time, 1)).finish()
    take = read_take(tmp_path)
    file = mido.MidiFile(file=io.BytesIO(capture_midi(take)))
    assert [m.tempo for m in file.tracks[0] if m.type == "set_tempo"] == [500_000]
    rows = absolute_ns(file)["quay out"]
    notes = [event for event in take.of_kind("sent") if event.data[0] < 0xF0]
    span = notes[-1].t_ns - notes[0].t_ns
    assert abs(rows[-1][0] - rows[0][0] - span) < MAX_TICK_NS
