"""Real music through the whole chain: part file, session, plan, player, port; each note at its time.

The files are pieces of music21's corpus (public-domain works) with tempo changes at random places. Judges:
mido's file reader says which messages there are, and at which tick; pretty_midi's `tick_to_time` says when.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import mido
import pretty_midi
import pytest
from virtual_rig import VirtualRig

from runner.errors import StateError

WITHIN_NS = 1_000  #: 1 µs, of which most is the judge's floating point


def session_for(file: Path, channels: list[int]) -> str:
    """Return a session that plays all of a file: a machine for each channel, times from the file."""
    machines = "".join(f"  m{channel}: {{port: rig, channel: {channel}}}\n" for channel in channels)
    parts = "".join(
        f"      - {{file: {file.name}, channel: {channel}, machine: m{channel}}}\n" for channel in channels
    )
    return (
        "session: Lantern Quay\nformat: 1\nports:\n  rig: {simulate: sink}\n"
        f"machines:\n{machines}songs:\n  - song: Ropewalk\n    meter: 4/4\n    tail: 1 bar\n"
        f'    tempo: "from {file.name}"\n    length: "from {file.name}"\n    parts:\n{parts}'
    )


def said_by(file: Path) -> list[tuple[int, bytes]]:
    """Return (time in ns, message) of all channel messages of a file; Note Offs without a velocity."""
    clock = pretty_midi.PrettyMIDI(str(file))
    said: list[tuple[int, bytes]] = []
    for track in mido.MidiFile(file).tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.is_meta or message.type == "sysex":
                continue
            data = bytes(message.bin())
            if message.type == "note_off" or (message.type == "note_on" and not message.velocity):
                data = bytes((0x80 | message.channel, message.note))
            said.append((round(clock.tick_to_time(tick) * 1e9), data))
    return sorted(said)


def played(file: Path, channels: list[int]) -> list[tuple[int, bytes]]:
    """Return (time in ns from bar 1, message) of all that the port was sent while the song was played."""
    rig = VirtualRig.of(session_for(file, channels), file.parent)
    port: Any = rig.ports["rig"]
    log: list[tuple[int, bytes]] = []
    port.send = lambda data: log.append((rig.clock.now_ns(), data))
    rig.loop.player.load(rig.compile().course)
    origin = rig.loop.player.roll(rig.clock.now_ns())
    while rig.loop.player.moving:
        rig.run_for(60)
    with pytest.raises(StateError):
        rig.loop.player.go(rig.clock.now_ns())
    return sorted(
        (t_ns - origin, data[:2] if data[0] & 0xF0 == 0x80 else data) for t_ns, data in log if data != b"\xfc"
    )


def compare(file: Path) -> int:
    """Compare what is played of one file with what it says; return how many notes began."""
    theirs = said_by(file)
    channels = sorted({(data[0] & 15) + 1 for _, data in theirs})
    ours = played(file, channels)
    assert Counter(data for _, data in ours) == Counter(data for _, data in theirs)
    for data in {data for _, data in theirs if data[0] < 0xA0}:
        expected = [t_ns for t_ns, each in theirs if each == data]
        found = [t_ns for t_ns, each in ours if each == data]
        apart = [abs(a - b) for a, b in zip(found, expected, strict=True)]
        assert max(apart) <= WITHIN_NS, (file.name, data.hex(" "))
    return sum(1 for _, data in theirs if data[0] & 0xF0 == 0x90)


def test_pieces_are_played_note_by_note(
    corpus_files_with_tempo: list[Path], short_files_with_tempo: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """52 pieces: every note begins and ends within 1 µs of pretty_midi's time; nothing lost or added."""
    monkeypatch.setattr(pretty_midi.pretty_midi, "MAX_TICK", 1e9)  # music21 writes 10080 ticks to a quarter
    files = [*corpus_files_with_tempo, *short_files_with_tempo]
    assert len(files) >= 50
    assert sum(compare(file) for file in files) > 8_000
