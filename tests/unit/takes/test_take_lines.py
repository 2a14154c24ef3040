"""How engine records become lines of a take's log."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import pytest

from runner.errors import TakeFormatError
from runner.takes.format import Kind, Record
from runner.takes.lines import BeatLines, TakeHeader, dump_line, event_line, position_text
from runner.takes.testing import ANCHOR_NS, song_time, take_header

HEADER = take_header(song_time(), 2)


def tick(number: int, n: int, *, quarters: float = math.nan, port: int = 0, late: int = 0) -> Record:
    due = ANCHOR_NS + 20_000_000 * number
    return Record(Kind.TICK_SENT, n, due + late, due, quarters, port, 0, number)


def feed(lines: BeatLines, records: list[Record]) -> list[dict[str, object]]:
    return [line for record in records for line in lines.feed(record, record.seq)]


def test_a_header_survives_its_line() -> None:
    """A header read back from its line equals the one written."""
    line = json.loads(dump_line(HEADER.to_line()))
    again = TakeHeader.from_line(line)
    assert again.to_line() == json.loads(json.dumps(HEADER.to_line()))
    assert again.anchor_ns == HEADER.anchor_ns
    assert again.pass_name == "bass overdub"


@pytest.mark.parametrize(
    ("key", "value", "word"),
    [
        ("kind", "state", "no take header"),
        ("format", 99, "99"),
        ("anchor_ns", "soon", "anchor_ns"),
        ("anchor_ns", True, "anchor_ns"),
        ("anchor_ns", 2**70, "anchor_ns"),
        ("song", 7, "song"),
        ("ports", ["a", 1], "ports"),
        ("declared", [], "declared"),
    ],
)
def test_a_wrong_header_is_refused_by_name(key: str, value: object, word: str) -> None:
    """A header with a wrong field is an error that names the field."""
    line = {**HEADER.to_line(), key: value}
    with pytest.raises(TakeFormatError, match=word):
        TakeHeader.from_line(line)


def test_a_sent_message_says_where_when_and_how_late() -> None:
    """A sent message's line has position, time from the anchor, names, bytes, source and lateness."""
    record = Record(
        Kind.SENT, 9, ANCHOR_NS + 1_000_001, ANCHOR_NS + 1_000_000 - 250_499, 1.5, 1, 1, 2, b"\xc1\x0b"
    )
    line = event_line(record, 9, HEADER, lambda quarters: f"q{quarters}")
    assert line == {
        "t": 1_000_001, "at": "q3/2", "kind": "sent", "n": 9, "port": "loft", "machine": "bass",
        "bytes": "C1 0B", "source": "cue 1", "due": 749_501, "late_us": 250.5,
    }  # fmt: skip


def test_indices_beyond_the_header_are_kept_as_numbers() -> None:
    """A port or machine that the header does not name is shown by its index, not lost."""
    record = Record(Kind.RECEIVED, 1, ANCHOR_NS, port=7, machine=9, data=b"\xfa")
    line = event_line(record, 1, HEADER, str)
    assert line is not None
    assert (line["port"], line["machine"], line["bytes"]) == ("#7", "#9", "FA")


def test_broken_json_data_is_kept_raw() -> None:
    """A record whose JSON is broken keeps its bytes in the line."""
    line = event_line(Record(Kind.STATE, 1, ANCHOR_NS, data=b'{"state'), 1, HEADER, str)
    assert line is not None
    assert line["data"] == {"raw": '{"state'}


@pytest.mark.parametrize("kind", [Kind.TICK_SENT, Kind.TICK_RECEIVED, Kind.BEAT])
def test_ticks_and_signs_of_life_are_no_events(kind: Kind) -> None:
    """Ticks go to the clock's file and signs of life nowhere."""
    assert event_line(Record(kind, 1, ANCHOR_NS, data=b"{}"), 1, HEADER, str) is None


def test_positions_come_back_as_exact_fractions() -> None:
    """A third of a quarter that travelled as a float is a third again."""
    for exact in (Fraction(1, 3), Fraction(-7, 24), Fraction(1001, 960), Fraction(0)):
        seen: list[Fraction] = []
        position_text(float(exact), lambda quarters, seen=seen: seen.append(quarters) or "x")  # type: ignore[misc]
        assert seen == [exact]
    assert position_text(math.nan, str) is None


def test_a_line_holds_the_24_ticks_of_a_beat() -> None:
    """MIDI 1.0 (Detailed Specification 4.2.1, p. 30) has 24 clocks a quarter: one line each."""
    lines = feed(BeatLines(HEADER, str), [tick(k, k + 1, quarters=k / 24, late=500) for k in range(48)])
    assert [line["first"] for line in lines] == [0, 24]
    assert [line["at"] for line in lines] == ["0", "1"]
    assert lines[0]["dev_us"] == [0.5] * 24
    assert lines[1]["times_ns"] == [20_000_000 * k + 500 for k in range(24)]
    assert lines[1]["t"] == 480_000_000


def test_lines_begin_at_whole_quarters() -> None:
    """A roll that begins within a beat has a short first line, so that the next begins on the beat."""
    lines = feed(BeatLines(HEADER, str), [tick(k, k + 1, quarters=(k - 30) / 24) for k in range(40)])
    assert [(line["first"], len(line["dev_us"])) for line in lines] == [(0, 6), (6, 24)]  # type: ignore[arg-type]
    assert lines[1]["at"] == "-1"


def test_a_missing_tick_leaves_a_hole() -> None:
    """A tick that never went out is null in its place."""
    lines = feed(BeatLines(HEADER, str), [tick(k, k + 1, quarters=k / 24) for k in range(24) if k != 5])
    assert lines[0]["dev_us"][5] is None  # type: ignore[index]
    assert lines[0]["times_ns"][5] is None  # type: ignore[index]
    assert lines[0]["times_ns"][6] == 120_000_000  # type: ignore[index]


def test_a_jump_back_ends_the_line() -> None:
    """Ticks whose numbers do not follow each other begin a new line, and none is lost."""
    records = [tick(k, n) for n, k in enumerate([0, 1, 2, 1, 2, 3], 1)]
    beats = BeatLines(HEADER, str)
    lines = feed(beats, records) + beats.flush()
    assert [(line["first"], len(line["times_ns"])) for line in lines] == [(0, 3), (1, 3)]  # type: ignore[arg-type]


def test_ports_and_directions_do_not_mix() -> None:
    """Each port and direction has lines of its own."""
    out = tick(0, 1)
    other = tick(0, 2, port=1)
    incoming = Record(Kind.TICK_RECEIVED, 3, ANCHOR_NS + 77, port=0, ref=900)
    beats = BeatLines(HEADER, str)
    assert feed(beats, [out, other, incoming]) == []
    assert [record.seq for _, record in beats.pending()] == [1, 2, 3]
    rows = [(line["port"], line["direction"], line["first"], line["dev_us"]) for line in beats.flush()]
    assert rows == [("quay", "out", 0, [0.0]), ("loft", "out", 0, [0.0]), ("quay", "in", 900, [None])]
    assert beats.flush() == []
