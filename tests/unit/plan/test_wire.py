"""The model of a port's queue, and where there is room on it."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.plan.wire import CLOCK_GUARD_NS, DIN, USB, Piece, PortWire, link_named
from runner.plan.wire_load import clock_interval_ns, measure

US = 1_000
MS = 1_000_000
TWENTY_MS = [index * 20 * MS for index in range(50)]


def wire(clocks: list[int] | None = None, events: list[tuple[int, int]] | None = None) -> PortWire:
    """Return a DIN port with clocks, by default each 20 ms, and events (time, size)."""
    events = events or []
    return PortWire(
        DIN, TWENTY_MS if clocks is None else clocks, [t for t, _ in events], [size for _, size in events]
    )


def test_a_din_byte_takes_320_us() -> None:
    """31.25 kbaud, 10 bits a byte (MIDI 1.0 4.2.1, p. 1): 3 bytes 960 us, a 13-byte locate 4.16 ms."""
    assert DIN.duration_ns(1) == 320 * US
    assert DIN.duration_ns(3) == 960 * US
    assert DIN.duration_ns(13) == 4_160 * US
    assert DIN.capacity(959 * US) == 2


def test_usb_takes_event_packets_of_three_bytes() -> None:
    """A USB-MIDI event packet carries up to 3 MIDI bytes; 304 fit a frame of 1 ms at most."""
    assert USB.duration_ns(1) == USB.duration_ns(3) == 3_290
    assert USB.duration_ns(4) == 2 * 3_290
    assert 303 * USB.duration_ns(3) < MS < 305 * USB.duration_ns(3)
    assert link_named("usb") is USB


def test_a_clock_waits_for_a_chord_before_it() -> None:
    """Six notes handed over 1 ms before a clock take 5.76 ms: the clock waits 4.76 ms."""
    times = [19 * MS] * 6
    load = measure(DIN, TWENTY_MS, times, [3] * 6, limit_ns=MS)
    assert load.worst_wait_ns == 6 * 960 * US - MS
    assert (load.worst_clock, load.worst_behind) == (1, 5)
    assert load.waits_over == 1
    assert load.steepest == pytest.approx(4.76 / 20)
    # the last of the six waits for the five before it
    assert (load.worst_message_wait_ns, load.worst_message) == (5 * 960 * US, 5)


def test_a_clock_goes_before_notes_of_the_same_instant() -> None:
    """A chord on the beat does not delay the beat's own clock, and is through before the next."""
    load = measure(DIN, TWENTY_MS, [20 * MS] * 6, [3] * 6, limit_ns=MS)
    assert load.worst_wait_ns == 0
    assert load.worst_message_wait_ns == 320 * US + 5 * 960 * US


def test_clocks_behind_a_long_message_wait_one_after_the_other() -> None:
    """200 bytes (64 ms) right after a clock hold up three clocks; the first of them waits longest."""
    load = measure(DIN, TWENTY_MS, [320 * US], [200], limit_ns=MS)
    assert load.worst_clock == 1
    assert load.worst_wait_ns == 320 * US + 64 * MS - 20 * MS
    assert load.waits_over == 3


def test_a_controller_is_brought_forward_to_let_a_clock_pass() -> None:
    """A controller 0.2 ms before a clock is sent so that it ends the guard's time before that clock."""
    times = [10 * MS, 20 * MS - 200 * US]
    load = measure(DIN, TWENTY_MS, times, [3, 3], [0, 1], limit_ns=MS, window_ns=5 * MS)
    assert load.worst_wait_ns == 0
    assert load.moved == {1: 20 * MS - CLOCK_GUARD_NS - 960 * US}


def test_controllers_of_one_burst_are_brought_forward_together_and_in_order() -> None:
    """Three controllers just before a clock move as one run and keep their order."""
    times = [20 * MS - 300 * US, 20 * MS - 200 * US, 20 * MS - 100 * US]
    load = measure(DIN, TWENTY_MS, times, [3, 3, 3], [1, 1, 1], limit_ns=MS, window_ns=5 * MS)
    assert load.worst_wait_ns == 0
    moved = [load.moved[index] for index in range(3)]
    assert moved == sorted(moved)
    assert moved[2] + 960 * US <= 20 * MS - CLOCK_GUARD_NS


def test_a_controller_never_overtakes_the_note_before_it() -> None:
    """With a note directly before it there is no earlier place: the clock's wait is reported instead."""
    note, controller = 20 * MS - 1000 * US, 20 * MS - 500 * US
    load = measure(DIN, TWENTY_MS, [note, controller], [3, 3], [0, 1], limit_ns=MS, window_ns=5 * MS)
    assert load.worst_wait_ns == 2 * 960 * US - MS
    assert all(t_ns >= note + 960 * US for t_ns in load.moved.values())


@given(st.integers(0, 10_000))
def test_measure_agrees_with_a_plain_queue(seed: int) -> None:
    """The waits are those of a queue that is simulated message by message."""
    rng = random.Random(seed)
    times = sorted(rng.randrange(900 * MS) for _ in range(rng.randrange(60)))
    sizes = [rng.choice((1, 2, 3, 3, 3, 12, 70)) for _ in times]
    load = measure(DIN, TWENTY_MS, times, sizes, limit_ns=MS)
    queue = sorted(
        [(t, 0, 1, i) for i, t in enumerate(TWENTY_MS)]
        + [(t, 1, s, i) for i, (t, s) in enumerate(zip(times, sizes, strict=True))]
    )
    free, worst, over = -1, 0, 0
    for t_ns, kind, size, _ in queue:
        start = max(free, t_ns)
        free = start + DIN.duration_ns(size)
        if kind == 0:
            worst = max(worst, start - t_ns)
            over += start - t_ns > MS
    assert (load.worst_wait_ns, load.waits_over) == (worst, over)
    assert load.busy_ns == sum(DIN.duration_ns(size) for _, _, size, _ in queue)


def test_the_latest_gap_ends_at_its_deadline_where_nothing_is_in_the_way() -> None:
    """On an idle wire, what must be through at 10 ms is handed over its own length before."""
    assert wire().latest_gap(3, 10 * MS, 0) == 10 * MS - 960 * US


def test_the_latest_gap_keeps_clear_of_clocks_and_notes() -> None:
    """A deadline right behind a clock sends a group of 8 bytes before that clock, not around it."""
    assert wire().latest_gap(8, 20 * MS + 500 * US, 0) == 20 * MS - CLOCK_GUARD_NS - 8 * 320 * US
    busy = wire(events=[(15 * MS, 3), (15 * MS, 3)])
    assert busy.latest_gap(3, 15 * MS + 500 * US, 0) == 15 * MS - 960 * US


def test_no_gap_is_found_where_there_is_none() -> None:
    """A message longer than the space between two clocks fits nowhere among them."""
    assert wire().latest_gap(63, 500 * MS, 300 * MS) is None


def test_what_was_placed_is_in_the_way_of_the_next() -> None:
    """Two groups with the same deadline come one before the other."""
    port = wire()
    first = port.latest_gap(8, 15 * MS, 0)
    assert first is not None
    port.add(first, 8)
    assert port.latest_gap(8, 15 * MS, 0) == first - 8 * 320 * US


def test_a_long_message_is_cut_between_the_clocks() -> None:
    """200 bytes go in pieces, none of which is on the wire when a clock is due."""
    pieces = wire().cut(200, 400 * MS, 0)
    assert pieces is not None
    assert sum(piece.size for piece in pieces) == 200
    for t_ns, size in pieces:
        end_ns = t_ns + DIN.duration_ns(size)
        assert not any(t_ns < clock < end_ns + CLOCK_GUARD_NS for clock in TWENTY_MS)
        assert end_ns <= 400 * MS
    load = measure(DIN, TWENTY_MS, [t for t, _ in pieces], [size for _, size in pieces], limit_ns=MS)
    assert load.worst_wait_ns == 0


def test_a_cut_message_has_no_other_message_inside() -> None:
    """Only real-time bytes may stand inside sysex (MIDI 1.0 4.2.1, p. 29): the notes are kept out."""
    notes = [(100 * MS, 3), (250 * MS, 3)]
    pieces = wire(events=notes).cut(200, 300 * MS, 0)
    assert pieces is not None
    first, last = pieces[0].t_ns, pieces[-1].t_ns
    assert not any(first <= t_ns <= last for t_ns, _ in notes)
    assert 100 * MS < first < last < 250 * MS


def test_a_message_is_not_cut_where_notes_leave_no_room() -> None:
    """With a note every 30 ms no 200 bytes fit in between."""
    notes = [(index * 30 * MS, 3) for index in range(20)]
    assert wire(events=notes).cut(200, 500 * MS, 100 * MS) is None


def test_an_uncut_message_goes_right_behind_a_clock() -> None:
    """100 bytes (32 ms) between clocks of 20 ms delay least right behind a clock: by 12.32 ms."""
    start = wire().least_wait(100, 500 * MS, 300 * MS)
    assert start % (20 * MS) == 320 * US
    assert start + DIN.duration_ns(100) <= 500 * MS


def test_an_uncut_message_goes_before_the_clock_runs_if_it_can() -> None:
    """Where no clock runs yet, nothing is delayed."""
    clocks = [index * 20 * MS for index in range(20, 50)]
    start = wire(clocks).least_wait(100, 500 * MS, 300 * MS)
    assert start + DIN.duration_ns(100) <= clocks[0]


def test_a_short_message_fits_behind_the_clock_of_its_moment() -> None:
    """5 bytes on the beat fit between its clock and the next; with a note on the beat they would delay it."""
    assert wire().fits_at(5, 20 * MS)
    assert not wire(events=[(20 * MS, 3)]).fits_at(5, 20 * MS)
    assert not wire().fits_at(62, 20 * MS)


def test_interval_of_the_last_clock_is_the_one_before_it() -> None:
    """The last clock of a leg has no next one."""
    assert clock_interval_ns([0, 20, 50], 2) == 30
    assert clock_interval_ns([0, 20, 50], 0) == 20


@given(st.integers(1, 400), st.integers(0, 10_000))
def test_cut_pieces_always_add_up_and_stay_in_order(size: int, seed: int) -> None:
    """However notes lie, a cut is whole, in order, without overlap, and lets every clock pass."""
    rng = random.Random(seed)
    events = sorted((rng.randrange(900 * MS), 3) for _ in range(rng.randrange(8)))
    pieces = wire(events=events).cut(size, 900 * MS, 100 * MS)
    if pieces is None:
        return
    assert sum(piece.size for piece in pieces) == size
    assert pieces == sorted(pieces)
    for before, after in itertools.pairwise(pieces):
        assert before.t_ns + DIN.duration_ns(before.size) <= after.t_ns
    assert pieces[0].t_ns >= 100 * MS
    assert not any(isinstance(piece, Piece) and piece.size <= 0 for piece in pieces)
