"""A month of sets in virtual time, one engine for all of them: no drift, no growth, no lost record.

The engine counts its records in 32 bits; the month begins shortly before that number is full, so that its
overflow falls into a set.
"""

from __future__ import annotations

import gc
import json
import shutil
from pathlib import Path

import pytest
from lab_desk import Desk, Disk
from lab_draw import Campaign
from lab_play import in_place_of
from lab_ports import LabClock
from lab_rig import Engines

from runner.desk.prepare import Prepared, rig_of
from runner.play.commands import Command, RollOrder
from runner.session.load import load_session
from runner.takes.format import Kind, RecordReader
from runner.takes.reader import read_take

PORTS = 2
PUMP_NS = 100_000_000
DAY_NS = 86_400_000_000_000


def _session(songs: int, bars: int) -> str:
    lines = ["session: Lantern Quay, a month", "format: 1", "ports:"]
    lines += [f"  port{n}: {{create: port{n}}}" for n in range(PORTS)]
    lines.append("machines:")
    lines += [
        f"  machine{n}: {{port: port{n}, channel: {n + 1}, follows: [clock, transport]}}"
        for n in range(PORTS)
    ]
    lines.append("songs:")
    for number in range(songs):
        lines += [
            f"  - song: Watch {number + 1}",
            f"    tempo: {96 + 7 * number}",
            f"    length: {bars} bars",
            f"    tempo-changes: [{{at: bar {bars // 2}, tempo: {104 + 5 * number}, over: 2 bars}}]",
            "    cues:",
            *(f"      - {{at: bar {bar}, machine: machine1, note: {40 + bar}, velocity: 80, length: 1 bar}}"
              for bar in range(1, bars)),
        ]  # fmt: skip
    return "\n".join([*lines, f"order: [{', '.join(f'Watch {n + 1}' for n in range(songs))}]"]) + "\n"


def _play_sets(sets: int, songs: int, bars: int, folder: Path) -> list[int]:
    """Play so many sets, a day apart; check every take; return how many objects were alive after each set."""
    campaign = Campaign(1, _session(songs, bars), PORTS, 1, ())
    prepared = Prepared(folder / "session.yaml", load_session(campaign.text))
    clock = LabClock(campaign)
    engines = Engines(campaign, clock, rig_of(prepared.session), first_seq=2**32 - 3000)
    alive = []
    disk = Disk(campaign, clock)
    with in_place_of(engines, disk, campaign):
        try:
            engines.tell(Command.CONFIGURE, json.dumps(rig_of(prepared.session).to_dict()).encode())
            for number in range(sets):
                for song in prepared.session.songs:
                    _play_song(engines, prepared, song.song, folder / f"take-{number}-{song.song}")
                clock.hold(clock.now_ns() + DAY_NS)
                gc.collect()
                alive.append(len(gc.get_objects()))
        finally:
            engines.close()
    return alive


def _play_song(engines: Engines, prepared: Prepared, song: str, folder: Path) -> None:
    folder.mkdir()
    clock, compiled = engines.clock, prepared.compile(song)
    engines.tell(Command.COURSE, compiled.course.pack())
    desk = Desk(engines, folder, compiled, prepared)
    try:
        del engines.sent_raw[:]
        engines.tell(Command.ROLL, json.dumps(RollOrder(folder.name, song).to_dict()).encode())
        timeline = compiled.course.legs[0].timeline
        end = clock.now_ns() + timeline.exit_ns - timeline.start_ns + 1_000_000_000
        while clock.now_ns() < end:
            engines.turn(min(end, clock.now_ns() + PUMP_NS))
            desk.pump()
        summary = desk.close()
    finally:
        desk.give_up()
    assert (summary["verdict"], summary["findings"]) == ("clean", [])
    assert engines.logs[-1].dropped == 0
    records = list(RecordReader().feed(bytes(engines.sent_raw)))
    ticks = [record for record in records if record.kind == Kind.TICK_SENT]
    begin = next(record.json() for record in records if record.kind == Kind.TAKE_BEGIN)
    # each clock of each port at its place in the song's own time, however many sets came before
    due = [time_ns + begin["anchor_ns"] for time_ns in timeline.clock_ns for _ in range(PORTS)]
    assert [tick.due_ns for tick in ticks] == due
    assert all(tick.t_ns == tick.due_ns for tick in ticks)
    take = read_take(folder)
    assert sum(len(track) for track in take.tracks.values()) == len(ticks)
    assert sum(oracle.left() != "" for oracle in engines.oracles) == 0
    for oracle in engines.oracles:
        oracle.accepted.clear()
        oracle.clocks.clear()
    shutil.rmtree(folder)


def test_two_sets_leave_nothing_behind(tmp_path: Path) -> None:
    """After a set the engine holds no more than after the one before, and each take of both is clean."""
    alive = _play_sets(3, 2, 4, tmp_path)
    assert alive[-1] - alive[1] < 50


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_a_month_of_sets(tmp_path: Path) -> None:
    """Thirty sets of six songs: every take clean, each clock in its place, no growth after the second set."""
    alive = _play_sets(30, 6, 12, tmp_path)
    assert max(alive[2:]) - alive[1] < 50
