"""Real music, read by us and by others: pieces of music21's corpus, exported to Standard MIDI Files.

Judges: mido's file reader and its own sum of delta times and tempos, and pretty_midi's notes.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path

import mido
import pretty_midi
import pytest
from music21 import corpus
from music21.midi.translate import music21ObjectToMidiFile

from runner.plan.parts import PartNotes, select_part
from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile
from runner.plan.smf_maps import tempo_map_from
from runner.session.model import PartSpec

WITHIN_NS = 1_000  #: 1 µs, of which most is the judges' floating point

_CHORALES = """
    1.6 10.7 101.7 102.7 104.6 108.6 11.6 110.7 111.6 112.5 113.8 114.7 115.6 116.6 117.4 119.9 12.7 120.6
    121.6 122.6 123.6 124.6 126.6 127.5 128.5 13.6 130.6 133.6 135.6 136.6 137.5 139.6 14.5 140.7 144.3 145.5
    148.6 149.7 151.5 153.1 154.3 155.5 156.6 157.5 158.4 159.5 16.6 161.6
"""
FURTHER_PIECES = (
    *(f"bach/bwv{number}" for number in _CHORALES.split()),
    "haydn/opus1no1/movement1", "mozart/k155/movement1", "beethoven/opus18no1/movement1",
    "beethoven/opus59no1/movement2", "corelli/opus3no1/1grave", "handel/rinaldo/Lascia_chio_pianga",
    "monteverdi/madrigal.3.1", "palestrina/Agnus_0", "schubert/lindenbaum", "schumann_clara/opus17/movement3",
    "schumann_robert/opus41no1/movement2", "verdi/laDonnaEMobile",
    "weber/concertino_clarinet", "webern/webern_dormi_jesu_op_16_no_2",
)  # fmt: skip


def export(piece: str) -> bytes:
    """Return a piece as a Standard MIDI File."""
    data: bytes = music21ObjectToMidiFile(corpus.parse(piece)).writestr()
    return data


def whole(smf: SmfFile) -> PartNotes:
    """Return all of a file as one part."""
    return select_part(smf, PartSpec.model_validate({"file": "x.mid", "machine": "any"}))


def check_events(file: Path, smf: SmfFile) -> int:
    """Compare all channel messages, track by track and tick by tick, with mido's; return how many."""
    theirs: Counter[tuple[int, int, bytes]] = Counter()
    for number, track in enumerate(mido.MidiFile(file).tracks, 1):
        tick = 0
        for message in track:
            tick += message.time
            if not message.is_meta and message.type != "sysex":
                theirs[number, tick, bytes(message.bin())] += 1
    ours = Counter(
        (track, tick, bytes((status, first) if 0xC0 <= status < 0xE0 else (status, first, second)))
        for track, tick, status, first, second in zip(
            smf.track, smf.ticks, smf.status, smf.data1, smf.data2, strict=True
        )
    )
    assert ours == theirs
    return sum(ours.values())


def check_times(file: Path, smf: SmfFile) -> None:
    """Compare the time of every Note On and Note Off of the part with mido's playing order and seconds."""
    theirs: dict[tuple[int, int, int, int], list[int]] = defaultdict(list)
    seconds = 0.0
    for message in mido.MidiFile(file):
        seconds += message.time
        if message.type in ("note_on", "note_off"):
            sounds = message.type == "note_on" and message.velocity > 0
            status = (0x90 if sounds else 0x80) | message.channel
            theirs[status, message.note, message.velocity if sounds else 0, 0].append(round(seconds * 1e9))
    part = whole(smf)
    times = tempo_map_from(smf).ns_of_ticks(part.ticks, part.ppq)
    ours: dict[tuple[int, int, int, int], list[int]] = defaultdict(list)
    for ns, status, key, velocity in zip(times, part.status, part.data1, part.data2, strict=True):
        if status < 0xA0:
            ours[status, key, velocity if status >= 0x90 else 0, 0].append(ns)
    assert ours.keys() == theirs.keys()
    for event, expected in theirs.items():
        assert len(ours[event]) == len(expected)
        apart = [abs(a - b) for a, b in zip(sorted(ours[event]), sorted(expected), strict=True)]
        assert max(apart) <= WITHIN_NS


def check_notes(file: Path, smf: SmfFile) -> int:
    """Compare each note's beginning and end with pretty_midi's; return how many.

    Keys that sound twice at once, and those with notes of no length (grace notes), are left to the other
    checks: pretty_midi ends all notes of a key with the first Note Off after them, MIDI 1.0 (4.2.1 p. A-4)
    gives each its own.
    """
    part = whole(smf)
    times = tempo_map_from(smf).ns_of_ticks(part.ticks, part.ppq)
    ours: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    doubled: set[int] = set()
    sounding: Counter[int] = Counter()
    for status, key in zip(part.status, part.data1, strict=True):
        if status < 0xA0:
            sounding[key] += 1 if status >= 0x90 else -1
            if sounding[key] > 1:
                doubled.add(key)
    for row, end in part.notes():
        ours[part.data1[row]].append((times[row], times[end], part.data2[row]))
        if times[row] == times[end]:
            doubled.add(part.data1[row])
    theirs: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
    for instrument in pretty_midi.PrettyMIDI(str(file)).instruments:
        for note in instrument.notes:
            theirs[note.pitch].append((note.start * 1e9, note.end * 1e9, note.velocity))
    compared = 0
    for key in ours.keys() - doubled:
        mine, other = sorted(ours[key]), sorted(theirs[key])
        assert len(mine) == len(other)
        for (start, stop, velocity), (their_start, their_stop, their_velocity) in zip(
            mine, other, strict=True
        ):
            assert abs(start - their_start) <= WITHIN_NS
            assert abs(stop - their_stop) <= WITHIN_NS
            assert velocity == their_velocity
            compared += 1
    return compared


def test_pieces_are_read_as_others_read_them(corpus_files_with_tempo: list[Path]) -> None:
    """26 pieces with random tempo changes: every message, and the time of every note within 1 µs."""
    messages = notes = 0
    for file in corpus_files_with_tempo:
        smf = read_smf(file.read_bytes(), file.name)
        assert smf.notices == ()
        messages += check_events(file, smf)
        check_times(file, smf)
        notes += check_notes(file, smf)
    assert messages > 10_000
    assert notes > 3_000


@pytest.mark.campaign
@pytest.mark.timeout(600)
@pytest.mark.parametrize("piece", FURTHER_PIECES)
def test_further_pieces_are_read_as_others_read_them(
    piece: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More pieces of the corpus, as music21 exports them: nothing lost, nothing added, within 1 µs."""
    monkeypatch.setattr(pretty_midi.pretty_midi, "MAX_TICK", 1e9)  # music21 writes 10080 ticks to a quarter
    file = tmp_path / "piece.mid"
    file.write_bytes(export(piece))
    smf = read_smf(file.read_bytes(), piece)
    assert check_events(file, smf) > 0
    check_times(file, smf)
    check_notes(file, smf)
