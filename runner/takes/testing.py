"""Makes the records of takes without a rig, for tests, benches and examples. Pure and seeded.

`RecordMaker` numbers and stamps records as the engine does; `steady_take` makes a whole faultless take,
which a test then spoils as it needs.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from runner.music.meter import Meter, MeterMap
from runner.music.moment import SongTime
from runner.music.tempo import TempoChange, TempoMap
from runner.takes.declared import Declared, MachineFacts
from runner.takes.format import NONE16, Kind, Record, record_count
from runner.takes.lines import TakeHeader
from runner.takes.reader import at_text_of
from runner.takes.writer import TakeWriter

ANCHOR_NS = 5_000_000_000_000
PORTS = ("quay", "loft", "slip", "crane")
CLOCK = 24


@dataclass(slots=True)
class RecordMaker:
    """Collects records in `records`; times are given in ns from the anchor."""

    seq: int = 1
    anchor_ns: int = ANCHOR_NS
    records: list[Record] = field(default_factory=list)

    def add(
        self, kind: Kind, t_ns: int, *, due_ns: int | None = None, quarters: float = math.nan,
        port: int = NONE16, machine: int = NONE16, ref: int = 0, data: bytes = b"",
    ) -> Record:  # fmt: skip
        """Add a record; `t_ns` and `due_ns` count from the anchor."""
        record = Record(
            kind, self.seq & 0xFFFFFFFF, self.anchor_ns + t_ns,
            0 if due_ns is None else self.anchor_ns + due_ns, quarters, port, machine, ref, data,
            record_count(len(data)),
        )  # fmt: skip
        self.seq += record.raw_count
        self.records.append(record)
        return record

    def json(self, kind: Kind, t_ns: int, data: Mapping[str, Any], *, port: int = NONE16) -> Record:
        """Add a record whose data is JSON."""
        return self.add(kind, t_ns, port=port, data=json.dumps(data, separators=(",", ":")).encode())


def song_time(
    bpm: int = 125, bars: int = 8, pre_roll: int = 2, changes: Iterable[TempoChange] = ()
) -> SongTime:
    """Return the time of a song in 4/4 with a section "refrain" at its middle."""
    return SongTime(
        MeterMap(Meter(4, 4)), TempoMap(Fraction(bpm), list(changes)), {"refrain": bars // 2 + 1},
        Fraction(4 * pre_roll), Fraction(4 * bars),
    )  # fmt: skip


def take_header(time: SongTime, ports: int = 2, **changes: Any) -> TakeHeader:
    """Return the header of a take of "Ropewalk"; each port has one machine, on channel 10, 2, 3, 4."""
    names = PORTS[:ports]
    machines = ("drums", "bass", "organ", "deck")[:ports]
    channels = (10, 2, 3, 4)
    first, after = clock_span(time)
    declared = Declared.of_song(
        time,
        lead_ns=0,
        clocks=dict.fromkeys(names, (0, after - first)),
        machines=tuple(
            MachineFacts(machine, port, channel, follows=("clock", "transport"), settle_ns=120_000_000)
            for machine, port, channel in zip(machines, names, channels, strict=False)
        ),
        **changes.pop("declared", {}),
    )
    facts: dict[str, Any] = {
        "take": "take-0001", "session": "Lantern Quay, evening run", "song": "Ropewalk",
        "pass_name": "bass overdub", "number": 1, "started_at": "2026-05-04T19:30:00.000Z", "run": "run-1",
        "anchor_ns": ANCHOR_NS, "ports": names, "machines": machines,
        "sources": ("clock", "part bass", "cue 1"), "declared": declared.to_dict(), "limits": {},
    }  # fmt: skip
    return TakeHeader(**{**facts, **changes})


def clock_span(time: SongTime) -> tuple[int, int]:
    """Return the grid indices (24 a quarter, 0 at bar 1) of a take's first clock and after its last."""
    return math.floor(time.start_quarters * CLOCK), math.ceil(time.end_quarters * CLOCK)


def steady_records(
    time: SongTime,
    ports: int = 2,
    *,
    notes_a_beat: int = 1,
    sigma_ns: int = 20_000,
    seed: int = 0,
    seq: int = 1,
) -> list[Record]:
    """Return the records of a faultless take: sends late by a folded normal of `sigma_ns` at most 5 times."""
    rng = random.Random(seed)
    maker = RecordMaker(seq)
    first, after = clock_span(time)
    due = time.tempo.ns_of_grid(Fraction(first, CLOCK), Fraction(1, CLOCK), after - first)

    def late() -> int:
        return min(5 * sigma_ns, abs(round(rng.gauss(0, sigma_ns))))

    maker.json(Kind.TAKE_BEGIN, due[0] - 60_000_000, {"take": "take-0001", "anchor_ns": ANCHOR_NS})
    maker.json(Kind.STATE, due[0] - 50_000_000, {"state": "pre-roll"})
    for port in range(ports):
        start = due[0] - 20_000_000
        maker.add(Kind.SENT, start + late(), due_ns=start, quarters=first / CLOCK, port=port, machine=port,
                  ref=0, data=b"\xfa")  # fmt: skip
    for tick, t_ns in enumerate(due):
        quarters = (first + tick) / CLOCK
        if first + tick == 0:
            maker.json(Kind.STATE, t_ns, {"state": "rolling"})
        for port in range(ports):
            maker.add(Kind.TICK_SENT, t_ns + late(), due_ns=t_ns, quarters=quarters, port=port, ref=tick)
            if notes_a_beat and first + tick >= 0 and tick % CLOCK in (0, CLOCK // 2):
                _beat_notes(maker, t_ns, late(), quarters, port, notes_a_beat, tick % CLOCK == 0)
    maker.json(Kind.STATE, due[-1] + 20_000_000, {"state": "ready", "why": "end of the song"})
    maker.json(Kind.TAKE_END, due[-1] + 20_000_000, {"why": "end of the song"})
    for port in range(ports):
        end = due[-1] + 20_000_000
        maker.add(Kind.SENT, end + late(), due_ns=end, quarters=after / CLOCK, port=port, machine=port, ref=0,
                  data=b"\xfc")  # fmt: skip
    return maker.records


def _beat_notes(
    maker: RecordMaker, t_ns: int, late: int, quarters: float, port: int, count: int, on: bool
) -> None:
    status = (0x90 if on else 0x80) | (9, 1, 2, 3)[port % 4]
    for note in range(count):
        maker.add(
            Kind.SENT, t_ns + late + note * 1000, due_ns=t_ns, quarters=quarters, port=port, machine=port,
            ref=1, data=bytes((status, 36 + note, 100 if on else 0)),
        )  # fmt: skip


def write_take(folder: Path, header: TakeHeader, records: Iterable[Record]) -> TakeWriter:
    """Write records into a new folder through a `TakeWriter`, which is returned unfinished."""
    folder.mkdir(parents=True, exist_ok=True)
    writer = TakeWriter(folder, header, at_text_of(header))
    writer.feed_all(records)
    return writer
