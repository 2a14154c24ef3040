"""The engine's log never blocks, and what it drops it tells."""

from __future__ import annotations

import os

from hypothesis import given
from hypothesis import strategies as st

from runner.engine.log import MemorySink, PipeSink, RecordLog
from runner.takes.format import Kind, RecordReader


@given(st.lists(st.binary(min_size=1, max_size=200), max_size=120), st.integers(1, 30))
def test_every_record_comes_through_whole_and_in_order(messages: list[bytes], batch: int) -> None:
    """Short and long messages, flushed in any rhythm, are read back as they were."""
    sink = MemorySink()
    log = RecordLog(sink)
    for number, data in enumerate(messages):
        log.add(Kind.SENT, number, data=data)
        if number % batch == 0:
            log.flush(number)
    log.flush(0)
    records = list(RecordReader().feed(bytes(sink.data)))
    assert [record.data for record in records] == messages
    seqs = [record.seq + record.raw_count for record in records]
    assert seqs == [record.seq for record in records[1:]] + [log.next_seq] * bool(records)


def test_a_full_pipe_drops_counts_and_tells_once_there_is_room() -> None:
    """The gap in the record is explained by a record of its own, and the seq numbers show the same gap."""
    read, write = os.pipe()
    log = RecordLog(PipeSink(write))
    sent = 0
    while not log.dropped:
        log.add(Kind.TICK_SENT, sent)
        sent += 1
        log.flush(sent)
    for _ in range(9):
        log.add(Kind.TICK_SENT, sent)
        log.flush(sent)
    reader = RecordReader()
    before = list(reader.feed(os.read(read, 1 << 20)))
    log.add(Kind.STATE, sent)
    log.flush(sent)
    after = list(reader.feed(os.read(read, 1 << 20)))
    assert len(before) + log.dropped == sent + 9
    assert [record.kind for record in after] == [Kind.DROPPED, Kind.STATE]
    assert after[0].ref == 10
    os.close(read)
    os.close(write)
