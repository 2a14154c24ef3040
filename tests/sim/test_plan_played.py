"""Plans played by the player in virtual time: what is sent is what was planned, through seams and all."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from songs import BAR_NS, compiled, part_of

from runner.music import parse_moment
from runner.plan.compile import CompiledSong
from runner.plan.loops import Loop
from runner.plan.report import rows_of
from runner.plan.timeline import Course, Leg
from runner.play.commands import RigMachine
from runner.play.player import Player
from runner.play.streams import Send

SONG = """
tempo: 120
meter: 4/4
length: 8 bars
lead: 1 s
pre-roll: 1 bar
tail: 1 bar
tempo-changes: [{at: bar 4, tempo: 97, over: 1 bar}, {at: bar 6, tempo: 133}]
parts: [{file: parts/ropewalk.mid, machine: bass}]
cues:
  - {at: bar 1, machine: bass, program: 12, bank: 1/2}
  - {at: bar 3 beat 2, machine: bass, control: 74, value: 90}
  - {at: bar 5, machine: bass, control: 74, value: 10}
  - {at: bar 6, machine: drums, note: 38, length: 2 bars}
click: {machine: drums, where: throughout}
"""
MACHINES = """
drums: {port: front, channel: 10, follows: [clock, transport, position], offset: -3 ms}
bass: {port: cable, channel: 2, settle: 40 ms, offset: 5 ms}
"""
NOTES = {0: part_of([(beat * 480, beat * 480 + 1000, 40 + beat % 5) for beat in range(28)])}


def song(**options: object) -> CompiledSong:
    """Return the song, compiled in some way."""
    return compiled(SONG, NOTES, machines=MACHINES, **options)  # type: ignore[arg-type]


def played(course: Course, *, go_at_ns: int | None = None) -> list[Send]:
    """Play a course from deadline to deadline; tell it to go on `go_at_ns` after its bar 1."""
    rig = [RigMachine("drums", 0, channel=10), RigMachine("bass", 1, channel=2)]
    player = Player(rig, 2)
    player.load(course)
    now_ns = player.roll(0)
    sends: list[Send] = []
    origin = now_ns
    deadline = player.next_deadline_ns()
    while deadline is not None:
        now_ns = deadline
        if go_at_ns is not None and now_ns - origin >= go_at_ns:
            player.go(now_ns)
            go_at_ns = None
        sends += [send._replace(due_ns=send.due_ns - origin) for send in player.due(now_ns)]
        deadline = player.next_deadline_ns()
    assert not player.moving
    assert not player.sounding.any_left((0, 1))
    return [send for send in sends if not send.cut]


def as_rows(course: Course, compiled_song: CompiledSong) -> list[tuple[int, str, str]]:
    """Return (time, port, bytes) of all rows, sorted as far as the order of two ports does not matter."""
    rows = rows_of(course, compiled_song.time)
    return sorted((row["t_ns"], row["port"], row["bytes"]) for row in rows)


def as_sent(sends: list[Send]) -> list[tuple[int, str, str]]:
    """Return what was sent in the same form."""
    ports = ("front", "cable")
    return sorted((send.due_ns, ports[send.port], send.data.hex(" ").upper()) for send in sends)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"from_": "bar 5"},
        {"to": "bar 5"},
        {"from_": "bar 3 beat 2", "restart_notes": True},
        {"loops": [Loop(parse_moment("bar 3"), parse_moment("bar 5"), 3)]},
        {"from_": "bar 2", "loops": [Loop(parse_moment("bar 4"), parse_moment("bar 7"), 2)]},
        {"to": "bar 5", "loops": [Loop(parse_moment("bar 3"), parse_moment("bar 5"), 3)]},
    ],
)
def test_what_is_played_is_what_was_planned(options: dict[str, object]) -> None:
    """Every message at its time to the nanosecond, none more, none less, and nothing left on."""
    planned = song(**options)
    assert as_sent(played(planned.course)) == as_rows(planned.course, planned)


def test_songs_that_go_straight_on_are_played_as_one() -> None:
    """The joined course of two songs is sent as planned, without a gap in the clock."""
    first = song(straight_on=True)
    second = song(follows=first.after)
    course = Course(first.course.legs + second.course.legs)
    sends = played(course)
    assert as_sent(sends) == as_rows(course, first)
    clocks = [send.due_ns for send in sends if send.data == b"\xf8" and send.port == 0]
    assert len(clocks) == 48 + 96 + 8 * 96 + 8 * 96 + 96
    assert max(after - before for before, after in pairwise(clocks)) < 60e9 / 24 / 97 + 1


@pytest.mark.parametrize("passes", [100, pytest.param(1000, marks=pytest.mark.campaign)])
def test_the_passes_of_a_loop_neither_drift_nor_lose_a_clock(passes: int) -> None:
    """Pass n begins exactly n times the loop's length later; every seam has its clocks."""
    loop = Loop(parse_moment("bar 3"), parse_moment("bar 4"), passes)
    planned = compiled("tempo: 121\nmeter: 3/4\nlength: 8 bars", loops=[loop])
    sends = played(planned.course)
    clocks = [send for send in sends if send.data == b"\xf8"]
    assert [send.tick for send in clocks] == list(range(len(clocks)))
    assert len(clocks) == (7 + passes) * 72
    tempo = planned.time.tempo
    first, length = tempo.ns_at(6), tempo.ns_at(9) - tempo.ns_at(6)
    for number in range(passes):
        assert clocks[144 + 72 * number].due_ns == first + number * length
    assert max(b.due_ns - a.due_ns for a, b in pairwise(clocks)) <= 60e9 / 24 / 121 + 2


def test_a_hold_goes_on_when_told() -> None:
    """Told in its third pass, the hold ends with that pass: bars 3 and 4 are played three times."""
    hold = Loop(parse_moment("bar 3"), parse_moment("bar 5"))
    planned = compiled(loops=[hold], machines="drums: {port: front, follows: [clock, transport]}\n")
    sends = played(planned.course, go_at_ns=2 * BAR_NS + 4 * BAR_NS + BAR_NS)
    assert sum(send.data == b"\xf8" for send in sends) == 12 * 96
    assert Counter(send.data for send in sends if send.data != b"\xf8") == {b"\xfa": 1, b"\xfc": 1}


def test_a_leg_that_repeats_is_one_timeline() -> None:
    """However many passes, the course stays small."""
    loop = Loop(parse_moment("bar 3"), parse_moment("bar 5"), 1000)
    legs = song(loops=[loop]).course.legs
    assert [leg.repeats for leg in legs] == [1, 999, 1]
    assert all(isinstance(leg, Leg) for leg in legs)
