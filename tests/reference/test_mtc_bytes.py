"""MIDI Time Code against the tables of MMA RP-004/RP-008 and MMC RP-013 appendix A.

Rows marked [V] are the documents' own examples; the others follow from the layout (p. 1, p. 5).
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from runner.music import FrameRate, TimeCode
from runner.music.mtc import (
    full_message,
    is_dropped_number,
    quarter_frame,
    quarter_frame_at,
    read_full,
    read_pieces,
)

R24, R25, DROP, R30 = FrameRate

ROWS = [
    ("01:37:52:16", R30, "00 11 24 33 45 52 61 76", "61 25 34 10"),  # [V] RP-004/008 p. 4
    ("01:02:03:04", R30, "04 10 23 30 42 50 61 76", "61 02 03 04"),  # [V] RP-013 App. A ex. 2A
    ("03:02:20;28", DROP, "0C 11 24 31 42 50 63 74", "43 02 14 1C"),  # [V] RP-013 App. A ex. 2B
    ("00:00:00:00", R24, "00 10 20 30 40 50 60 70", "00 00 00 00"),
    ("00:00:00:00", R25, "00 10 20 30 40 50 60 72", "20 00 00 00"),
    ("10:00:00:00", R25, "00 10 20 30 40 50 6A 72", "2A 00 00 00"),
    ("12:34:56:20", R25, "04 11 28 33 42 52 6C 72", "2C 22 38 14"),
    ("23:59:59:24", R25, "08 11 2B 33 4B 53 67 73", "37 3B 3B 18"),
    ("23:59:59:23", R24, "07 11 2B 33 4B 53 67 71", "17 3B 3B 17"),
    ("00:01:00;02", DROP, "02 10 20 30 41 50 60 74", "40 01 00 02"),
    ("23:59:59:28", R30, "0C 11 2B 33 4B 53 67 77", "77 3B 3B 1C"),
]


@pytest.mark.parametrize(("text", "rate", "pieces", "full"), ROWS)
def test_the_tables_rows(text: str, rate: FrameRate, pieces: str, full: str) -> None:
    """Quarter frames and full message are the table's bytes, and are read back to the same time."""
    code = TimeCode.parse(text, rate)
    made = b"".join(quarter_frame(code, piece) for piece in range(8))
    assert made == b"".join(b"\xf1" + bytes((byte,)) for byte in bytes.fromhex(pieces))
    assert read_pieces([byte & 0x0F for byte in made[1::2]]) == code
    whole = bytes.fromhex(f"F0 7F 7F 01 01 {full} F7")
    assert full_message(code) == whole
    assert read_full(whole) == code


@pytest.mark.parametrize("rate", list(FrameRate))
def test_sets_begin_on_even_frames(rate: FrameRate) -> None:
    """The frames coded are always even at 24 and 30; at 25 their parity flips each second (p. 4).

    A set is eight quarter frames, pieces 0 and 4 on frame boundaries (p. 2).
    """
    parities: dict[int, set[int]] = {}
    for index in range(4 * 100 * 3_600, 4 * 100 * 3_600 + 8 * 60 * 15, 8):
        pieces = [quarter_frame_at(index + piece, rate)[1] for piece in range(8)]
        assert [byte >> 4 for byte in pieces] == list(range(8))
        code = read_pieces([byte & 0x0F for byte in pieces])
        assert code.frame == index // 4
        parities.setdefault(60 * code.minutes + code.seconds, set()).add(code.frames % 2)
    assert all(len(found) == 1 for found in parities.values())
    if rate is R25:
        seconds = sorted(parities)
        assert all(parities[a] != parities[b] for a, b in pairwise(seconds))
    else:
        assert {parity for found in parities.values() for parity in found} == {0}


@pytest.mark.parametrize("rate", list(FrameRate))
def test_quarter_frames_go_over_midnight(rate: FrameRate) -> None:
    """The set after a day's last begins at 00:00:00:00: a day has an even number of frames at each rate."""
    day = 4 * rate.frames_per_day
    assert day % 8 == 0
    assert quarter_frame_at(day, rate) == quarter_frame_at(0, rate)
    assert quarter_frame_at(-8, rate) == quarter_frame_at(day - 8, rate)


def test_a_number_that_drop_frame_leaves_out_is_known_and_goes_up() -> None:
    """00:01:00;00 does not exist and means 00:01:00;02 (RP-013, p. 10)."""
    nibbles = [0, 0, 0, 0, 1, 0, 0, 4]
    assert is_dropped_number(nibbles)
    assert str(read_pieces(nibbles)) == "00:01:00;02"
    assert not is_dropped_number([2, 0, 0, 0, 1, 0, 0, 4])
    assert not is_dropped_number([0, 0, 0, 0, 10, 0, 0, 4])


@pytest.mark.parametrize(
    "text",
    [
        "F0 7F 7F 01 02 61 25 34 10 F7",  # user bits
        "F0 7E 7F 01 01 61 25 34 10 F7",  # not real time
        "F0 7F 7F 01 01 78 25 34 10 F7",  # hour 24
        "F0 7F 7F 01 01 61 25 34 F7",
        "",
    ],
)
def test_what_is_no_full_message_is_none(text: str) -> None:
    """Other messages, and times that are none, are not taken for a full message (p. 5)."""
    assert read_full(bytes.fromhex(text)) is None


def test_unused_bits_are_ignored() -> None:
    """Unused bits are to be ignored on receipt (p. 2): the high frames piece has one bit that counts."""
    assert read_pieces([0, 0x0F, 4, 3, 5, 2, 1, 6]) == TimeCode.parse("01:37:52:16", R30)
    with pytest.raises(ValueError, match="pieces 0 to 7"):
        quarter_frame(TimeCode.parse("01:37:52:16", R30), 8)
