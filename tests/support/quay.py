"""A short session with long notes for tests that kill, and checks of what such a take leaves behind."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

from live_run import Heard

START, STOP, CLOCK = b"\xfa", b"\xfc", b"\xf8"
PORTS = ("box", "rack")
CLOCKS_PER_BAR = 96

_JACK = """
  box: {match: "quay-box:box", direction: out}
  rack: {match: "quay-rack:rack", direction: out}"""
_SIMULATED = """
  box: {simulate: drum-machine}
  rack: {simulate: synthesizer}"""


def session_text(*, jack: bool, bars: int = 8, tempo: int = 240, lead: str = "100 ms") -> str:
    """Return a session of one song in 4/4 without pre-roll: clock and transport on `box`, notes on `rack`.

    Two notes sound from the first bar to the end, so that whoever is killed leaves something to silence; a
    controller moves on each bar, so that the record has something to lose.
    """
    moves = "\n".join(
        f"      - {{at: bar {bar}, machine: bass, control: 74, value: {bar}}}" for bar in range(1, bars + 1)
    )
    return f"""
session: Lantern Quay, mishaps
format: 1
ports:{_JACK if jack else _SIMULATED}
machines:
  drums: {{port: box, channel: 10, follows: [clock, transport], starts: bar-1}}
  bass: {{port: rack, channel: 2}}
songs:
  - song: Net Loft
    tempo: {tempo}
    meter: 4/4
    length: {bars} bars
    lead: {lead}
    pre-roll: 0 bars
    tail: 0 bars
    cues:
      - {{at: bar 1, machine: bass, note: 40, velocity: 90, length: {bars} bars}}
      - {{at: bar 1 beat 2, machine: bass, note: 47, velocity: 80, length: {4 * bars - 2} beats}}
{moves}
order: [Net Loft]
takes: {{folder: takes, pass: mishap}}
# the verdict is to tell of what was lost, not of how busy a shared test computer is
limits: {{clock: 200 ms, lateness: 200 ms, cue: 200 ms, tempo-percent: 50}}
"""


def write_session(folder: Path, **options: Any) -> Path:
    """Write the session into a folder and return the file."""
    path = folder / "mishaps.yaml"
    path.write_text(session_text(**options))
    return path


def events_of(take: Path) -> list[dict[str, Any]]:
    """Return the lines of events.jsonl."""
    return [json.loads(line) for line in (take / "events.jsonl").read_text().splitlines()]


def ticks_of(take: Path, port: str = "box") -> list[int]:
    """Return the numbers of all clocks of a port that clock.jsonl holds, in file order."""
    numbers = []
    for text in (take / "clock.jsonl").read_text().splitlines():
        line = json.loads(text)
        if line["port"] == port and line["direction"] == "out":
            numbers += [line["first"] + slot for slot, t in enumerate(line["times_ns"]) if t is not None]
    return numbers


def assert_record_is_whole(take: Path) -> None:
    """Assert that every clock and every message of the plan stands in the record once, and nothing else."""
    plan = json.loads((take / "plan.json").read_text())
    planned = Counter((row["port"], row["bytes"]) for row in plan if row["bytes"] != "F8")
    events = events_of(take)
    sent = Counter((event["port"], event["bytes"]) for event in events if event["kind"] == "sent")
    assert sent == planned
    clocks = sum(row["bytes"] == "F8" and row["port"] == "box" for row in plan)
    assert sorted(ticks_of(take)) == list(range(clocks))
    numbers = [event["n"] for event in events if "n" in event]
    assert numbers == sorted(set(numbers))
    kinds = Counter(event["kind"] for event in events)
    assert (kinds["begin"], kinds["end"]) == (1, 1)


def assert_nothing_went_wrong(summary: dict[str, Any]) -> int:
    """Assert that a take is clean; return the exit code that belongs to it."""
    assert [finding for finding in summary["findings"] if finding["severity"] != "note"] == []
    assert summary["verdict"] == "clean"
    return 0


def _note(data: bytes) -> tuple[tuple[int, int], bool] | None:
    """Return (channel, key) and whether it begins; None if the message is no note.

    MIDI 1.0 Detailed Specification 4.2.1, p. 10: a Note On with velocity 0 is a Note Off.
    """
    kind = data[0] & 0xF0
    return ((data[0] & 15, data[1]), kind == 0x90 and data[2] > 0) if kind in (0x80, 0x90) else None


class Rig:
    """What sounds and runs on one port, by what came to it."""

    def __init__(self) -> None:
        """Begin silent and standing."""
        self.notes: Counter[tuple[int, int]] = Counter()
        self.runs = False

    def hear(self, data: bytes) -> None:
        """Take a message. A Note Off for what does not sound ends nothing and is owed to nobody."""
        if data[0] in (0xFA, 0xFB, 0xFC):
            self.runs = data != STOP
        elif note := _note(data):
            key, begins = note
            self.notes[key] = self.notes[key] + 1 if begins else max(0, self.notes[key] - 1)

    @property
    def active(self) -> bool:
        """Whether anything sounds or runs."""
        return self.runs or any(self.notes.values())


def left_sounding(heard: list[Heard]) -> dict[tuple[int, int], int]:
    """Return (channel, key) of each note of a port that was not ended by its own Note Off, with how often.

    All Notes Off is not counted here: it is no substitute for Note Offs (MIDI 1.0 Detailed Specification
    4.2.1, p. 24).
    """
    rig = Rig()
    for entry in heard:
        rig.hear(entry.data)
    return {key: count for key, count in rig.notes.items() if count}


def ended_ns(heard: list[Heard]) -> int | None:
    """Return when the last of what sounded or ran on any port was ended; None if something still does.

    What ends nothing, as a Stop to a machine that stands, does not count: after an engine's death the ends
    are sent twice.
    """
    rigs: dict[str, Rig] = defaultdict(Rig)
    last_ns = 0
    for entry in heard:
        rig = rigs[entry.port]
        before = rig.active
        rig.hear(entry.data)
        if before and not rig.active:
            last_ns = max(last_ns, entry.t_ns)
    return None if any(rig.active for rig in rigs.values()) else last_ns


def transport_of(heard: list[Heard]) -> list[bytes]:
    """Return the Start, Continue and Stop messages in order."""
    return [entry.data for entry in heard if entry.data[0] in (0xFA, 0xFB, 0xFC)]
