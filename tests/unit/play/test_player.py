"""The player sends what the course says, when it says so, and leaves nothing sounding."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from timelines import INTERVAL_NS, course, timeline

from runner.errors import StateError
from runner.plan.timeline import Timeline
from runner.play.commands import RigMachine
from runner.play.player import ROLL_MARGIN_NS, Player
from runner.play.states import PlayState
from runner.play.streams import Send

KEYS = RigMachine("keys", 0, channel=1)
ON, OFF = bytes((0x90, 60, 100)), bytes((0x80, 60, 64))


def play(player: Player, until_ns: int, step_ns: int | None = None, now_ns: int = 0) -> list[Send]:
    """Drive the player from deadline to deadline (or in steps) until `until_ns`."""
    sends: list[Send] = []
    while now_ns <= until_ns:
        sends += player.due(now_ns)
        following = player.next_deadline_ns()
        if step_ns is not None:
            now_ns += step_ns
        elif following is None:
            break
        else:
            now_ns = following
    return sends


def test_clock_goes_out_at_24_a_quarter_to_the_nanosecond() -> None:
    """Every tick is due at its own multiple of 20 ms at 125 BPM (MIDI 1.0: 24 a quarter note)."""
    player = Player([KEYS], 1)
    player.load(course(timeline(clocks=2400)))
    anchor = player.roll(5)
    ticks = [send for send in play(player, 10**12) if send.data == b"\xf8"]
    assert [tick.due_ns - anchor for tick in ticks] == [i * INTERVAL_NS for i in range(2400)]
    assert [tick.tick for tick in ticks] == list(range(2400))
    assert player.state is PlayState.READY


def test_the_earliest_event_decides_when_the_roll_begins() -> None:
    """A program that is due 150 ms before bar 1 moves the whole roll by 150 ms."""
    player = Player([KEYS], 1)
    player.load(course(timeline(events=[(-150_000_000, 0, b"\xc0\x0b")])))
    anchor = player.roll(1_000)
    assert anchor == 1_000 + ROLL_MARGIN_NS + 150_000_000
    first = play(player, 10**12)[0]
    assert (first.data, first.due_ns) == (b"\xc0\x0b", 1_000 + ROLL_MARGIN_NS)


def test_start_goes_before_a_clock_of_the_same_instant_and_a_program_after_it() -> None:
    """Order at one instant is transport, clock, program."""
    player = Player([KEYS], 1)
    player.load(course(timeline(clocks=2, events=[(0, 0, b"\xfa"), (0, 0, b"\xc0\x01")])))
    player.roll(0)
    assert [send.data for send in play(player, 10**9)][:3] == [b"\xfa", b"\xf8", b"\xc0\x01"]


def test_stop_sends_stop_then_note_offs_then_mode_messages() -> None:
    """MIDI 1.0 4.2.1 p. 24 and 31: every sounding note gets its Note Off; All Notes Off is no substitute."""
    player = Player([KEYS], 1)
    player.load(course(timeline(events=[(0, 0, b"\xfa"), (1, 0, ON), (2, 0, ON), (3, 0, b"\xb0\x40\x7f")])))
    anchor = player.roll(0)
    play(player, anchor + INTERVAL_NS)
    player.stop(anchor + INTERVAL_NS, "test")
    cuts = player.due(anchor + INTERVAL_NS)
    assert [cut.data for cut in cuts] == [b"\xfc", OFF, OFF, b"\xb0\x40\x00", b"\xb0\x7b\x00"]
    assert all(cut.cut for cut in cuts)
    assert not player.sounding.any_left([0])
    assert player.next_deadline_ns() is None


def test_panic_silences_all_sixteen_channels_of_a_machine_without_a_channel() -> None:
    """A panic sends sound off, notes off and reset on every channel, in that order."""
    player = Player([RigMachine("box", 0)], 1)
    player.panic(7, "test")
    cuts = [send.data for send in player.due(7)]
    assert len(cuts) == 48
    assert cuts[:3] == [b"\xb0\x78\x00", b"\xb0\x7b\x00", b"\xb0\x79\x00"]


def test_a_loop_of_a_thousand_passes_does_not_drift() -> None:
    """Ticks of 1,000 passes of one bar stay on one grid, none missing and none twice."""
    player = Player([KEYS], 1)
    leg = timeline(clocks=96, events=[(0, 0, ON), (INTERVAL_NS, 0, OFF)], end=False)
    player.load(course((leg, 1000), timeline(clocks=24, entry_ns=96 * INTERVAL_NS)))
    anchor = player.roll(0)
    sends = play(player, 10**13)
    ticks = [send for send in sends if send.data == b"\xf8"]
    assert [tick.due_ns - anchor for tick in ticks] == [i * INTERVAL_NS for i in range(96_000 + 24)]
    assert [tick.tick for tick in ticks] == list(range(96_000 + 24))
    assert sum(send.data == ON for send in sends) == 1000


def test_an_endless_leg_goes_on_until_told_and_ends_at_its_seam() -> None:
    """`go` in the third pass lets the third pass end, and the next leg begins on its seam."""
    player = Player([KEYS], 1)
    hold = timeline(clocks=96, end=False)
    tail = timeline(clocks=24, entry_ns=96 * INTERVAL_NS)
    player.load(course((hold, 0), tail))
    anchor = player.roll(0)
    play(player, anchor + 250 * INTERVAL_NS)
    player.go(anchor + 250 * INTERVAL_NS)
    sends = play(player, 10**12, now_ns=anchor + 250 * INTERVAL_NS)
    assert sends[-1].due_ns - anchor == (3 * 96 + 23) * INTERVAL_NS
    assert player.state is PlayState.READY


def test_a_hold_told_to_go_on_in_its_first_pass_is_not_held() -> None:
    """The first pass is the end of the leg before; `go` in it leads straight to the leg after the hold."""
    player = Player([KEYS], 1)
    before = timeline(clocks=192, end=False)
    hold = timeline(clocks=96, entry_ns=96 * INTERVAL_NS, end=False)
    tail = timeline(clocks=24, entry_ns=192 * INTERVAL_NS)
    player.load(course(before, (hold, 0), tail))
    anchor = player.roll(0)
    early = anchor + 50 * INTERVAL_NS
    sends = play(player, early)
    with pytest.raises(StateError, match="no hold"):
        player.go(early)
    at = anchor + 120 * INTERVAL_NS
    sends += play(player, at, now_ns=early)
    player.go(at)
    sends += play(player, 10**12, now_ns=at)
    assert sends[-1].due_ns - anchor == (192 + 23) * INTERVAL_NS
    assert player.state is PlayState.READY


def test_a_song_added_while_another_rolls_follows_without_a_gap() -> None:
    """The clock of the second song goes on from the first on the same grid."""
    player = Player([KEYS], 1)
    player.load(course(timeline(clocks=96, end=False), timeline(clocks=96, entry_ns=96 * INTERVAL_NS)))
    anchor = player.roll(0)
    play(player, anchor + 10 * INTERVAL_NS)
    sends = play(player, 10**12, now_ns=anchor + 10 * INTERVAL_NS)
    assert [s.due_ns - anchor for s in sends] == [i * INTERVAL_NS for i in range(11, 192)]


def _muted_after_a_clock(player: Player, leg: Timeline) -> int:
    """Roll a leg whose events are all of machine 0, and mute that a clock later; return the anchor."""
    for row in range(len(leg.events)):
        leg.events.machine[row] = 0
    player.load(course(leg))
    anchor = player.roll(0)
    play(player, anchor + INTERVAL_NS)
    player.mute(0, True, anchor + INTERVAL_NS)
    return anchor


def test_a_muted_machine_gets_no_notes_and_no_ends_of_notes_it_never_had() -> None:
    """Muting ends what sounds at once, and lets controllers through."""
    player = Player([KEYS], 1)
    events = [(0, 0, ON), (10 * INTERVAL_NS, 0, OFF), (20 * INTERVAL_NS, 0, ON), (30 * INTERVAL_NS, 0, OFF)]
    leg = timeline(events=[*events, (40 * INTERVAL_NS, 0, b"\xb0\x4a\x05")])
    anchor = _muted_after_a_clock(player, leg)
    rest = [send.data for send in play(player, 10**12, now_ns=anchor + INTERVAL_NS) if send.data != b"\xf8"]
    assert rest == [OFF, b"\xb0\x4a\x05"]


def test_muting_ends_notes_on_channels_that_only_cues_name() -> None:
    """A machine may have no channel, and a cue may name another: what sounds there ends at once too."""
    note_on, note_off = b"\x94\x3c\x40", b"\x84\x3c\x40"
    for keys in (KEYS, RigMachine("keys", 0)):
        player = Player([keys], 1)
        leg = timeline(events=[(0, 0, note_on), (30 * INTERVAL_NS, 0, note_off)])
        anchor = _muted_after_a_clock(player, leg)
        assert [send.data for send in player.due(anchor + INTERVAL_NS)] == [note_off]


def test_rolling_twice_is_refused_with_state_and_action() -> None:
    """An order that makes no sense says so and changes nothing."""
    player = Player([KEYS], 1)
    with pytest.raises(StateError, match="cannot roll while empty"):
        player.roll(0)
    player.load(course(timeline()))
    player.roll(0)
    with pytest.raises(StateError, match="cannot load while lead"):
        player.load(course(timeline()))


@settings(max_examples=80, deadline=None)
@given(
    notes=st.lists(
        st.tuples(
            st.integers(0, 95 * INTERVAL_NS),
            st.integers(0, 40 * INTERVAL_NS),
            st.integers(0, 15),
            st.integers(0, 127),
        ),
        max_size=30,
    ),
    pedals=st.lists(st.tuples(st.integers(0, 95 * INTERVAL_NS), st.integers(0, 15)), max_size=4),
    stop_ns=st.integers(-ROLL_MARGIN_NS, 100 * INTERVAL_NS),
    step_ns=st.integers(1_000_000, 300_000_000),
)
def test_nothing_is_left_sounding_whenever_the_roll_is_stopped(
    notes: list[tuple[int, int, int, int]],
    pedals: list[tuple[int, int]],
    stop_ns: int,
    step_ns: int,
) -> None:
    """Whatever sounds and whenever Stop comes: an independent count of the bytes sent ends at nothing."""
    events = [(0, 0, b"\xfa")]
    for at, length, channel, key in notes:
        events.append((at, 0, bytes((0x90 | channel, key, 90))))
        events.append((at + length, 0, bytes((0x80 | channel, key, 64))))
    events += [(at, 0, bytes((0xB0 | channel, 64, 127))) for at, channel in pedals]
    player = Player([KEYS], 1)
    player.load(course(timeline(clocks=140, events=events)))
    anchor = player.roll(0)
    sends = play(player, anchor + stop_ns, step_ns)
    player.stop(anchor + stop_ns, "test")
    sends += player.due(anchor + stop_ns)
    sounding: dict[tuple[int, int], int] = {}
    pedal: dict[int, bool] = {}
    running = False
    for send in sends:
        kind, channel = send.data[0] & 0xF0, send.data[0] & 0x0F
        if kind == 0x90:
            sounding[channel, send.data[1]] = sounding.get((channel, send.data[1]), 0) + 1
        elif kind == 0x80:
            sounding[channel, send.data[1]] = max(0, sounding.get((channel, send.data[1]), 0) - 1)
        elif kind == 0xB0 and send.data[1] == 64:
            pedal[channel] = send.data[2] >= 64
        elif send.data == b"\xfa":
            running = True
        elif send.data == b"\xfc":
            running = False
    assert not any(sounding.values())
    assert not any(pedal.values())
    assert not running
