"""Writes the example sessions' parts: short lines invented for Lantern Quay, as Standard MIDI Files.

Run ``python configs/make_parts.py`` in the repository to write them anew; the output is the same each time.

A line is a list of bars, a bar a text of notes and rests, each `key:beats` with `-` for a rest; a plain
number is a key of one beat. Beats are those of the bar's meter. A bar may be followed by `*3` to stand
three times. Keys are MIDI's: 60 is the middle C of a piano.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido

PPQ = 480
HERE = Path(__file__).resolve().parent
DEMO = HERE.parent / "runner" / "cli" / "demo_session" / "parts"


@dataclass(frozen=True)
class Line:
    """One track: its name, channel (1-16), how hard it plays, and its bars."""

    name: str
    channel: int
    velocity: int
    bars: str


@dataclass(frozen=True)
class Song:
    """One file: meters as (bar, numerator, denominator), first tempo in quarters a minute, and lines.

    `tempos` are later ones as (bar, quarters a minute), `markers` names for bars.
    """

    file: str
    tempo: int
    meters: tuple[tuple[int, int, int], ...]
    lines: tuple[Line, ...]
    tempos: tuple[tuple[int, int], ...] = ()
    markers: tuple[tuple[int, str], ...] = ()


SLACK_WATER = Song(
    "slack-water.mid",
    232,
    ((1, 4, 4), (5, 3, 4), (7, 4, 4)),
    (
        Line("bass", 1, 92, "38:2 45 38 | 36:2 43 36 | 34:2 41 34 | 33:2 45 33 | 38 45 50 | 36 43 48 | "
             "34:2 33:2 | 38:4"),
        Line("lead", 2, 84, "62:1.5 64:0.5 65 69 | 67:1.5 65:0.5 64 60 | 65 62 58 62 | 61:2 64:2 | "
             "69:2 65 | 67:2 64 | 62 65 64 61 | 62:4"),
    ),
)  # fmt: skip
ROPEWALK = Song(
    "ropewalk.mid",
    112,
    ((1, 4, 4), (25, 3, 4)),
    (
        Line("bass", 2, 96, "40:1.5 40:0.5 47 45 *8 | 43:1.5 43:0.5 50 48 *8 | 45 45 52 50 *8 | "
             "40 47 45 *24 | 36 43 40 *12 | 40:3 *4"),
        Line("strings", 3, 70, "- - - - *8 | 59:4 *4 | 62:4 *4 | 64:4 *8 | 59:3 *20 | 60:3 *16 | 64:3 *4"),
    ),
)  # fmt: skip
TIDE_TABLE = Song(
    "tide-table.mid",
    88,
    ((1, 4, 4),),
    (
        Line("bass", 2, 88, "31:2 38:2 *8 | 36:2 43:2 *4 | 33:2 40:2 *4 | 31 38 43 38 *8 | 31:4 *8"),
        Line("strings", 3, 66, "55:4 *16 | 62:2 59:2 *8 | 55:4 *8"),
    ),
)
FOG_SIGNAL = Song(
    "fog-signal.mid",
    132,
    ((1, 6, 8),),
    (
        Line("bass", 2, 90, "41:3 48:3 *12 | 39:3 46:3 *12 | 41 41 41 36 36 36 *12 | 41:6 *4"),
        Line("strings", 3, 62, "- - - - - - *12 | 63:6 *12 | 65:3 60:3 *12 | 65:6 *4"),
    ),
)
NET_LOFT = Song(
    "net-loft.mid",
    152,
    ((1, 7, 8), (17, 4, 4)),
    (
        Line("bass", 2, 98, "42:2 49:2 42:3 *8 | 40:2 47:2 40:3 *8 | 42 42 49 49 *8 | 42:4 *4"),
        Line("strings", 3, 72, "66:4 69:3 *8 | 64:4 68:3 *8 | 66:2 73:2 *8 | 66:4 *4"),
    ),
)
CAULKING = Song(
    "caulking-song.mid",
    96,
    ((1, 3, 4),),
    (
        Line("bass", 1, 90, "38 45 50 *8 | 43 50 55 *4 | 45 52 57 *4 | 38 45 50 *6 | 38:3 *2"),
        Line("organ", 2, 64, "62:3 *8 | 67:3 *4 | 69:3 *4 | 62:3 *8"),
    ),
)
BREAKWATER = Song(
    "breakwater.mid",
    104,
    ((1, 4, 4), (9, 5, 4), (13, 4, 4)),
    (
        Line("bass", 2, 94, "36 43 48 43 *4 | 34 41 46 41 *4 | 32 39 44 39 32 *4 | 36 43 48 43 *6 | 36:4 *2"),
        Line("strings", 3, 68, "60:4 *4 | 58:4 *4 | 56:3 63:2 *4 | 60:4 *8"),
    ),
    ((9, 108), (13, 112), (19, 96), (20, 80)),
    ((1, "calm"), (9, "swell"), (13, "spray")),
)
SONGS = (SLACK_WATER, ROPEWALK, TIDE_TABLE, FOG_SIGNAL, NET_LOFT, CAULKING, BREAKWATER)


def bars_of(line: Line) -> list[list[tuple[int | None, Fraction]]]:
    """Return the line's bars, each a list of (key or None for a rest, beats)."""
    bars: list[list[tuple[int | None, Fraction]]] = []
    for text in line.bars.split("|"):
        notes, _, times = text.partition("*")
        bar: list[tuple[int | None, Fraction]] = []
        for word in notes.split():
            key, _, beats = word.partition(":")
            bar.append((None if key == "-" else int(key), Fraction(beats or "1")))
        bars += [bar] * int(times or 1)
    return bars


def meter_of(song: Song, bar: int) -> tuple[int, int]:
    """Return numerator and denominator of a bar, counted from 1."""
    return next((top, low) for start, top, low in reversed(song.meters) if start <= bar)


def track_of(song: Song, line: Line) -> mido.MidiTrack:
    """Return the line as a track; ValueError if a bar does not add up to its meter."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=line.name, time=0)])
    waited = 0
    for number, bar in enumerate(bars_of(line), start=1):
        top, low = meter_of(song, number)
        if sum(beats for _, beats in bar) != top:
            raise ValueError(f"{song.file}: {line.name}: bar {number} does not have {top} beats")
        for key, beats in bar:
            ticks = beats * 4 * PPQ / low
            if key is None:
                waited += int(ticks)
                continue
            sounding = int(ticks * 9 / 10)
            where = {"channel": line.channel - 1, "note": key}
            track.append(mido.Message("note_on", velocity=line.velocity, time=waited, **where))
            track.append(mido.Message("note_off", velocity=64, time=sounding, **where))
            waited = int(ticks) - sounding
    track.append(mido.MetaMessage("end_of_track", time=waited))
    return track


def conductor_of(song: Song) -> mido.MidiTrack:
    """Return the first track, with tempos, meters and markers."""
    events = [(1, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(song.tempo)))]
    events += [
        (bar, mido.MetaMessage("time_signature", numerator=top, denominator=low))
        for bar, top, low in song.meters
    ]
    events += [(bar, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))) for bar, bpm in song.tempos]
    events += [(bar, mido.MetaMessage("marker", text=name)) for bar, name in song.markers]
    track = mido.MidiTrack()
    now = 1
    for bar, event in sorted(events, key=lambda item: item[0]):
        meters = (meter_of(song, each) for each in range(now, bar))
        track.append(event.copy(time=sum(PPQ * 4 * top // low for top, low in meters)))
        now = bar
    track.append(mido.MetaMessage("end_of_track", time=0))
    return track


def write(song: Song, folder: Path) -> None:
    """Write one song's file."""
    tracks = [conductor_of(song), *(track_of(song, line) for line in song.lines)]
    mido.MidiFile(type=1, ticks_per_beat=PPQ, tracks=tracks).save(str(folder / song.file))


def main(parts: Path = HERE / "parts", demo: Path = DEMO) -> None:
    """Write all parts, and the demo's once more where the installed package finds it."""
    for folder in (parts, demo):
        folder.mkdir(parents=True, exist_ok=True)
    for song in SONGS:
        write(song, parts)
    write(SLACK_WATER, demo)


if __name__ == "__main__":
    main()
