"""The reader's speed, against mido's file reader in the same run."""

from __future__ import annotations

import io
import random
import time
from collections.abc import Callable

import mido
import pytest

from runner.plan.parts import select_part
from runner.plan.smf import read_smf
from runner.session.model import PartSpec

NOTES = 100_000
TRACKS = 8


@pytest.fixture(scope="module")
def hour() -> bytes:
    """100,000 notes over an hour at 120 quarter notes a minute, on eight tracks."""
    dice = random.Random(1)
    midi = mido.MidiFile(type=1, ticks_per_beat=480)
    for channel in range(TRACKS):
        rows = []
        for _ in range(NOTES // TRACKS):
            at, key = dice.randrange(480 * 7200), dice.randrange(128)
            rows.append(
                (at, mido.Message("note_on", channel=channel, note=key, velocity=dice.randrange(1, 128)))
            )
            rows.append((at + dice.randrange(1, 960), mido.Message("note_off", channel=channel, note=key)))
        rows.sort(key=lambda row: row[0])
        track, last = mido.MidiTrack(), 0
        for at, message in rows:
            track.append(message.copy(time=at - last))
            last = at
        midi.tracks.append(track)
    buffer = io.BytesIO()
    midi.save(file=buffer)
    return buffer.getvalue()


def cpu_s(call: Callable[[], object], times: int) -> float:
    """Return the least CPU time of some calls, in seconds."""
    found = []
    for _ in range(times):
        begun = time.process_time()
        call()
        found.append(time.process_time() - begun)
    return min(found)


@pytest.mark.bench
def test_an_hour_of_notes_is_read_much_faster_than_by_mido(hour: bytes) -> None:
    """Reading 100,000 notes takes less than a quarter of mido's time, with the part less than half."""
    part = PartSpec.model_validate({"file": "x.mid", "machine": "any"})
    theirs = cpu_s(lambda: mido.MidiFile(file=io.BytesIO(hour)), 1)
    read = cpu_s(lambda: read_smf(hour), 3)
    smf = read_smf(hour)
    select = cpu_s(lambda: select_part(smf, part), 3)
    print(f"\nCPU: mido reads in {theirs:.2f} s; we read in {read:.2f} s and select in {select:.2f} s")
    assert select_part(smf, part).counts.notes == NOTES
    assert read < theirs / 4
    assert read + select < theirs / 2
