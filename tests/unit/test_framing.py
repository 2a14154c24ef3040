"""Packets and frames: cut anywhere, joined again; what breaks the rules is refused at once."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.errors import LinkError
from runner.framing import PART_SIZE, FrameReader, PacketJoiner, cut_packets, pack_frame


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(0, 3 * PART_SIZE)), max_size=4))
def test_packets_join_to_the_messages_they_were_cut_from(messages: list[tuple[int, int]]) -> None:
    """Kind and payload come back whole and in order."""
    joiner = PacketJoiner()
    got = []
    for number, (kind, size) in enumerate(messages):
        for packet in cut_packets(kind, number, bytes(size)):
            whole = joiner.feed(packet)
            if whole:
                got.append((whole[0], len(whole[1])))
    assert got == messages
    assert joiner.incomplete == 0


def test_a_message_whose_writer_died_is_dropped_and_counted() -> None:
    """After the first half of one message, the next message comes through whole."""
    joiner = PacketJoiner()
    first = list(cut_packets(2, 1, bytes(3 * PART_SIZE)))
    for packet in first[:2]:
        assert joiner.feed(packet) is None
    assert joiner.feed(next(iter(cut_packets(3, 2, b"stop")))) == (3, b"stop")
    assert joiner.incomplete == 1


@given(st.binary(max_size=200))
def test_hostile_packets_never_raise(data: bytes) -> None:
    """Whatever comes is a message, a part, or refused."""
    PacketJoiner().feed(data)


@given(st.lists(st.binary(max_size=50), max_size=8), st.integers(1, 40))
def test_frames_come_back_however_the_stream_is_cut(payloads: list[bytes], cut: int) -> None:
    """A frame may arrive byte by byte."""
    stream = b"".join(pack_frame(7, payload) for payload in payloads)
    reader = FrameReader(limit=100)
    got = [frame for at in range(0, len(stream), cut) for frame in reader.feed(stream[at : at + cut])]
    assert got == [(7, payload) for payload in payloads]


@pytest.mark.parametrize(
    "head", [b"\xff\xff\xff\xff\x01\x01", b"\x00\x00\x00\x01\x01\x01", b"\0\0\0\x05\x63\x01"]
)
def test_a_frame_that_breaks_the_rules_is_refused_before_anything_is_stored(head: bytes) -> None:
    """Too long, too short, or of another version."""
    with pytest.raises(LinkError):
        list(FrameReader(limit=1000).feed(head + b"abc"))
