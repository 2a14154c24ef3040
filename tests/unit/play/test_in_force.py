"""What a machine would hold, and where it would be, had it heard everything."""

from __future__ import annotations

import pytest

from runner.play.in_force import LOCATE_CLOCKS, PortInForce


def _port(*messages: str) -> PortInForce:
    port = PortInForce()
    for text in messages:
        port.track(bytes.fromhex(text))
    return port


def test_the_last_of_each_setting_comes_back_in_an_order_that_works() -> None:
    """Bank and program in one group, then controllers; notes leave nothing.

    MIDI 1.0 Detailed Specification 4.2.1, p. 13: a bank select takes effect with the program change after it.
    """
    port = _port("C1 05", "B1 00 01", "B1 20 02", "C1 07", "B1 4A 10", "91 28 64", "B1 4A 20", "E1 00 50")
    assert list(port.messages()) == [
        (b"\xb1\x00\x01", b"\xb1\x20\x02", b"\xc1\x07"),
        (b"\xb1\x4a\x20",),
        (b"\xe1\x00\x50",),
    ]


def test_a_machine_that_runs_counts_its_clocks_and_one_that_stands_does_not() -> None:
    """Start sets to 0; after Stop clocks do not count, and Continue goes on (MIDI 1.0 4.2.1, p. 30)."""
    port = _port("FA")
    for _ in range(10):
        port.tick()
    port.track(b"\xfc")
    port.tick()
    port.track(b"\xfb")
    port.tick()
    assert (port.running, port.clocks) == (True, 11)


def test_a_song_position_sets_the_count_in_sixteenths_of_six_clocks() -> None:
    """MIDI 1.0 4.2.1, p. 27: 14 bits, LSB first; one is six clocks."""
    port = _port("F2 01 02", "FB")
    assert port.clocks == (1 + 2 * 128) * 6


@pytest.mark.parametrize(("clocks", "first"), [(0, 24), (1, 24), (12, 24), (13, 48), (95, 120), (240, 264)])
def test_a_machine_is_let_in_on_a_quarter_with_time_to_find_its_place(clocks: int, first: int) -> None:
    """The next whole quarter that is at least twelve clocks away, and the pointer that names it."""
    port = _port("FA")
    for _ in range(clocks):
        port.tick()
    place = port.rejoin()
    assert place is not None
    assert place == (first, bytes((0xF2, first // 6 & 127, first // 6 >> 7)))
    assert place[0] - clocks >= LOCATE_CLOCKS


def test_a_machine_that_would_stand_or_is_out_of_reach_is_not_let_in() -> None:
    """No Start was due; or the place is beyond the 16,383 sixteenths of a song position."""
    assert _port("C1 05").rejoin() is None
    assert _port("FA", "FC").rejoin() is None
    assert _port("F2 7F 7F", "FB").rejoin() is None
