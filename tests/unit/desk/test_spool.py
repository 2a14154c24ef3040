"""The spool loses nothing to a reader that dies between reading and using."""

from __future__ import annotations

import errno
import os
import select

import pytest

from runner.desk.spool import KEPT_BYTES, RecordSpool
from runner.takes.format import DATA_SIZE, RECORD_SIZE, Kind, Record, pack_record


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


def test_what_is_used_and_not_safe_is_there_for_the_next_reader() -> None:
    """While the disk takes nothing, what was used stays; once all is safe, it goes."""
    read, write = os.pipe()
    spool = os.memfd_create("spool")
    first = RecordSpool(read, spool)
    for seq in (1, 2, 3):
        os.write(write, pack_record(Kind.SENT, seq, seq))
        assert _seqs(first.read()) == [seq]
        first.used(safe=False)
    second = RecordSpool(read, spool)
    assert _seqs(second.left_over()) == [1, 2, 3]
    second.used(safe=False)
    assert _seqs(RecordSpool(read, spool).left_over()) == [1, 2, 3]
    second.used()
    assert os.fstat(spool).st_size == 0


def test_beyond_its_bound_the_spool_keeps_what_is_vital() -> None:
    """Of what comes when the memory file is full the begin and end of takes stay, in their order."""
    read, write = os.pipe()
    spool = os.memfd_create("spool")
    reader, count = RecordSpool(read, spool), 512
    blocks = KEPT_BYTES // RECORD_SIZE // count + 3
    for block in range(blocks):
        seq = block * count + 1
        ticks = b"".join(pack_record(Kind.TICK_SENT, n, n) for n in range(seq, seq + count - 1))
        os.write(write, ticks + pack_record(Kind.STATE, seq + count - 1, block))
        reader.read()
        reader.used(safe=False)
    kept = RecordSpool(read, spool).left_over()
    assert os.fstat(spool).st_size < KEPT_BYTES + 10 * RECORD_SIZE
    assert _seqs(kept) == sorted(_seqs(kept))
    assert [r.t_ns for r in kept if r.kind == Kind.STATE] == list(range(blocks))
    assert _seqs(kept)[:1000] == list(range(1, 1001))


def _with_room_for(records: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a memory file hold so many records: what splice moves ends there, then it fails."""
    real = os.splice

    def limited(source: int, target: int, count: int, *, offset_dst: int) -> int:
        room = records * RECORD_SIZE - offset_dst
        if room <= 0 and select.select([source], [], [], 0)[0]:
            raise OSError(errno.EFBIG, "File too large")
        return real(source, target, min(max(1, room), count), offset_dst=offset_dst)

    monkeypatch.setattr(os, "splice", limited)


def test_without_room_to_keep_them_records_are_still_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit of file size holds for memory files too (setrlimit(2), EFBIG): what is only kept goes."""
    read, write = os.pipe()
    spool = os.memfd_create("spool")
    _with_room_for(2, monkeypatch)
    reader = RecordSpool(read, spool)
    for seq in (1, 2, 3):
        os.write(write, pack_record(Kind.SENT, seq, seq))
        assert _seqs(reader.read()) == [seq]
        reader.used(safe=False)
    assert _seqs(RecordSpool(read, spool).left_over()) == [3]


@pytest.mark.parametrize("before", range(4))
def test_a_message_of_which_a_part_has_no_room_is_read_whole(
    before: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What came before it goes; what has come of it stays, also for the next reader."""
    read, write = os.pipe()
    spool = os.memfd_create("spool")
    _with_room_for(4, monkeypatch)
    reader = RecordSpool(read, spool)
    text = bytes(range(3 * DATA_SIZE))
    records = [pack_record(Kind.SENT, seq, seq) for seq in range(1, before + 1)]
    os.write(write, b"".join([*records, pack_record(Kind.STATE, before + 1, 7, data=text)]))
    found: list[Record] = []
    while some := reader.read():
        found += some
        reader.used(safe=False)
    assert _seqs(found) == list(range(1, before + 2))
    assert found[-1].data == text
    assert RecordSpool(read, spool).left_over()[-1].data == text


def test_a_message_that_is_larger_than_all_room_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing can be given up for it."""
    read, write = os.pipe()
    _with_room_for(2, monkeypatch)
    os.write(write, pack_record(Kind.STATE, 1, 7, data=bytes(3 * DATA_SIZE)))
    with pytest.raises(OSError, match="too large"):
        RecordSpool(read, os.memfd_create("spool")).read()
