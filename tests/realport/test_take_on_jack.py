"""A take of 64 bars by the real command on JACK ports, counted by a listener that shares no code with it.

Sources: MIDI 1.0 Detailed Specification 4.2.1: Timing Clock is sent 24 times a quarter note (p. 30); after
Start a machine begins with the next clock, at least 1 ms later (p. 30); Bank Select goes before the program
that it belongs to (p. 13). A tempo that changes linearly with the beats from b0 to b1 in L
quarters takes 60 L / (b1 - b0) ln(b1 / b0) seconds: the integral of 60 / bpm(q) dq.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jack_server import JackServer
from live_run import Ear, Heard, listening, running
from quay import assert_nothing_went_wrong

CLOCK, START, STOP = b"\xf8", b"\xfa", b"\xfc"
CLOCKS_PER_BAR = 48  #: 2/4: two quarters of 24 clocks
RAMP_FROM, RAMP_TO = 40 * CLOCKS_PER_BAR, 56 * CLOCKS_PER_BAR  #: clocks counted from bar 1
JACK_PERIOD_NS = 64 * 1_000_000_000 // 48_000

SESSION = """
session: Lantern Quay, counted clock
format: 1
ports:
  box: {match: "quay-box:box", direction: out}
  rack: {match: "quay-rack:rack", direction: out}
machines:
  drums: {port: box, channel: 10, follows: [clock, transport], starts: pre-roll}
  bass: {port: rack, channel: 2, settle: 50 ms}
songs:
  - song: Ropewalk
    tempo: 300
    meter: 2/4
    length: 64 bars
    lead: 1 s
    pre-roll: 1 bar
    tail: 1 bar
    tempo-changes: [{at: bar 41, tempo: 360, over: 16 bars}]
    cues:
      - {at: bar 17, machine: bass, program: 12}
      - {at: bar 33, machine: bass, program: 40, bank: 1/2}
order: [Ropewalk]
takes: {folder: takes, pass: count}
# the verdict is to tell of what was sent; how punctual a shared test computer is, is measured elsewhere
limits: {clock: 200 ms, lateness: 200 ms, cue: 200 ms, tempo-percent: 50}
"""


@dataclass(frozen=True)
class CountedTake:
    """What came to the listener, and what the program says of the same take."""

    code: int
    output: str
    box: list[Heard]
    rack: list[Heard]
    summary: dict[str, Any]
    plan: list[dict[str, Any]]

    @property
    def bar_1_ns(self) -> list[int]:
        """Arrival times of the clocks from that of bar 1 on."""
        start = next(index for index, heard in enumerate(self.box) if heard.data == START)
        clocks = [heard.t_ns for heard in self.box[start:] if heard.data == CLOCK]
        return clocks[CLOCKS_PER_BAR:]


@pytest.fixture(scope="module")
def take(jack_server: JackServer, tmp_path_factory: pytest.TempPathFactory) -> CountedTake:
    """Roll the take once for all tests of this module."""
    folder = tmp_path_factory.mktemp("counted")
    session = folder / "quay.yaml"
    session.write_text(SESSION)
    environment = jack_server.child_environment()
    with (
        listening("quay", ("box", "rack"), environment) as ear,
        running([str(session), "--song", "Ropewalk"], folder / "takes", environment) as run,
    ):
        code = run.wait()
    return _counted(code, run.output, ear, run.takes()[0])


def _counted(code: int, output: str, ear: Ear, folder: Path) -> CountedTake:
    summary = json.loads((folder / "take.json").read_text())
    plan = json.loads((folder / "plan.json").read_text())
    return CountedTake(code, output, ear.heard("box"), ear.heard("rack"), summary, plan)


def _line(times_ns: list[int], first: int, last: int) -> tuple[float, float]:
    """Fit times over clock numbers by least squares; return ns a clock, and the time at clock 0.

    Clocks that a computer that stood still held up are left out: those that come more than two JACK periods
    later than a line by medians. Nine tenths have to be left.
    """
    numbers = np.arange(first, last, dtype=float)
    times = np.array([t - times_ns[0] for t in times_ns[first:last]], dtype=float)
    third = len(numbers) // 3
    rise = np.median(times[-third:] - times[:third]) / (len(numbers) - third)
    off = times - rise * numbers
    punctual = off - np.median(off) <= 2 * JACK_PERIOD_NS
    assert punctual.sum() >= 0.9 * len(numbers)
    slope, offset = np.polyfit(numbers[punctual], times[punctual], 1)
    return float(slope), float(offset)


pytestmark = pytest.mark.realport


def test_every_clock_of_the_song_arrives_and_none_more(take: CountedTake) -> None:
    """Between Start and Stop come exactly 24 clocks for each quarter of pre-roll, 64 bars and tail."""
    data = [heard.data for heard in take.box]
    assert Counter(data) == {CLOCK: data.count(CLOCK), START: 1, STOP: 1}, take.output
    between = data[data.index(START) + 1 : data.index(STOP)]
    assert between == [CLOCK] * ((1 + 64 + 1) * CLOCKS_PER_BAR)
    # the lead of 1 s at 300 quarters a minute is 5 quarters of clock before Start
    assert data[: data.index(START)] == [CLOCK] * (5 * 24)


def test_start_comes_before_the_downbeat_clock(take: CountedTake) -> None:
    """Start stands between the lead's last clock and the pre-roll's first, planned at least 1 ms before."""
    index = next(i for i, heard in enumerate(take.box) if heard.data == START)
    before, start, after = take.box[index - 1 : index + 2]
    assert before.data == after.data == CLOCK
    assert before.t_ns <= start.t_ns <= after.t_ns
    rows = [row for row in take.plan if row["bytes"] == "FA"]
    downbeat_ns = -round(2 * 60e9 / 300)  # the pre-roll is one bar of two quarters
    assert len(rows) == 1
    assert rows[0]["t_ns"] <= downbeat_ns - 1_000_000


def test_stop_is_the_last_message(take: CountedTake) -> None:
    """Nothing comes on the drum machine's port after Stop, which is due a clock after the last clock."""
    assert [heard.data for heard in take.box[-2:]] == [CLOCK, STOP]
    last, stop = [row for row in take.plan if row["port"] == "box"][-2:]
    assert (last["bytes"], stop["bytes"]) == ("F8", "FC")
    assert stop["t_ns"] - last["t_ns"] == pytest.approx(60e9 / 360 / 24, abs=1)


def test_the_steady_tempo_is_that_of_the_file(take: CountedTake) -> None:
    """Least squares over the arrivals of bars 1 to 40 gives 300 quarters a minute within 0.01 %."""
    slope, _ = _line(take.bar_1_ns, 0, RAMP_FROM)
    measured = 60e9 / (slope * 24)
    assert measured == pytest.approx(300, rel=1e-4)


def test_the_ramp_takes_as_long_as_its_closed_form_says(take: CountedTake) -> None:
    """Between the steady stretches before and after it, the ramp lasts as long as the integral says."""
    times = take.bar_1_ns
    before, before_0 = _line(times, 0, RAMP_FROM)
    after, after_0 = _line(times, RAMP_TO, len(times))
    assert 60e9 / (after * 24) == pytest.approx(360, rel=5e-4)  # an eighth as many clocks as before
    length_ns = (after_0 + after * RAMP_TO) - (before_0 + before * RAMP_FROM)
    expected_ns = 60e9 * 32 / (360 - 300) * math.log(360 / 300)
    assert length_ns == pytest.approx(expected_ns, abs=JACK_PERIOD_NS)


def test_programs_come_before_their_bar(take: CountedTake) -> None:
    """Each program comes before its bar's clock, due its machine's 50 ms before; bank first, in one group."""
    assert [heard.data.hex(" ") for heard in take.rack] == ["c1 0b", "b1 00 01", "b1 20 02", "c1 27"]
    times = take.bar_1_ns
    due_ns = {row["bytes"]: row["t_ns"] for row in take.plan if row["port"] == "rack"}
    for heard, bar in ((take.rack[0], 17), (take.rack[3], 33)):
        assert heard.t_ns < times[(bar - 1) * CLOCKS_PER_BAR]
        bar_ns = (bar - 1) * 2 * 60e9 / 300  # bars of two quarters, before the ramp
        assert 50_000_000 < bar_ns - due_ns[heard.data.hex(" ").upper()] < 55_000_000


def test_the_takes_record_agrees_with_the_listener(take: CountedTake) -> None:
    """take.json counts the same clocks as the listener did, none missing or extra, and finds no fault."""
    clock = take.summary["clock"]
    counted = sum(heard.data == CLOCK for heard in take.box)
    assert (clock["expected"], clock["sent"]) == (counted, counted)
    assert (clock["missing"], clock["extra"]) == (0, 0)
    assert take.summary["log"]["dropped"] == 0
    assert take.summary["log"]["complete"] is True
    sent_messages = sum(heard.data != CLOCK for heard in (*take.box, *take.rack))
    assert take.summary["messages"]["sent"] == sent_messages
    assert take.code == assert_nothing_went_wrong(take.summary), take.output
