"""docs/take-files.md is made from the code, and its tables hold every key that is written."""

from __future__ import annotations

import json
from pathlib import Path

from runner.takes.format import Kind
from runner.takes.lines import EVENT_KINDS
from runner.takes.reference import CLOCK_KEYS, EVENT_KEYS, KIND_WORDS, SUMMARY_KEYS, reference_text
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

PAGE = Path(__file__).parents[3] / "docs" / "take-files.md"
TIME = song_time(bars=2, pre_roll=1)


def test_the_committed_page_is_up_to_date() -> None:
    """`docs/take-files.md` is what ``python -m runner.takes.reference`` prints."""
    assert PAGE.read_text(encoding="utf-8") == reference_text()


def test_every_key_and_kind_that_is_written_is_in_the_tables(tmp_path: Path) -> None:
    """A take with every kind of record has no key that the page does not explain, nor one less."""
    maker = RecordMaker(seq=steady_records(TIME, 2)[-1].seq + 1)
    for kind in EVENT_KINDS:
        data = b'{"x":1}' if kind not in (Kind.SENT, Kind.RECEIVED, Kind.CUT, Kind.SEND_FAILED) else b"\xfe"
        maker.add(Kind(kind), 5, due_ns=4, quarters=1.0, port=0, machine=0, ref=1, data=data)
    writer = write_take(tmp_path, take_header(TIME, 2), [*steady_records(TIME, 2), *maker.records])
    writer.restart_numbering("another engine")
    summary = writer.close()
    rows = [json.loads(line) for line in (tmp_path / "events.jsonl").read_text().splitlines()]
    assert rows[0]["kind"] == "take"
    assert {key for row in rows[1:] for key in row} == set(EVENT_KEYS)
    assert {row["kind"] for row in rows} == set(KIND_WORDS)
    beats = [json.loads(line) for line in (tmp_path / "clock.jsonl").read_text().splitlines()]
    assert {key for row in beats for key in row} == set(CLOCK_KEYS)
    assert set(summary) == set(SUMMARY_KEYS)
    assert json.loads((tmp_path / "take.json").read_text()) == summary
