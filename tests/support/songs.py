"""Songs of Lantern Quay for tests of the plan: session text in, compiled song out, and parts made by hand."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping
from textwrap import dedent, indent
from typing import Any

from runner.music import parse_moment
from runner.plan.compile import CompiledSong, compile_song
from runner.plan.messages import order_of
from runner.plan.parts import PartNotes
from runner.session.load import LoadedSession, load_session

PORTS = """
front: {create: front}
cable: {create: cable, link: din}
"""
MACHINES = """
drums: {port: front, channel: 10, follows: [clock, transport]}
bass: {port: cable, channel: 2}
"""
SONG = """
tempo: 120
meter: 4/4
length: 8 bars
"""
BEAT_NS = 500_000_000  #: at 120 quarter notes a minute
BAR_NS = 4 * BEAT_NS
CLOCK_NS = BEAT_NS / 24


def load(song: str = SONG, *, machines: str = MACHINES, ports: str = PORTS, more: str = "") -> LoadedSession:
    """Return a session of one song, `Ropewalk`; without a tempo of its own, `song` is added to `SONG`."""
    if "tempo:" not in song.replace("tempo: parts", ""):
        song = dedent(SONG) + dedent(song)
    text = "session: Lantern Quay\nformat: 1\nports:\n" + indent(dedent(ports), "  ")
    text += "machines:\n" + indent(dedent(machines), "  ")
    text += "songs:\n  - song: Ropewalk\n" + indent(dedent(song), "    ") + dedent(more)
    return load_session(text, "quay.yaml")


def compiled(
    song: str = SONG,
    parts: Mapping[int, PartNotes] | None = None,
    *,
    machines: str = MACHINES,
    ports: str = PORTS,
    more: str = "",
    from_: str | None = None,
    to: str | None = None,
    **options: Any,
) -> CompiledSong:
    """Return the song of such a session, compiled."""
    loaded = load(song, machines=machines, ports=ports, more=more)
    return compile_song(
        loaded.session,
        loaded.session.songs[0],
        parts or {},
        from_=parse_moment(from_) if from_ else None,
        to=parse_moment(to) if to else None,
        marks=loaded.marks,
        **options,
    )


def sent(song: CompiledSong, port: str | None = None, *, clocks: bool = False) -> list[tuple[int, str]]:
    """Return (time in ns, bytes in hex) of what is sent, in order; without the clock unless asked for."""
    return [
        (row["t_ns"], row["bytes"])
        for row in song.rows()
        if port in (None, row["port"]) and (clocks or row["bytes"] != "F8")
    ]


def clock_times(song: CompiledSong, port: str) -> list[int]:
    """Return the times of the clocks of one port."""
    return [row["t_ns"] for row in song.rows() if row["bytes"] == "F8" and row["port"] == port]


def part_of(
    notes: Iterable[tuple[int, int, int]] = (),
    others: Iterable[tuple[int, str]] = (),
    *,
    channel: int = 2,
    ppq: int = 480,
) -> PartNotes:
    """Return a part of `notes` (first tick, last tick, key) and `others` (tick, message in hex)."""
    rows: list[tuple[int, int, bytes, int]] = []
    for number, (first, last, key) in enumerate(notes):
        rows.append((first, 5, bytes((0x8F + channel, key, 100)), number))
        rows.append((last, 4 if last > first else 5, bytes((0x7F + channel, key, 64)), number))
    for tick, text in others:
        message = bytes.fromhex(text)
        bank = message[0] & 0xF0 == 0xB0 and message[1] in (0, 32)
        rows.append((tick, 2 if bank else int(order_of(message)), message, -1))
    rows.sort(key=lambda row: row[:2])
    partner = array("i", [-1]) * len(rows)
    open_rows: dict[int, int] = {}
    for row, (_, _, _, number) in enumerate(rows):
        if number in open_rows:
            partner[row] = open_rows[number]
            partner[open_rows[number]] = row
        elif number >= 0:
            open_rows[number] = row
    return PartNotes(
        file="parts/ropewalk.mid",
        ppq=ppq,
        ticks=array("q", [row[0] for row in rows]),
        status=bytes(row[2][0] for row in rows),
        data1=bytes(row[2][1] for row in rows),
        data2=bytes(row[2][2] if len(row[2]) > 2 else 0 for row in rows),
        order=bytes(row[1] for row in rows),
        partner=partner,
        end_tick=max((row[0] for row in rows), default=0),
    )
