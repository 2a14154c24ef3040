"""A take under the clock of an independent master on JACK ports: what it lost is found, all else is exact.

The master and the listener are processes that use python-rtmidi alone. Sources: MIDI 1.0 Detailed
Specification 4.2.1: Timing Clock is sent 24 times a quarter note (p. 30); the first clock after Start plays
the downbeat (p. 30); Start is to be sent at least 1 ms before it (p. 30).
"""

from __future__ import annotations

import contextlib
import json
import random
import re
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from jack_server import JackServer
from live_run import PATIENCE_S, Heard, listening, running
from witness import Witness

from runner.audit.replay import replay
from runner.audit.text import audit_take
from runner.takes.reader import read_take

pytestmark = [pytest.mark.realport, pytest.mark.timeout(300)]

MASTER = Path(__file__).parents[1] / "support" / "clock_master.py"
CLOCK, START, STOP = b"\xf8", b"\xfa", b"\xfc"
BPM = 330
INTERVAL_NS = round(60e9 / 24 / BPM)
CLOCKS_PER_BAR = 48  #: 2/4: two quarters of 24 clocks
CLOCKS = (1 + 64) * CLOCKS_PER_BAR  #: a bar of pre-roll, and the song
LEAD = 96
SEED = 1947

SESSION = f"""
session: Lantern Quay, followed clock
format: 1
ports:
  tape: {{match: "quay-tape:out", direction: in}}
  box: {{match: "quay-box:box", direction: out}}
  rack: {{match: "quay-rack:rack", direction: out}}
machines:
  drums: {{port: box, channel: 10, follows: [clock, transport], starts: pre-roll, relay: straight}}
  sequencer: {{port: rack, channel: 2, follows: [clock, transport], starts: pre-roll, relay: steady}}
clock: {{source: beat-clock, port: tape, on-dropout: {{freewheel: 2 beats, then: stop}}}}
songs:
  - {{song: Ropewalk, tempo: {BPM}, meter: 2/4, length: 64 bars, pre-roll: 1 bar}}
order: [Ropewalk]
takes: {{folder: takes, pass: follow}}
# the verdict is to tell of the master's clock; how punctual a shared test computer is, is measured elsewhere
limits: {{clock: 200 ms, lateness: 200 ms, cue: 200 ms, tempo-percent: 1}}
"""


def missing_clocks() -> list[int]:
    """Return 20 counts from Start that the master leaves out: 14 single ones and 3 pairs, well apart."""
    rng = random.Random(SEED)
    places = rng.sample(range(2, CLOCKS // 48 - 1), 17)
    first = [48 * place + rng.randrange(12, 36) for place in places]
    return sorted([*first, *(count + 1 for count in first[:3])])


def count_of(at: str) -> int:
    """Return the count from Start of a position such as ``bar 3 beat 1 5/24``."""
    found = re.fullmatch(r"bar (-?\d+) beat (\d+)(?:\.(\d+)| (\d+)/(\d+))?", at)
    assert found, at
    bar, beat, decimals, over, under = found.groups()
    part = Fraction(int(over), int(under)) if over else Fraction(f"0.{decimals or 0}")
    clocks = (int(bar) - 1) * CLOCKS_PER_BAR + (int(beat) - 1 + part) * 24 + CLOCKS_PER_BAR
    assert clocks.denominator == 1, at
    return int(clocks)


@dataclass(frozen=True)
class FollowedTake:
    """What the master sent, what came to the listener, and the take."""

    code: int
    output: str
    sent_ns: list[int]
    statuses: list[int]
    box: list[Heard]
    rack: list[Heard]
    folder: Path
    audit: dict[str, Any]
    waited_ns: int  #: the longest that the computer let its most urgent process wait meanwhile


def stood_ns(take: FollowedTake) -> int:
    """Return for how long the computer held somebody up who is not the program."""
    return max(master_late_ns(take), take.waited_ns)


def master_late_ns(take: FollowedTake) -> int:
    """Return how far apart the master's earliest and latest clock were from its own even grid."""
    sent = [t for t, status in zip(take.sent_ns, take.statuses, strict=True) if status == CLOCK[0]]
    left_out = set(missing_clocks())
    counts = [count for count in range(-LEAD, CLOCKS) if count not in left_out]
    off = [t - INTERVAL_NS * count for t, count in zip(sent, counts, strict=True)]
    return max(off) - min(off)


@pytest.fixture(scope="module")
def take(jack_server: JackServer, tmp_path_factory: pytest.TempPathFactory) -> FollowedTake:
    """Roll the take once for all tests of this module."""
    return _rolled(jack_server, tmp_path_factory.mktemp("followed"))


def _rolled(jack_server: JackServer, folder: Path) -> FollowedTake:
    session = folder / "quay.yaml"
    session.write_text(SESSION)
    environment = jack_server.child_environment()
    order = {
        "interval_ns": INTERVAL_NS, "lead": LEAD, "clocks": CLOCKS, "missing": missing_clocks(),
        "sigma_ns": 300_000, "seed": SEED, "stop_after_ns": -2_000_000,
    }  # fmt: skip
    master = subprocess.Popen(
        [sys.executable, str(MASTER), "quay-tape", "out"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True,
    )  # fmt: skip
    assert master.stdin is not None
    assert master.stdout is not None
    try:
        assert master.stdout.readline().strip() == "ready"
        master.stdin.write(json.dumps(order) + "\n")
        with (
            contextlib.closing(Witness()) as witness,
            listening("quay", ("box", "rack"), environment) as ear,
            running([str(session), "--song", "Ropewalk"], folder / "takes", environment) as run,
        ):
            armed_by = time.monotonic() + PATIENCE_S
            while not _armed(run.takes()):
                assert time.monotonic() < armed_by and run.process.poll() is None, run.output
                run.let_pass(0.02)
            master.stdin.write("begin\n")
            master.stdin.flush()
            played = json.loads(master.stdout.readline())
            code = run.wait()
            waited_ns = witness.stood_ns(0)
        master.stdin.close()
        master.wait(10)
    finally:
        master.kill()
        master.wait()
    kept = run.takes()[0]
    return FollowedTake(
        code, run.output, played["sent_ns"], played["status"], ear.heard("box"), ear.heard("rack"),
        kept, audit_take(read_take(kept)), waited_ns,
    )  # fmt: skip


def _armed(takes: list[Path]) -> bool:
    """Whether the take's log says that it waits for the master."""
    return any(
        '"armed"' in (take / "events.jsonl").read_text() for take in takes if (take / "events.jsonl").exists()
    )


def test_the_audit_finds_exactly_the_clocks_that_the_master_left_out(take: FollowedTake) -> None:
    """20 missing clocks, at their very counts, and none too many."""
    wanted = Counter(missing_clocks())
    found: Counter[int] = Counter()
    for finding in take.audit["findings"]:
        if finding["code"] == "clock-missing":
            for place in finding["evidence"]["places"]:
                first = count_of(place["at"])
                found.update(range(first, first + place["count"]))
    assert found == wanted, take.output
    clock = take.audit["clock"]
    assert (clock["role"], clock["source"]) == ("follower", "tape")
    assert (clock["missing"], clock["extra"]) == (20, 0)
    assert clock["received"] == clock["expected"] - 20
    named = {row["port"] for row in take.audit["findings"] if row["code"] == "clock-missing"}
    assert named == {"tape"}


def test_nothing_worse_is_said_of_the_clock(take: FollowedTake) -> None:
    """No dropout, no step, no second source: what else is said of the clock are notes or late deliveries.

    Where the computer stood for more than a clock, the master's clock did step, and clocks were late.
    """
    codes = {finding["code"] for finding in take.audit["findings"] if finding["severity"] != "note"}
    told = {"clock-missing", "clock-bunched", "clock-jitter"}
    if stood_ns(take) > INTERVAL_NS:
        told |= {"clock-step", "clock-late", "clock-wander"}
    assert codes <= told, take.audit["findings"]
    assert take.audit["outcome"] == "complete"
    assert take.audit["log"]["dropped"] == 0


@pytest.mark.parametrize("port", ["box", "rack"])
def test_the_relay_is_exact_by_count(port: str, take: FollowedTake) -> None:
    """Straight or steady, each machine gets 24 clocks for every quarter between Start and Stop."""
    heard: list[Heard] = getattr(take, port)
    data = [entry.data for entry in heard]
    assert data.count(START) == 1
    assert data.count(STOP) == 1
    between = data[data.index(START) + 1 : data.index(STOP)]
    assert between == [CLOCK] * CLOCKS
    record = next(row for row in take.audit["clock"]["ports"] if row["port"] == port)
    assert (record["expected"], record["missing"], record["extra"]) == (CLOCKS, 0, 0)


def test_the_lead_is_passed_on_before_start(take: FollowedTake) -> None:
    """Most of the master's lead reaches the machines, so that they can settle on it.

    A computer that stands for some clocks costs as many at most.
    """
    for heard in (take.box, take.rack):
        before = [entry.data for entry in heard][: [entry.data for entry in heard].index(START)]
        assert set(before) == {CLOCK}
        assert LEAD - 2 - stood_ns(take) // INTERVAL_NS <= len(before) <= LEAD


def test_the_recorded_arrivals_are_the_masters_sends(take: FollowedTake) -> None:
    """Half of the recorded arrivals lie within two JACK periods of their usual distance from the sends."""
    recorded = read_take(take.folder)
    track = recorded.tracks["tape", "in"]
    sent = [t for t, status in zip(take.sent_ns, take.statuses, strict=True) if status == CLOCK[0]]
    count = min(len(sent), len(track.t_ns))
    assert count == len(sent)
    delays = sorted(
        arrival + recorded.header.anchor_ns - t for arrival, t in zip(track.t_ns, sent, strict=True)
    )
    period_ns = 64 * 1_000_000_000 // 48_000
    assert -period_ns < delays[0]
    assert delays[3 * count // 4] - delays[count // 4] < 4 * period_ns


def test_the_take_replays_as_it_was(take: FollowedTake) -> None:
    """Fed again with the recorded arrivals, the follower predicts each clock as it did, to the ns."""
    result = replay(read_take(take.folder))
    assert result.notes == ()
    assert result.ticks.differing == 0
    assert result.differences == ()


def test_the_follower_settled_in_the_lead(take: FollowedTake) -> None:
    """The record says that the lock came before the song and that the pre-roll was enough."""
    settling = take.audit["clock"]["settling"]
    assert settling["enough"] is True
    assert settling["locked_at_quarters"] is None
    assert 0 < settling["locked_after_beats"] < 4
