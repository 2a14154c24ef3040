"""004: long runs and hostile input: no false alarm in a day, nothing raises, memory stays bounded."""

from __future__ import annotations

import gc
import random
import sys
from collections import Counter
from enum import Enum
from types import FunctionType, ModuleType

import pytest

from runner.ports.masters import feed
from runner.ports.splitter import MessageSplitter
from runner.sync import EventKind, FollowerConfig, FollowerEvent, LockState, SteadyPrior
from runner.sync.findings import Code
from runner.sync.listener import ClockListener

T = 20_000_000
_ALARMS = {
    EventKind.DROPOUT, EventKind.LOST, EventKind.MISSING, EventKind.EXTRA, EventKind.STEP, EventKind.JUMP,
    EventKind.REFUSED,
}  # fmt: skip


def _assert_quiet(clocks: int, seed: int, *, told: bool = True) -> None:
    source = random.Random(seed)
    listener = ClockListener(prior=SteadyPrior(125.0) if told else None)
    listener.start(10**9 - 20_000_000)
    alarms: list[FollowerEvent] = []
    states: list[FollowerEvent] = []
    for count in range(clocks):
        listener.clock(round(10**9 + count * T + source.gauss(0, 3e6)))
        if count % 500 == 0 or count == clocks - 1:
            events = listener.events()
            alarms += [event for event in events if event.kind in _ALARMS]
            states += [event for event in events if event.kind is EventKind.STATE]
    assert alarms == []
    # from the first clock to the first lock, and never back
    assert [event.text.split(":")[0] for event in states] == ["silent -> acquiring", "acquiring -> locked"]
    assert listener.follower.state is LockState.LOCKED
    assert listener.findings() == []
    assert listener.follower.next_count == clocks


def test_six_minutes_at_3_ms_without_a_false_alarm() -> None:
    """At 3 ms of jitter nothing is taken for a dropout, missing or extra clock, and the lock holds."""
    _assert_quiet(18_000, 51)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("seed", "told"), [(52, True), (90_417, True), (271_828, False)])
def test_a_day_at_3_ms_without_a_false_alarm(seed: int, told: bool) -> None:
    """24 simulated hours at 3 ms and 125 BPM: no false dropout, no false lock loss; once told no tempo."""
    _assert_quiet(24 * 3600 * 50, seed, told=told)


class _Hostile:
    """Feeds a listener with nonsense of one kind, drained now and then as a player would."""

    def __init__(self, seed: int) -> None:
        self.source = random.Random(seed)
        self.listener = ClockListener(FollowerConfig(on_dropout="carry-on"), prior=SteadyPrior(125.0))
        self.found: Counter[Code] = Counter()
        self.texts: set[str] = set()
        self.now = 10**12
        self._rest = b""

    def byte_stream(self, events: int) -> None:
        """Random bytes, cut into messages as a port does, half of them of the kinds that move a transport."""
        splitter = MessageSplitter()
        done = 0
        while done < events:
            self.now += self.source.choice((100_000, T // 6, T))
            kinds = self.source.choices((0xF8, 0xFA, 0xFB, 0xFC, 0xF2, 0xFE), (20, 1, 1, 1, 2, 2), k=4)
            data = bytes(kinds) + self.source.randbytes(4)
            for message in splitter.feed(data):
                self.listener.take(bytes(message), self.now)
                done += 1

    def too_fast(self, events: int) -> None:
        """Clocks at 10 kHz."""
        for _ in range(events):
            self.now += 100_000
            self.listener.clock(self.now)

    def time_leaps(self, events: int) -> None:
        """Time leaps both ways, between calls of every kind."""
        source, listener = self.source, self.listener
        for _ in range(events):
            self.now += source.choice((0, 1, 100_000, T, T, T, 7 * T, -5 * T, -(10**11), 10**10))
            kind = source.random()
            if kind < 0.9:
                listener.clock(self.now)
            elif kind < 0.96:
                feed(listener, self.now, source.choice((b"\xfa", b"\xfb", b"\xfc")))
            elif kind < 0.98:
                feed(listener, self.now, bytes((0xF2, source.randrange(128), source.randrange(128))))
            else:
                listener.sensing(self.now)
                listener.message(self.now)
                listener.sent(self.now)
                listener.advance(self.now + source.randrange(10**10))

    def drain(self) -> None:
        for finding in self.listener.findings():
            assert finding.text
            self.found[finding.code] += 1
            if finding.code is Code.REFUSED:
                self.texts.add(finding.text)
        self.listener.events()


def _footprint(thing: object) -> int:
    """Return the bytes of all that an object holds, by walking it; code and classes left out."""
    seen: set[int] = set()
    todo, total = [thing], 0
    while todo:
        each = todo.pop()
        if id(each) in seen or isinstance(each, type | ModuleType | FunctionType | Enum):
            continue
        seen.add(id(each))
        total += sys.getsizeof(each)
        todo += gc.get_referents(each)
    return total


def _hostile(events: int, seed: int) -> tuple[int, int, _Hostile]:
    """Feed so much nonsense of each kind in turn; return the bytes held after a quarter and at the end."""
    hostile = _Hostile(seed)
    share = events // 60
    quarter = 0
    for part in range(20):
        for feeding in (hostile.byte_stream, hostile.too_fast, hostile.time_leaps):
            feeding(share)
            hostile.drain()
        if part == 4:
            quarter = _footprint(hostile.listener)
    end = _footprint(hostile.listener)
    hostile.listener.close(hostile.now)
    hostile.drain()
    return quarter, end, hostile


def _assert_unharmed(events: int, seed: int) -> None:
    quarter, end, hostile = _hostile(events, seed)
    assert max(quarter, end) < 400_000
    assert end < 1.5 * quarter, f"from {quarter} to {end} bytes"
    said = " ".join(hostile.texts)
    for why in ("clocks come faster than any tempo", "its time stamp goes backward"):
        assert why in said, hostile.texts
    assert hostile.found[Code.POSITION_REFUSED] > 0
    # and a sound clock is followed again, from a time beyond all that came
    listener, begin = hostile.listener, 10**15
    feed(listener, begin - 2_000_000, b"\xfc")  # a Start in mid-song is ignored (MIDI 1.0, p. 32)
    listener.start(begin - 1_000_000)
    for count in range(200):
        listener.clock(begin + count * T)
    assert listener.follower.state is LockState.LOCKED
    assert listener.follower.next_count == 200


def test_nonsense_neither_raises_nor_piles_up() -> None:
    """12,000 events: random bytes, 10 kHz, time leaping both ways. No exception, memory does not grow, and
    what was refused is said."""
    _assert_unharmed(12_000, 53)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("seed", [54, 90_417])
def test_a_million_events_of_nonsense(seed: int) -> None:
    """The same with 1,000,000 events."""
    _assert_unharmed(1_000_000, seed)


def test_undrained_findings_are_bounded() -> None:
    """Nobody fetches the findings of 20,000 redundant messages: 200 are kept, the others counted."""
    listener = ClockListener(prior=SteadyPrior(125.0))
    for index in range(20_000):
        listener.stop(index)
    assert len(listener.findings()) == 200
    assert sum(listener.watch.unreported.values()) == 19_800
