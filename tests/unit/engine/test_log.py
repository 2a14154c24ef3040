"""The engine's log never blocks, and what it drops it tells."""

from __future__ import annotations

import os

from hypothesis import given
from hypothesis import strategies as st

from runner.engine.log import NUMBER_BYTES, MemorySink, PipeSink, RecordLog
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


class _Gate(MemorySink):
    """A sink that is full while `open` is False."""

    open = True

    def write(self, block: bytes) -> bool:
        """Take it, if there is room."""
        return self.open and super().write(block)


def test_what_the_reader_cannot_do_without_waits_for_room() -> None:
    """Begin and end of a take outlive a full pipe, clocks do not; all comes in order of its number."""
    sink = _Gate()
    log = RecordLog(sink)
    kinds = [Kind.TICK_SENT, Kind.TAKE_END, Kind.SENT, Kind.FINDING, Kind.TICK_SENT, Kind.TAKE_BEGIN]
    sink.open = False
    for number, kind in enumerate(kinds):
        log.add(kind, number)
        log.flush(number)
    sink.open = True
    log.add(Kind.SENT, 99)
    log.flush(99)
    records = list(RecordReader().feed(bytes(sink.data)))
    assert [record.kind for record in records] == [
        Kind.TAKE_END, Kind.FINDING, Kind.TAKE_BEGIN, Kind.DROPPED, Kind.SENT,
    ]  # fmt: skip
    assert records[3].ref == log.dropped == 3
    seqs = [record.seq for record in records]
    assert seqs == sorted(set(seqs))


@given(
    st.lists(st.tuples(st.sampled_from([Kind.TICK_SENT, Kind.STATE, Kind.SENT]), st.booleans()), max_size=60)
)
def test_whatever_finds_no_room_is_told_exactly(steps: list[tuple[Kind, bool]]) -> None:
    """Written and told add up to what was added, numbers only grow, and nothing vital is missing."""
    sink = _Gate()
    log = RecordLog(sink)
    for number, (kind, room) in enumerate(steps):
        sink.open = room
        log.add(kind, number)
        log.flush(number)
    sink.open = True
    log.add(Kind.SENT, 1000)
    log.flush(1000)
    records = list(RecordReader().feed(bytes(sink.data)))
    told = sum(record.ref for record in records if record.kind == Kind.DROPPED)
    written = [record for record in records if record.kind != Kind.DROPPED]
    assert told == log.dropped
    assert len(written) + told == len(steps) + 1
    assert sum(record.kind == Kind.STATE for record in written) == sum(
        kind == Kind.STATE for kind, _ in steps
    )
    seqs = [record.seq for record in records]
    assert seqs == sorted(set(seqs))


def test_what_waits_is_bounded() -> None:
    """A reader that never comes back costs 64 KiB, not the engine's memory."""
    sink = _Gate()
    sink.open = False
    log = RecordLog(sink)
    for number in range(5000):
        log.add_json(Kind.STATE, number, {"state": "rolling"})
        log.flush(number)
    sink.open = True
    log.flush(0)
    assert len(sink.data) <= 65_536
    assert log.dropped + len(list(RecordReader().feed(bytes(sink.data)))) == 5000


def test_a_new_log_numbers_on_from_a_dead_one() -> None:
    """What the dead one numbered and could not write is a gap to the reader, and no number comes twice."""
    memory, sink = memoryview(bytearray(NUMBER_BYTES)), _Gate()
    first = RecordLog(sink, 7)
    first.keep_number_in(memory)
    assert not first.go_on(), "nobody was before it"
    for number in range(3):
        first.add(Kind.SENT, number)
        first.flush(number)
    sink.open = False
    first.add(Kind.SENT, 3)
    first.flush(3)
    first.add(Kind.SENT, 4)  # not even tried: as if it had never been
    sink.open = True
    second = RecordLog(sink, 7)
    second.keep_number_in(memory)
    assert second.go_on()
    second.add(Kind.FINDING, 5, data=b"{}")
    second.flush(5)
    assert [record.seq for record in RecordReader().feed(bytes(sink.data))] == [7, 8, 9, 11]
