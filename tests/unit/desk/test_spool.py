"""The spool loses nothing to a reader that dies between reading and using."""

from __future__ import annotations

import os

from runner.desk.spool import RecordSpool
from runner.takes.format import Kind, pack_record


def _seqs(records: list) -> list[int]:
    return [record.seq for record in records]


def test_what_was_read_and_not_used_is_there_for_the_next_reader() -> None:
    """A second reader gets what the first did not declare used, and what came since."""
    read, write = os.pipe()
    spool = os.memfd_create("spool")
    first = RecordSpool(read, spool)
    os.write(write, b"".join(pack_record(Kind.SENT, seq, seq) for seq in (1, 2)))
    assert _seqs(first.read()) == [1, 2]
    first.used()
    os.write(write, pack_record(Kind.SENT, 3, 3))
    assert _seqs(first.read()) == [3]  # and here the first reader is killed
    os.write(write, pack_record(Kind.SENT, 4, 4))
    second = RecordSpool(read, spool)
    assert _seqs(second.left_over()) == [3]
    assert _seqs(second.read()) == [4]
    second.used()
    assert os.fstat(spool).st_size == 0


def test_a_long_message_in_two_reads_is_kept_until_it_is_whole() -> None:
    """`used` keeps the first half of a message whose second half has not come."""
    read, write = os.pipe()
    spool = os.memfd_create("spool")
    block = pack_record(Kind.SENT, 5, 5, data=bytes(range(60)))
    reader = RecordSpool(read, spool)
    os.write(write, block[:64])
    assert reader.read() == []
    reader.used()
    os.write(write, block[64:])
    again = RecordSpool(read, spool)
    records = again.left_over() + again.read()
    assert [record.data for record in records] == [bytes(range(60))]
