"""Messages as bytes, against tables and examples of the MIDI 1.0 Detailed Specification 4.2.1."""

from __future__ import annotations

import pytest

from runner.plan import messages as midi
from runner.plan.timeline import EventOrder


@pytest.mark.parametrize(
    ("sixteenths", "expected"),
    [
        (0, "F2 00 00"),
        (1, "F2 01 00"),
        (10, "F2 0A 00"),
        (127, "F2 7F 00"),
        (128, "F2 00 01"),
        (1000, "F2 68 07"),
        (16383, "F2 7F 7F"),
    ],
)
def test_song_position_is_14_bits_lsb_first(sixteenths: int, expected: str) -> None:
    """Song Position goes LSB first (MIDI 1.0 4.2.1, p. 27 and Table V)."""
    assert midi.hex_text(midi.song_position(sixteenths)) == expected


def test_song_position_has_an_end() -> None:
    """16383 sixteenths are the most that 14 bits hold."""
    with pytest.raises(ValueError, match="0 to 16383"):
        midi.song_position(16384)


def test_a_program_with_its_bank_is_three_messages_in_order() -> None:
    """Bank MSB, bank LSB, program (MIDI 1.0 4.2.1, p. 13): channel 10, bank 1/2, program "6"."""
    group = midi.program_group(10, 5, (1, 2))
    assert [midi.hex_text(message) for message in group] == ["B9 00 01", "B9 20 02", "C9 05"]


def test_a_registered_parameter_is_selected_set_and_deselected() -> None:
    """RPN 0 (bend range) of 2 semitones: select 101 100, data 6 38, then null 7F 7F (p. 17-18)."""
    group = midi.parameter(1, 0, 2 << 7, registered=True)
    expected = ["B0 65 00", "B0 64 00", "B0 06 02", "B0 26 00", "B0 65 7F", "B0 64 7F"]
    assert [midi.hex_text(message) for message in group] == expected


def test_a_non_registered_parameter_uses_98_and_99() -> None:
    """NRPN MSB is controller 99 (63h), LSB 98 (62h) (MIDI 1.0 4.2.1, Table III)."""
    group = midi.parameter(1, 130, 5, registered=False)
    assert [midi.hex_text(message) for message in group[:2]] == ["B0 63 01", "B0 62 02"]


@pytest.mark.parametrize(
    ("value", "expected"), [(-8192, "E0 00 00"), (0, "E0 00 40"), (8191, "E0 7F 7F"), (1, "E0 01 40")]
)
def test_pitch_bend_is_centred_on_2000h(value: int, expected: str) -> None:
    """The centre of Pitch Bend is 00 40, LSB first (MIDI 1.0 4.2.1, p. 19)."""
    assert midi.hex_text(midi.pitch_bend(1, value)) == expected


@pytest.mark.parametrize(
    "build",
    [
        lambda: midi.note_on(0, 60, 64),
        lambda: midi.note_on(17, 60, 64),
        lambda: midi.note_on(1, 128, 64),
        lambda: midi.note_on(1, 60, 0),
        lambda: midi.note_off(1, 60, 128),
        lambda: midi.control(1, 128, 0),
        lambda: midi.program(1, 128),
        lambda: midi.pitch_bend(1, 8192),
        lambda: midi.song_select(128),
        lambda: midi.parameter(1, 0x4000, 0, registered=True),
        lambda: midi.parameter(1, 0, 0x4000, registered=True),
        lambda: midi.system_exclusive(b""),
        lambda: midi.system_exclusive(b"\x7d\x80"),
    ],
)
def test_numbers_that_do_not_fit_are_refused(build: object) -> None:
    """No message is made of a number that has no room in it."""
    with pytest.raises(ValueError):
        build()  # type: ignore[operator]


def test_system_exclusive_gets_its_ends_once() -> None:
    """F0 and F7 are there exactly once, whether or not they were written."""
    for body in ("7D 01", "F0 7D 01", "7D 01 F7", "F0 7D 01 F7"):
        assert midi.hex_text(midi.system_exclusive(bytes.fromhex(body))) == "F0 7D 01 F7"


def test_raw_bytes_are_split_into_messages() -> None:
    """Running status is spelt out; system messages and sysex stand alone."""
    raw = bytes.fromhex("90 3C 40 3E 40 C1 05 F6 F0 7D 01 F7 F2 00 01")
    assert [midi.hex_text(each) for each in midi.split_messages(raw)] == [
        "90 3C 40", "90 3E 40", "C1 05", "F6", "F0 7D 01 F7", "F2 00 01",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "text", ["3C 40", "90 3C", "F4", "F9", "F7", "F0 7D", "90 3C 80", "F2 00 00 3C 40", ""]
)
def test_bytes_that_are_no_messages_are_refused(text: str) -> None:
    """Unfinished messages, undefined status bytes and stray data bytes are told, never sent."""
    with pytest.raises(ValueError):
        midi.split_messages(bytes.fromhex(text))


def test_order_of_messages_of_one_instant() -> None:
    """Transport, clock, program, control, note off, note on; a Note On of velocity 0 is a Note Off."""
    texts = ["F2 00 00", "FA", "F8", "C0 01", "B0 07 64", "E0 00 40", "80 3C 40", "90 3C 00", "90 3C 40"]
    orders = [midi.order_of(bytes.fromhex(text)) for text in texts]
    assert orders == sorted(orders)
    assert orders[0] is orders[1] is EventOrder.TRANSPORT
    assert orders[6] is orders[7] is EventOrder.NOTE_OFF


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("91 3C 40", "note on, key 60 velocity 64, channel 2"),
        ("90 3C 00", "note off, key 60, channel 1"),
        ("C1 0B", "program 12, channel 2"),
        ("B0 00 01", "bank MSB 1, channel 1"),
        ("B9 7B 00", "all notes off, channel 10"),
        ("E0 00 40", "pitch bend +0, channel 1"),
        ("F2 0A 00", "song position 10 sixteenths"),
        ("F0 7D 01 F7", "system exclusive, 4 bytes"),
        ("F0 7D 01", "system exclusive, first 3 bytes"),
        ("02 03 F7", "system exclusive, next 3 bytes"),
        ("FB", "continue"),
    ],
)
def test_messages_in_words(text: str, words: str) -> None:
    """Messages are described with channels and programs counted from 1."""
    assert midi.describe(bytes.fromhex(text)) == words
