"""A short session with long notes for tests that kill, and checks of what such a take leaves behind."""

from __future__ import annotations

import json
from collections import Counter
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


def left_sounding(heard: list[Heard]) -> dict[tuple[int, int], int]:
    """Return (channel, key) of each note that was not ended by its own Note Off, with how often.

    MIDI 1.0 Detailed Specification 4.2.1, p. 10: a Note On with velocity 0 is a Note Off. All Notes Off is
    not counted here: it is no substitute for Note Offs (p. 24).
    """
    on: Counter[tuple[int, int]] = Counter()
    for entry in heard:
        status = entry.data[0]
        if status & 0xF0 == 0x90 and entry.data[2]:
            on[status & 15, entry.data[1]] += 1
        elif status & 0xF0 in (0x80, 0x90):
            on[status & 15, entry.data[1]] -= 1
    return {key: count for key, count in on.items() if count}


def transport_of(heard: list[Heard]) -> list[bytes]:
    """Return the Start, Continue and Stop messages in order."""
    return [entry.data for entry in heard if entry.data[0] in (0xFA, 0xFB, 0xFC)]
