"""Memory ports: what the scripted cable does to messages."""

from __future__ import annotations

import pytest

from runner.ports.base import PortConfig, SendError
from runner.ports.memory import Cable, MemoryPort, NullPort, memory_pair


class Clock:
    """Virtual time."""

    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        return self.now


def _note(number: int) -> bytes:
    return bytes((0x90, number % 128, 1))


def test_a_plain_cable_delivers_at_once() -> None:
    """Without delay a message is there within `send`, stamped with the time of it."""
    clock = Clock()
    one, other = memory_pair(clock=clock)
    got: list[tuple[int, bytes]] = []
    other.start(lambda arrival, data: got.append((arrival, data)))
    clock.now = 7
    one.send(b"\xf8")
    assert got == [(7, b"\xf8")]
    assert one.sent[0] == (7, b"\xf8")
    assert one.describe() == "memory, joined to other"


def test_delay_and_jitter_keep_the_order() -> None:
    """Each message comes between `delay` and `delay + jitter` later, never before the one ahead of it."""
    clock = Clock()
    cable = Cable(delay_ns=1000, jitter_ns=5000, seed=4)
    one, other = memory_pair(clock=clock, there=cable)
    got: list[tuple[int, bytes]] = []
    other.start(lambda arrival, data: got.append((arrival, data)))
    for number in range(100):
        clock.now = number * 700
        one.send(_note(number))
    assert got == []
    while (due := other.next_deadline_ns()) is not None:
        other.due(due)
    assert [data for _, data in got] == [_note(number) for number in range(100)]
    lateness = [arrival - number * 700 for number, (arrival, _) in enumerate(got)]
    assert min(lateness) >= 1000
    assert max(lateness) <= 6000
    assert max(lateness) - min(lateness) > 1000


def test_the_same_seed_loses_the_same_messages() -> None:
    """Loss is a share of all, by seed; named messages are lost besides."""

    def lost(seed: int) -> list[int]:
        one, other = memory_pair(there=Cable(loss=0.2, lose=frozenset((0,)), seed=seed))
        got: list[int] = []
        other.start(lambda _arrival, data: got.append(data[1]))
        for number in range(120):
            one.send(_note(number))
        assert len(one.sent) == 120
        return sorted(set(range(120)) - set(got))

    assert lost(1) == lost(1)
    assert lost(1) != lost(2)
    assert 0 in lost(1)
    assert 10 <= len(lost(1)) <= 40  # 24 expected; four standard deviations of a binomial are 17.5


def test_a_cable_refuses_as_told() -> None:
    """Named sends raise, and all from a number on; those between go through."""
    one, _ = memory_pair(there=Cable(refuse=frozenset((1,)), refuse_from=3))
    results: list[bool] = []
    for number in range(5):
        try:
            one.send(_note(number))
            results.append(True)
        except SendError:
            results.append(False)
    assert results == [True, False, True, False, False]
    assert (one.counts.sent, one.counts.send_errors) == (2, 3)


def test_a_cable_holds_the_sender_up() -> None:
    """A held send keeps its sender for the time set; by default it sleeps, here it is only told."""
    held: list[int] = []
    one, _ = memory_pair(there=Cable(hold=frozenset((1,)), hold_ns=4_000_000), hold=held.append)
    for number in range(3):
        one.send(_note(number))
    assert held == [4_000_000]


def test_an_end_that_is_gone_is_not_present() -> None:
    """When the other end closes, this one is no longer present and sending to it does no harm."""
    one, other = memory_pair()
    other.close()
    assert not one.present()
    one.send(b"\xf8")
    assert other.counts.received == 0


def test_what_is_recorded_can_be_bounded() -> None:
    """With `keep` only the last messages are held; all are counted."""
    port = MemoryPort(PortConfig("memo", "memory"), Clock(), keep=3)
    for number in range(10):
        port.send(_note(number))
    assert [sent.data for sent in port.sent] == [_note(7), _note(8), _note(9)]
    assert port.counts.sent == 10


def test_a_null_port_counts_and_refuses_when_closed() -> None:
    """It takes everything while open and hears nothing."""
    port = NullPort(PortConfig("away", "null"))
    port.start(lambda arrival, data: None)
    port.send(b"\xf8")
    assert port.counts.sent == 1
    assert port.next_deadline_ns() is None
    port.close()
    with pytest.raises(SendError, match="away"):
        port.send(b"\xf8")
    assert not port.present()
