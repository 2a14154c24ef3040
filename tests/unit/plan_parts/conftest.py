"""Builds Standard MIDI Files for the tests, with mido as the writer."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

import mido
import pytest

from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile

Row = tuple[int, mido.Message | mido.MetaMessage]
Build = Callable[..., SmfFile]


@pytest.fixture
def build() -> Build:
    """Return a function from tracks of (tick, message) to the file as our reader sees it."""

    def make(*tracks: Sequence[Row], ppq: int = 96, end: int = 0, file: str = "tide-table.mid") -> SmfFile:
        midi = mido.MidiFile(type=1, ticks_per_beat=ppq)
        for rows in tracks:
            track, at = mido.MidiTrack(), 0
            for tick, message in sorted(rows, key=lambda row: row[0]):
                track.append(message.copy(time=tick - at))
                at = tick
            track.append(mido.MetaMessage("end_of_track", time=max(0, end - at)))
            midi.tracks.append(track)
        buffer = io.BytesIO()
        midi.save(file=buffer)
        return read_smf(buffer.getvalue(), file)

    return make
