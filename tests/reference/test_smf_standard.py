"""The reader against the worked examples of the Standard MIDI Files specification, RP-001 v1.0 (Feb 1996)."""

from __future__ import annotations

import pytest

from runner.plan.parts import PartNotes, select_part
from runner.plan.smf import read_smf
from runner.plan.smf_file import SmfFile
from runner.plan.smf_maps import meters_from, tempo_map_from
from runner.session.model import PartSpec

FORMAT_0 = """
    4D546864 00000006 0000 0001 0060
    4D54726B 0000003B
    00 FF580404021808  00 FF510307A120  00 C005  00 C12E  00 C246
    00 923060  00 3C60  60 914340  60 904C20  8140 823040  00 3C40  00 814340  00 804C40  00 FF2F00
"""
FORMAT_1 = """
    4D546864 00000006 0001 0004 0060
    4D54726B 00000014  00 FF580404021808  00 FF510307A120  8300 FF2F00
    4D54726B 00000010  00 C005  8140 904C20  8140 4C00  00 FF2F00
    4D54726B 0000000F  00 C12E  60 914340  8220 4300  00 FF2F00
    4D54726B 00000015  00 C246  00 923060  00 3C60  8300 3000  00 3C00  00 FF2F00
"""

# RP-001 p. 12: what both examples play. Channel, key, velocity, first and last tick (96 to a quarter note).
SPEC_NOTES = [
    (3, 0x30, 0x60, 0, 384),
    (3, 0x3C, 0x60, 0, 384),
    (2, 0x43, 0x40, 96, 384),
    (1, 0x4C, 0x20, 192, 384),
]

# RP-001 p. 2: the table of variable-length quantities, and those of the worked examples (p. 7, 13, 14).
QUANTITIES = {
    0x00000000: "00",
    0x00000040: "40",
    0x0000007F: "7F",
    0x00000080: "8100",
    0x00002000: "C000",
    0x00003FFF: "FF7F",
    0x00004000: "818000",
    0x00100000: "C08000",
    0x001FFFFF: "FFFF7F",
    0x00200000: "81808000",
    0x08000000: "C0808000",
    0x0FFFFFFF: "FFFFFF7F",
    200: "8148",
    192: "8140",
    288: "8220",
    384: "8300",
}


def whole(smf: SmfFile) -> PartNotes:
    """Return all of a file as one part, on its own channels."""
    return select_part(smf, PartSpec.model_validate({"file": "x.mid", "machine": "any"}))


@pytest.mark.parametrize("text", [FORMAT_0, FORMAT_1], ids=["format 0", "format 1"])
def test_examples_of_the_specification(text: str) -> None:
    """Both sample files (RP-001 p. 12-14): four notes, three programs, 4/4, 120 a minute, 384 ticks, 2 s."""
    smf = read_smf(bytes.fromhex(text))
    part = whole(smf)
    found = [
        ((part.status[a] & 0x0F) + 1, part.data1[a], part.data2[a], part.ticks[a], part.ticks[b])
        for a, b in part.notes()
    ]
    assert sorted(found) == sorted(SPEC_NOTES)
    programs = [data.hex() for data in part.messages() if data[0] & 0xF0 == 0xC0]
    assert sorted(programs) == ["c005", "c12e", "c246"]
    assert len(part) == 11
    assert (str(meters_from(smf).first), smf.meters[0].clocks_per_click) == ("4/4", 24)
    assert smf.end_tick == 384
    assert tempo_map_from(smf).ns_of_ticks([smf.end_tick], smf.ppq) == [2_000_000_000]
    assert smf.notices == ()


def test_sizes_of_the_examples() -> None:
    """The samples have the lengths that their chunks say: 81 and 118 bytes."""
    assert (len(bytes.fromhex(FORMAT_0)), len(bytes.fromhex(FORMAT_1))) == (81, 118)


@pytest.mark.parametrize("number", QUANTITIES, ids=hex)
def test_variable_length_quantities(number: int) -> None:
    """The specification's table of variable-length quantities, as delta times."""
    body = bytes.fromhex(QUANTITIES[number]) + bytes.fromhex("903C40 00FF2F00")
    head = bytes.fromhex("4D546864 00000006 0000 0001 0060 4D54726B") + len(body).to_bytes(4, "big")
    assert list(read_smf(head + body).ticks) == [number]


def test_meters_of_the_specification() -> None:
    """6/8 with the metronome on dotted quarters is FF 58 04 06 03 24 08: 36 clocks (RP-001 p. 10)."""
    body = bytes.fromhex("00FF580406032408 00FF2F00")
    head = bytes.fromhex("4D546864 00000006 0000 0001 0060 4D54726B") + len(body).to_bytes(4, "big")
    meter = read_smf(head + body).meters[0]
    assert (meter.numerator, meter.denominator, meter.clocks_per_click) == (6, 8, 36)


def test_sysex_in_packets() -> None:
    """F0 03 43 12 00, 200 ticks, F7 06 43 12 00 43 12 00, 100 ticks, F7 04 43 12 00 F7 (RP-001 p. 7)."""
    body = bytes.fromhex("00F003431200 8148F706431200431200 64F704431200F7 00FF2F00")
    head = bytes.fromhex("4D546864 00000006 0000 0001 0060 4D54726B") + len(body).to_bytes(4, "big")
    packets = read_smf(head + body).sysex
    assert [(packet.tick, packet.escape, packet.data.hex()) for packet in packets] == [
        (0, False, "431200"),
        (200, True, "431200431200"),
        (300, True, "431200f7"),
    ]
