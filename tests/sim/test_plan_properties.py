"""Whatever the song: sorted, no clock missing, nothing left on, and the standard kept.

A model of a receiver judges each port by what it is sent: MIDI 1.0 Detailed Specification 4.2.1 for transport
(p. 27-31) and for Note Offs (A-4).
"""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from songs import compiled, part_of

from runner.errors import PlanError
from runner.music import parse_moment
from runner.plan.compile import CompiledSong
from runner.plan.loops import Loop
from runner.plan.parts import PartNotes
from runner.plan.timeline import Timeline

BARS = 8
PORTS = """
front: {create: front, link: %s, raw: %s}
cable: {create: cable, link: din}
rear: {create: rear}
"""
MACHINES = """
seq: {port: front, channel: 1, follows: [clock, transport, position], starts: %s, offset: %s}
drums: {port: cable, channel: 10, follows: [clock, transport], without-position: %s}
bass: {port: cable, channel: 2, settle: %s}
pad: {port: rear, channel: 3, offset: %s}
"""
MOMENTS = [f"bar {bar} beat {beat}" for bar in range(1, BARS + 1) for beat in ("1", "1.5", "2", "2 1/3")]
SPANS = ["0 s", "1 beat", "500 ms", "1 bar", "333 ms"]


@dataclass
class Drawn:
    """A song that was drawn: its text, its parts and how it is rolled."""

    text: str
    parts: dict[int, PartNotes]
    machines: str
    ports: str
    from_: str | None = None
    loops: list[Loop] = field(default_factory=list)

    def compile(self) -> CompiledSong | None:
        """Return it compiled, or None where it is refused."""
        try:
            return compiled(
                self.text,
                self.parts,
                machines=self.machines,
                ports=self.ports,
                from_=self.from_,
                loops=self.loops,
            )
        except PlanError:
            return None


@st.composite
def songs(draw: st.DrawFn, *, loops: bool = False) -> Drawn:
    """Draw a song with tempo and meter changes, cues of all kinds and two parts."""
    pick = lambda *choices: draw(st.sampled_from(choices))  # noqa: E731
    text = f"tempo: {pick(60, 97, 120, 174, 250)}\nmeter: {pick('4/4', '3/4', '7/8')}\nlength: {BARS} bars\n"
    text += f"lead: {pick(*SPANS)}\ntail: {pick(*SPANS)}\npre-roll: {pick(0, 1, 2)} bars\n"
    if draw(st.booleans()):
        ramp = pick("", ", over: 1 bar")
        text += f"tempo-changes: [{{at: bar 3, tempo: {pick(61, 140)}{ramp}}}]\n"
    if draw(st.booleans()):
        text += f"meter-changes: [{{at: bar 5, meter: {pick('5/4', '6/8')}}}]\n"
    text += "parts: [{file: a.mid, machine: bass}, {file: b.mid, machine: pad}]\n"
    if draw(st.booleans()):
        text += f"click: {{machine: drums, where: {pick('pre-roll', 'throughout')}}}\n"
    cues = draw(st.lists(st.tuples(st.sampled_from(MOMENTS), st.integers(0, 8)), max_size=8))
    if cues:
        text += "cues:\n" + "".join(f"  - {{at: {at}, {CUES[kind]}}}\n" for at, kind in cues)
    machines = MACHINES % (
        pick("pre-roll", "bar-1"), pick("0 ms", "-7 ms", "11 ms"), pick("leave-out", "start-at-bar-1"),
        pick("0 ms", "80 ms"), pick("0 ms", "-20 ms", "30 ms"),
    )  # fmt: skip
    seed = draw(st.integers(0, 1_000))
    parts = {0: random_part(seed, 2), 1: random_part(seed + 1, 3)}
    result = Drawn(text, parts, machines, PORTS % (pick("usb", "din"), pick("true", "false")))
    if draw(st.booleans()):
        result.from_ = draw(st.sampled_from(MOMENTS))
    if loops and result.from_ is None:
        first = draw(st.integers(1, BARS - 2))
        last = draw(st.integers(first + 1, BARS - 1))
        result.loops = [
            Loop(parse_moment(f"bar {first}"), parse_moment(f"bar {last}"), draw(st.integers(1, 3)))
        ]
    return result


CUES = [
    "machine: bass, program: 7",
    "machine: bass, program: 9, bank: 1/2",
    "machine: pad, control: 74, value: 9",
    "machine: pad, note: 60, length: 3 beats",
    "machine: drums, stop: true",
    "machine: drums, start: true",
    "machine: seq, stop: true",
    "machine: seq, continue: true",
    'machine: seq, sysex: "7D 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F 10 11 12 13 14 15 16 17 18 19"',
]


def random_part(seed: int, channel: int) -> PartNotes:
    """Return a part with overlapping notes, controllers and programs, some of it beyond the song."""
    rng = random.Random(seed)
    notes = []
    for _ in range(rng.randrange(40)):
        first = rng.randrange(40) * 480
        notes.append((first, first + rng.choice((0, 60, 480, 1920, 4000)), rng.randrange(36, 42)))
    others = [(rng.randrange(40) * 480, f"B{channel - 1} 07 {rng.randrange(128):02X}") for _ in range(5)]
    others += [(rng.randrange(40) * 480, f"C{channel - 1} {rng.randrange(128):02X}") for _ in range(3)]
    return part_of(notes, others, channel=channel)


def messages_of(song: CompiledSong) -> dict[str, list[tuple[int, bytes]]]:
    """Return (time, message) for each port, in the order in which they are sent."""
    result: dict[str, list[tuple[int, bytes]]] = {}
    for row in song.rows():
        result.setdefault(row["port"], []).append((row["t_ns"], bytes.fromhex(row["bytes"])))
    return result


def timelines(song: CompiledSong) -> list[Timeline]:
    """Return the legs' timelines."""
    return [leg.timeline for leg in song.course.legs]


def judge_port(messages: list[tuple[int, bytes]], *, told_twice: bool) -> None:
    """Follow one port as a receiver would and complain about what the standard forbids."""
    running, since = False, -(1 << 62)
    in_sysex = False
    waiting_since: int | None = None
    sounding: Counter[tuple[int, int]] = Counter()
    for t_ns, data in messages:
        status = data[0]
        if status < 0xF8:
            assert (status < 0x80 or status == 0xF7) == in_sysex, (
                "a message inside system exclusive, or a stray piece"
            )
            in_sysex = (status == 0xF0 or in_sysex) and data[-1] != 0xF7
        if status == 0xF8 and waiting_since is not None:
            assert t_ns - waiting_since >= 1_000_000, "less than 1 ms from Start or Continue to the clock"
            waiting_since = None
        elif status in (0xFA, 0xFB):
            assert not running or told_twice, "Start or Continue while playing"
            running, since, waiting_since = True, t_ns, t_ns
        elif status == 0xFC:
            running, waiting_since = False, None
        elif status in (0xF2, 0xF3):
            assert not running, f"song position or song select while playing since {since}"
        elif 0x80 <= status < 0xA0:
            key = (status & 0x0F, data[1])
            sounding[key] += 1 if status >= 0x90 and data[2] else -1
            assert sounding[key] >= 0, "a Note Off without its Note On"
    assert not running, "left running"
    assert not in_sysex, "left in system exclusive"
    assert not +sounding, f"left sounding: {+sounding}"


few = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
many = settings(few, max_examples=500)


@few
@given(songs())
def test_any_song_keeps_the_standard_and_leaves_nothing_on(drawn: Drawn) -> None:
    """Transport in order, nothing inside sysex, every Note On with its Note Off, all stopped at the end."""
    song = drawn.compile()
    if song is None:
        return
    # the cues that were drawn may tell a machine to start twice; that is warned of, and sent as written
    told_twice = any("already plays" in problem.message for problem in song.problems)
    for messages in messages_of(song).values():
        judge_port(messages, told_twice=told_twice)


@few
@given(songs(loops=True))
def test_any_loop_keeps_the_standard_and_leaves_nothing_on(drawn: Drawn) -> None:
    """The same through loops, whose seams end and restart notes and relocate machines."""
    song = drawn.compile()
    if song is None:
        return
    told_twice = any("already plays" in problem.message for problem in song.problems)
    for messages in messages_of(song).values():
        judge_port(messages, told_twice=told_twice)


@few
@given(songs(loops=True))
def test_any_timeline_is_sorted_and_complete(drawn: Drawn) -> None:
    """Events in order; clocks strictly rising, and as many as the bars, lead and tail need."""
    song = drawn.compile()
    if song is None:
        return
    for timeline in timelines(song):
        times = timeline.events.t_ns
        assert all(before <= after for before, after in pairwise(times))
        assert all(before < after for before, after in pairwise(timeline.clock_ns))
        assert timeline.start_ns <= min([*times[:1], *timeline.clock_ns[:1], timeline.entry_ns])
        first = Fraction(timeline.clock_quarters0).limit_denominator(24)
        last = Fraction(timeline.exit_quarters).limit_denominator(24)
        assert len(timeline.clock_ns) == (last - first) * 24
        assert timeline.exit_ns == song.time.tempo.ns_at(last)
        marks = [mark.t_ns for mark in timeline.stages]
        assert marks == sorted(marks)
    for before, after in pairwise(timelines(song)):
        assert before.exit_quarters >= after.entry_quarters


@few
@given(songs())
def test_clocks_of_the_song_lie_on_its_tempo_map(drawn: Drawn) -> None:
    """From the entry on, ticks are where the tempo map has them; before it, even at the entry's tempo."""
    song = drawn.compile()
    if song is None:
        return
    (timeline,) = timelines(song)
    tempo = song.time.tempo
    quarters0 = Fraction(timeline.clock_quarters0).limit_denominator(24)
    entry = Fraction(timeline.entry_quarters).limit_denominator(24)
    interval = 60_000_000_000 / 24 / tempo.bpm_at(entry)
    for tick, t_ns in enumerate(timeline.clock_ns):
        quarters = quarters0 + Fraction(tick, 24)
        if quarters >= entry:
            assert t_ns == tempo.ns_at(quarters)
        else:
            assert abs(t_ns - (timeline.entry_ns - float(entry - quarters) * 24 * interval)) <= 1


@few
@given(songs())
def test_programs_are_through_and_settled_in_time(drawn: Drawn) -> None:
    """No program of the bass is sent later than `settle` and its own length before its moment."""
    song = drawn.compile()
    if song is None:
        return
    settle_ns = 80_000_000 if "settle: 80 ms" in drawn.machines else 0
    (timeline,) = timelines(song)
    events = timeline.events
    for index in range(len(events)):
        message = events.bytes_of(index)
        if message[0] == 0xC1:
            moment_ns = song.time.tempo.ns_at(Fraction(events.quarters[index]).limit_denominator(960))
            assert events.t_ns[index] + 2 * 320_000 + settle_ns <= moment_ns


@few
@given(songs())
def test_reported_waits_are_those_of_a_plain_queue(drawn: Drawn) -> None:
    """The worst wait of each port is that of a queue simulated byte by byte over the final timeline."""
    song = drawn.compile()
    if song is None:
        return
    reports = {report.port: report for report in song.wire}
    for port, messages in messages_of(song).items():
        link = reports[port].link
        free, worst = -(1 << 62), 0
        for t_ns, data in messages:
            start = max(free, t_ns)
            free = start + (len(data) * 320_000 if link == "din" else math.ceil(len(data) / 3) * 3_290)
            if data == b"\xf8":
                worst = max(worst, start - t_ns)
        assert reports[port].worst_wait_ns == worst


@pytest.mark.campaign
@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    ("check", "loops"),
    [
        (test_any_song_keeps_the_standard_and_leaves_nothing_on, False),
        (test_any_loop_keeps_the_standard_and_leaves_nothing_on, True),
        (test_any_timeline_is_sorted_and_complete, True),
        (test_reported_waits_are_those_of_a_plain_queue, False),
        (test_programs_are_through_and_settled_in_time, False),
    ],
)
def test_many_more_songs(check: Any, loops: bool) -> None:
    """The properties above over many more songs."""
    inner = check.hypothesis.inner_test
    many(given(songs(loops=loops))(inner))()


def test_most_drawn_songs_can_be_played() -> None:
    """The properties above say something: at least two drawn songs in three are not refused."""
    played: list[bool] = []

    @settings(few, max_examples=40)
    @given(songs())
    def draw(drawn: Drawn) -> None:
        played.append(drawn.compile() is not None)

    draw()
    assert sum(played) >= len(played) * 2 // 3
