"""Splitting MIDI bytes into messages, against the vectors and rules of the MIDI 1.0 specification."""

from __future__ import annotations

from itertools import pairwise

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.ports.splitter import MAX_SYSEX_BYTES, MESSAGE_LENGTH, MessageSplitter, is_whole_message


def _hex(text: str) -> bytes:
    return bytes.fromhex(text)


@pytest.mark.parametrize(
    ("stream", "messages", "bad"),
    [
        # MIDI 1.0 Detailed Specification 4.2.1, p. A-1: running status
        ("90 3C 27 40 2B 43 25", ["90 3C 27", "90 40 2B", "90 43 25"], 0),
        ("90 3C 27 3C 00 3E 29", ["90 3C 27", "90 3C 00", "90 3E 29"], 0),
        # p. 5, 30: real time between the bytes of a message disturbs nothing
        ("90 3C F8 40", ["F8", "90 3C 40"], 0),
        ("90 3C 40 F8 3E 40", ["90 3C 40", "F8", "90 3E 40"], 0),
        ("F0 43 F8 12 F7", ["F8", "F0 43 12 F7"], 0),
        # p. A-2: system common clears running status, undefined real time does not, F4 does
        ("90 3C 40 F2 00 00 3E 40", ["90 3C 40", "F2 00 00"], 2),
        ("90 3C 40 F9 3E 40", ["90 3C 40", "90 3E 40"], 1),
        ("90 3C 40 F4 3E 40", ["90 3C 40"], 3),
        # p. 5, 29: a sysex ends with any status but real time
        ("F0 43 12 90 3C 40", ["F0 43 12 F7", "90 3C 40"], 0),
        # p. 5: a new status aborts an unfinished message; p. 6: data without status are ignored
        ("90 3C C0 05", ["C0 05"], 2),
        ("3C 40 90 3C 40", ["90 3C 40"], 2),
        # p. A-2: a sysex clears running status
        ("90 3C 40 F0 7D F7 3E 40", ["90 3C 40", "F0 7D F7"], 2),
        ("F7", [], 1),
    ],
)
def test_streams_of_the_specification(stream: str, messages: list[str], bad: int) -> None:
    """Each stream gives the messages and the count of bad bytes that the rules ask for."""
    splitter = MessageSplitter()
    assert splitter.feed(_hex(stream)) == [_hex(message) for message in messages]
    assert splitter.bad_bytes == bad


@pytest.mark.parametrize("packets", [False, True])
@given(data=st.binary(max_size=60), cuts=st.lists(st.integers(0, 60), max_size=5))
def test_no_input_raises_and_every_byte_is_accounted_for(packets: bool, data: bytes, cuts: list[int]) -> None:
    """Any bytes, cut anywhere, give only whole messages and never an error."""
    splitter = MessageSplitter(packets=packets)
    messages: list[bytes] = []
    edges = sorted({0, len(data), *(min(cut, len(data)) for cut in cuts)})
    for start, end in pairwise(edges):
        messages += splitter.feed(data[start:end])
    assert all(is_whole_message(message) for message in messages)
    splitter.reset()
    assert splitter.pending == 0
    assert splitter.bad_bytes <= len(data)


@given(data=st.binary(max_size=40), cut=st.integers(0, 40))
def test_where_a_stream_is_cut_makes_no_difference(data: bytes, cut: int) -> None:
    """A byte stream gives the same messages and bad bytes whole or in two pieces."""
    whole, parts = MessageSplitter(), MessageSplitter()
    assert whole.feed(data) == parts.feed(data[:cut]) + parts.feed(data[cut:])
    assert whole.bad_bytes == parts.bad_bytes


_KINDS = [spec["type"] for spec in mido.messages.specs.SPECS]


@given(kinds=st.lists(st.sampled_from(_KINDS), max_size=20))
def test_what_an_independent_encoder_writes_is_read_back(kinds: list[str]) -> None:
    """Messages encoded by mido 1.3 (an open library) come out one by one, with no byte called bad."""
    encoded = [bytes(mido.Message(kind).bytes()) for kind in kinds]
    splitter = MessageSplitter()
    assert splitter.feed(b"".join(encoded)) == encoded
    assert splitter.bad_bytes == 0


def test_lengths_agree_with_an_independent_table() -> None:
    """The length of each message with a fixed one is that of mido's table of the MIDI 1.0 messages."""
    for spec in mido.messages.specs.SPECS:
        if spec["type"] == "sysex":
            continue
        first = spec["status_byte"]
        for status in range(first, first + (16 if first < 0xF0 else 1)):
            assert MESSAGE_LENGTH[status] == spec["length"], hex(status)


def test_undefined_statuses_have_no_length() -> None:
    """F4, F5, F9 and FD are undefined (MIDI 1.0 table V and VI); data bytes are no status."""
    assert {status for status in range(0x80, 256) if not MESSAGE_LENGTH[status]} == {
        0xF0,
        0xF4,
        0xF5,
        0xF7,
        0xF9,
        0xFD,
    }
    assert not any(MESSAGE_LENGTH[:0x80])


def test_packets_have_no_running_status() -> None:
    """Data at the head of a packet do not become a note by what came in the packet before."""
    splitter = MessageSplitter(packets=True)
    assert splitter.feed(_hex("90 3C 40")) == [_hex("90 3C 40")]
    assert splitter.feed(_hex("3E 40")) == []
    assert splitter.feed(_hex("90 3C")) == []
    assert splitter.feed(_hex("40 F8")) == [b"\xf8"]
    assert splitter.bad_bytes == 5


def test_a_sysex_without_end_cannot_fill_the_memory() -> None:
    """A sysex beyond the limit is dropped and counted; the next message is read as ever."""
    splitter = MessageSplitter()
    block = bytes(64 * 1024)
    assert splitter.feed(b"\xf0") == []
    for _ in range(MAX_SYSEX_BYTES // len(block) + 2):
        assert splitter.feed(block) == []
        assert splitter.pending <= MAX_SYSEX_BYTES
    assert splitter.feed(_hex("F8 F7 90 3C 40")) == [b"\xf8", _hex("90 3C 40")]
    assert splitter.bad_bytes > MAX_SYSEX_BYTES


@pytest.mark.parametrize(
    "text", ["", "90 3C", "90 3C 40 40", "90 3C 80", "F0 01", "F0 80 F7", "F4", "40", "F7"]
)
def test_what_is_no_whole_message(text: str) -> None:
    """Too short, too long, a status among data, undefined statuses and stray data are told apart."""
    assert not is_whole_message(_hex(text))
