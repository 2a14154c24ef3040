"""MIDI Machine Control against the worked bytes of MMA RP-013 v1.00."""

from __future__ import annotations

import pytest

from runner.music import FrameRate, TimeCode
from runner.music.machine_control import (
    ALL_DEVICES,
    Command,
    Field,
    Mmc,
    Motion,
    RecordStatus,
    Refusal,
    answer,
    cell,
    command,
    locate,
    locate_target,
    motion_field,
    read,
    read_answers,
    read_commands,
    record_field,
    refusal_field,
    time_field,
)

R24, R25, DROP, R30 = FrameRate


def code(text: str, rate: FrameRate) -> TimeCode:
    return TimeCode.parse(text, rate)


@pytest.mark.parametrize(
    ("device", "cells", "text"),
    [
        (ALL_DEVICES, [cell(Mmc.STOP)], "F0 7F 7F 06 01 F7"),  # pp. 1-5
        (ALL_DEVICES, [cell(Mmc.PLAY)], "F0 7F 7F 06 02 F7"),
        (ALL_DEVICES, [cell(Mmc.DEFERRED_PLAY)], "F0 7F 7F 06 03 F7"),
        (ALL_DEVICES, [cell(Mmc.FAST_FORWARD)], "F0 7F 7F 06 04 F7"),
        (ALL_DEVICES, [cell(Mmc.REWIND)], "F0 7F 7F 06 05 F7"),
        (ALL_DEVICES, [cell(Mmc.RECORD_STROBE)], "F0 7F 7F 06 06 F7"),
        (ALL_DEVICES, [cell(Mmc.RECORD_EXIT)], "F0 7F 7F 06 07 F7"),
        (ALL_DEVICES, [cell(Mmc.PAUSE)], "F0 7F 7F 06 09 F7"),
        (1, [cell(Mmc.RECORD_EXIT), cell(Mmc.DEFERRED_PLAY)], "F0 7F 01 06 07 03 F7"),  # App. A ex. 2A
        (1, [locate(code("00:00:00:00", R30))], "F0 7F 01 06 44 06 01 60 00 00 00 00 F7"),  # App. A ex. 1
        (
            1,
            [locate(code("01:02:08:20", R30)), cell(Mmc.DEFERRED_PLAY)],
            "F0 7F 01 06 44 06 01 61 02 08 14 00 03 F7",  # App. A ex. 2A
        ),
        (ALL_DEVICES, [locate(code("00:10:00:00", R25))], "F0 7F 7F 06 44 06 01 20 0A 00 00 00 F7"),
        (ALL_DEVICES, [locate(code("00:01:00;02", DROP))], "F0 7F 7F 06 44 06 01 40 01 00 02 00 F7"),
    ],
)
def test_commands_are_the_documents_bytes(device: int, cells: list[bytes], text: str) -> None:
    """Each command is built as in RP-013 (page or example beside the row) and read back."""
    data = bytes.fromhex(text)
    assert command(device, *cells) == data
    found = read_commands(data)
    assert found is not None
    assert (found[0], len(found[1])) == (device, len(cells))


def test_a_locate_names_its_time_with_the_rate() -> None:
    """Hours without rate bits mean 24 frames a second (p. 28, same code as in time code)."""
    found = read_commands(bytes.fromhex("F0 7F 7F 06 44 06 01 01 00 00 00 00 F7"))
    assert found is not None
    assert locate_target(found[1][0].data) == code("01:00:00:00", R24)
    stored = read_commands(bytes.fromhex("F0 7F 01 06 44 02 00 08 03 F7"))  # App. A ex. 1
    assert stored == (1, [Command(Mmc.LOCATE, b"\x00\x08"), Command(Mmc.DEFERRED_PLAY)])
    assert locate_target(stored[1][0].data) is None


def test_a_message_that_is_cut_short_says_so() -> None:
    """A count byte that promises more than there is makes the message unreadable (p. 4)."""
    with pytest.raises(ValueError, match="cut short"):
        read_commands(bytes.fromhex("F0 7F 01 06 44 06 01 60 00 F7"))
    assert read_commands(bytes.fromhex("F0 7F 01 07 01 F7")) is None


def test_a_message_holds_48_bytes_at_most() -> None:
    """RP-013 (p. 2) allows 48 bytes of data, 53 in all."""
    assert len(command(1, *[cell(Mmc.STOP)] * 48)) == 53
    with pytest.raises(ValueError, match="1 to 48 bytes"):
        command(1, *[cell(Mmc.STOP)] * 49)
    with pytest.raises(ValueError, match="0 to 126"):
        command(128, cell(Mmc.STOP))
    with pytest.raises(ValueError, match="needs data"):
        cell(Mmc.LOCATE)


def test_answers_are_read_back() -> None:
    """Motion tally, record status, time and refusals, several in a message, unknown fields passed over."""
    at = code("00:59:55:00", R25)
    motion, status = Motion(Mmc.PLAY), RecordStatus(1)
    data = answer(
        1, motion_field(motion), b"\x21\x05\x00\x4c\x02\x04\x06", record_field(status), time_field(at),
        refusal_field(Field.RECORD_STATUS),
    )  # fmt: skip
    found = read_answers(data)
    assert found == (1, [motion, status, at, Refusal(Field.RESPONSE_ERROR, b"\x40\x4d")])
    assert motion.playing and not motion.locating
    assert status.recording and not status.inhibited
    assert Motion(Mmc.PAUSE, Mmc.LOCATE, 0x01).locating
    assert read_answers(bytes.fromhex("F0 7F 01 06 01 F7")) is None
    assert read_answers(bytes.fromhex("F0 7F 01 07 48 03 02 F7")) == (1, [])


def test_fields_are_asked_for_by_name() -> None:
    """READ has a count and the names of the fields (RP-013, section 5)."""
    text = "F0 7F 01 06 42 03 48 4D 01 F7"
    asked = read(Field.MOTION, Field.RECORD_STATUS, Field.TIME_CODE)
    assert command(1, asked) == bytes.fromhex(text)
