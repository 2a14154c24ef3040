"""MIDI Time Code as bytes: quarter frames and full messages, both ways. Pure.

Layouts: MMA RP-004/RP-008, pp. 1-5. A quarter frame is ``F1 0nnndddd``: piece nnn of eight, four bits of
the time each; the whole time belongs to the frame that starts with piece 0, and takes two frames to send.
The full message is ``F0 7F 7F 01 01 hr mn sc fr F7`` with the rate's code in bits 5 and 6 of the hours.

An *index* counts quarter frames: four times the frame's number of the day, plus 0 to 3. Pieces 0 and 4
are sent on frame boundaries, and a set of eight begins on an even frame (p. 4: the frames coded are always
even at 24 and 30; at 25 their parity flips each second, as that of even frames of the day does).
"""

from __future__ import annotations

from collections.abc import Sequence

from runner.music.timecode import FrameRate, TimeCode

PIECES = 8  #: quarter frames of a whole time
PER_FRAME = 4
QUARTER_FRAME = 0xF1
_FULL_HEAD = b"\xf0\x7f"
_RATES = tuple(FrameRate)


def quarter_frame(code: TimeCode, piece: int) -> bytes:
    """Return piece 0 to 7 of a time; ValueError for any other."""
    if not 0 <= piece < PIECES:
        raise ValueError(f"a time has pieces 0 to {PIECES - 1}, got {piece}")
    hours = code.rate.mtc_code << 5 | code.hours
    value = (code.frames, code.seconds, code.minutes, hours)[piece // 2]
    return bytes((QUARTER_FRAME, piece << 4 | (value >> 4 * (piece % 2)) & 0x0F))


def quarter_frame_at(index: int, rate: FrameRate) -> bytes:
    """Return the quarter frame of an index (see above); beyond a day the numbers begin again."""
    return quarter_frame(TimeCode.of_frame(index // PIECES * 2, rate), index % PIECES)


def full_message(code: TimeCode) -> bytes:
    """Return the full message of a time, to all devices."""
    return b"\xf0\x7f\x7f\x01\x01" + bytes(time_bytes(code)) + b"\xf7"


def time_bytes(code: TimeCode) -> tuple[int, int, int, int]:
    """Return hours (with the rate's code in bits 5 and 6), minutes, seconds and frames."""
    return code.rate.mtc_code << 5 | code.hours, code.minutes, code.seconds, code.frames


def read_time(hours: int, minutes: int, seconds: int, frames: int) -> TimeCode:
    """Return the time of four bytes; bits that are not used are ignored. ValueError if it is no time."""
    rate = _RATES[hours >> 5 & 0x03]
    return TimeCode(hours & 0x1F, minutes & 0x3F, seconds & 0x3F, frames & 0x1F, rate)


def read_full(data: bytes) -> TimeCode | None:
    """Return the time of a full message to any device; None if `data` is none, or its time is no time."""
    if len(data) != 10 or data[:2] != _FULL_HEAD or data[3:5] != b"\x01\x01" or data[9] != 0xF7:
        return None
    try:
        return read_time(*data[5:9])
    except ValueError:
        return None


def read_pieces(nibbles: Sequence[int]) -> TimeCode:
    """Return the time of eight pieces' low four bits, piece 0 first. ValueError if it is no time.

    The time is as coded: that of the frame at which piece 0 was sent.
    """
    low_high = [nibbles[at] | nibbles[at + 1] << 4 for at in range(0, PIECES, 2)]
    frames, seconds, minutes, hours = low_high
    return read_time(hours, minutes, seconds, frames)


def is_dropped_number(nibbles: Sequence[int]) -> bool:
    """Whether eight pieces give a number that drop-frame counting leaves out (;00 or ;01 of most minutes)."""
    frames, seconds, minutes = (nibbles[at] | nibbles[at + 1] << 4 for at in (0, 2, 4))
    return frames & 0x1F < 2 and seconds & 0x3F == 0 and (minutes & 0x3F) % 10 != 0
