"""A simulated clock master as a pure model: which bytes leave it, and when, from a script and a seed.

The model knows the truth (`true_ns`), so that a test can measure a follower against it. A port wraps it
to play the bytes in virtual or real time. Times are ns; counts are MIDI clocks from Start.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import cos, pi
from random import Random
from typing import Protocol

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
ACTIVE_SENSING = b"\xfe"
_DIN_BYTE_NS = 320_000  #: MIDI 1.0 p. 1: 10 bits at 31250 baud
_FASTEST_CLOCK_NS = 1_000_000  #: no second clock is faster than this
_USB_GRID_NS = 1_000_000  #: frames of a full-speed USB link


class Tempo(Protocol):
    """The time of each clock; the follower's tempo priors fit."""

    def ns_of(self, count: float) -> float:
        """Return the time of a clock count in ns; must rise with the count."""
        ...


@dataclass(frozen=True, slots=True)
class SteadyTempo:
    """One tempo throughout, in quarter notes a minute."""

    bpm: float = 120.0

    def ns_of(self, count: float) -> float:
        """Return the time of `count`; clock 0 is at 0."""
        return count * 60e9 / 24 / self.bpm


@dataclass(frozen=True, slots=True)
class Jitter:
    """How irregular the clock arrives.

    `sigma_ns`: white, Gaussian. `usb_grid`: arrivals fall on a 1 ms grid. `burst_every` > 0: about every
    so many clocks the link stalls for `burst_ns`, and what it held then arrives together.
    """

    sigma_ns: float = 0.0
    usb_grid: bool = False
    burst_every: int = 0
    burst_ns: float = 0.0


@dataclass(frozen=True, slots=True)
class Wow:
    """A tempo that sways: by `depth` (0.003 = 0.3 %) either way, once in `period_ns`."""

    depth: float = 0.0
    period_ns: float = 1e9


@dataclass(frozen=True, slots=True)
class MasterScript:
    """What a simulated master does.

    Args:
        tempo: time of each count; the session's own map for a faithful master.
        clocks: number of clocks in the song, from the start point on.
        lead: clocks sent before Start or Continue (0: none before).
        start_at: song position in MIDI beats; above 0 a Song Position Pointer and Continue are sent.
        late_start_ns: after the last clock of the lead, the time by which the start point comes late
            (a master whose clock begins anew when it starts).
        gap_ns: time from Start or Continue to the first clock (MIDI 1.0 p. 30: at least 1 ms).
        jitter, wow: see there. `drift`: clock faster than its map by this share (0.0001 = 100 ppm).
        missing: counts that are never sent. `doubled`: counts sent twice, the second so many ns later.
        without_start, without_stop: the transport message is left out.
        sensing: send active sensing when nothing else was sent for 270 ms.
        steps: count -> factor of the interval from there on, unknown to the map (1.05: 5 % slower).
        start_again: counts before which Start is sent once more, the Stop before it having been lost.
        floods: count -> so many controllers in a row from there on; clocks that fall among them are lost, or
            with `floods_delay` held back until the wire is free.
        second: another clock on the same wire, of this interval in ns (0: none).
        cut_after: nothing at all is sent from this count on (0: never).
        begin_ns: time of the start point's clock if there were no `late_start_ns`.
    """

    tempo: Tempo = field(default_factory=SteadyTempo)
    clocks: int = 1536
    lead: int = 0
    start_at: int = 0
    late_start_ns: int = 0
    gap_ns: int = 1_000_000
    jitter: Jitter = field(default_factory=Jitter)
    wow: Wow = field(default_factory=Wow)
    drift: float = 0.0
    missing: frozenset[int] = frozenset()
    doubled: Mapping[int, int] = field(default_factory=dict)
    without_start: bool = False
    without_stop: bool = False
    sensing: bool = False
    steps: Mapping[int, float] = field(default_factory=dict)
    start_again: frozenset[int] = frozenset()
    floods: Mapping[int, int] = field(default_factory=dict)
    floods_delay: bool = False
    second_interval_ns: int = 0
    cut_after: int = 0
    begin_ns: int = 10_000_000_000
    seed: int = 1


class ClockMaster:
    """The master of one script; `stream` gives what arrives, `true_ns` when each clock truly was."""

    def __init__(self, script: MasterScript) -> None:
        self.script = script
        first = script.start_at * 6
        self.first_count = first
        self.last_count = first + script.clocks - 1
        origin = script.tempo.ns_of(first)
        step = script.tempo.ns_of(first + 1) - origin
        grid: list[float] = []
        extra = 0.0  # time added by unannounced steps so far
        factor = 1.0
        previous = origin
        for count in range(first, first + script.clocks + 1):
            at = script.tempo.ns_of(count)
            extra += (factor - 1.0) * (at - previous)
            previous = at
            factor = script.steps.get(count, factor)
            grid.append(at - origin + extra)
        begin = script.begin_ns + script.late_start_ns
        self._song = [begin + self._sway(ns) for ns in grid]
        self._lead = [script.begin_ns - self._sway(step * (script.lead - i)) for i in range(script.lead)]

    def _sway(self, ns: float) -> float:
        """Return true time after `ns` of the map: drift, and wow as the integral of its sine."""
        wow = self.script.wow
        swing = wow.depth * wow.period_ns / (2 * pi) * (1.0 - cos(2 * pi * ns / wow.period_ns))
        return ns / (1.0 + self.script.drift) + (swing if wow.depth else 0.0)

    def true_ns(self, count: int) -> float:
        """Return the time at which the song's clock `count` truly is, without jitter."""
        return self._song[count - self.first_count]

    def stream(self) -> Iterator[tuple[int, bytes]]:
        """Yield (arrival time in ns, message) in order of time; the same for the same script."""
        messages = sorted(self._messages(), key=lambda message: message[0])
        if self.script.floods:
            messages = self._flooded(messages)
        if self.script.second_interval_ns:
            messages = self._doubled_source(messages)
        if 0 < self.script.cut_after - self.first_count < self.script.clocks:
            end = self.true_ns(self.script.cut_after) - 1_000_000
            messages = [message for message in messages if message[0] < end]
        yield from self._sensed(messages)

    def _messages(self) -> list[tuple[int, bytes]]:
        script = self.script
        random = Random(script.seed)
        out: list[tuple[int, bytes]] = []
        stalled_until = 0.0
        last = 0
        for count, true in self._clock_times():
            arrival = true + random.gauss(0.0, script.jitter.sigma_ns)
            stalls = script.jitter.burst_every and random.random() < 1.0 / script.jitter.burst_every
            if stalls:
                stalled_until = max(stalled_until, arrival + script.jitter.burst_ns)
            arrival = max(arrival, stalled_until)
            if script.jitter.usb_grid:
                arrival = -(-arrival // _USB_GRID_NS) * _USB_GRID_NS
            at = max(round(arrival), last + _DIN_BYTE_NS if stalled_until == arrival else last)
            if count == self.first_count and not script.without_start:
                out += self._start_messages(at)
            if count is not None and count in script.missing:
                continue
            last = at
            if count is not None and count in script.start_again:
                out.append((at - script.gap_ns, START))
            out.append((at, CLOCK))
            if count is not None and count in script.doubled:
                out.append((at + script.doubled[count], CLOCK))
        if not script.without_stop:
            out.append((round(self._song[script.clocks]) + 500_000, STOP))
        return out

    def _flooded(self, messages: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
        """Put the floods of controllers in; what else falls into one is lost or held back."""
        out = list(messages)
        for count, number in self.script.floods.items():
            if not 0 <= count - self.first_count < self.script.clocks:
                continue
            begin = round(self.true_ns(count))
            end = begin + number * 3 * _DIN_BYTE_NS
            within = [message for message in out if begin <= message[0] < end]
            out = [message for message in out if not begin <= message[0] < end]
            for index in range(number):
                out.append((begin + (index + 1) * 3 * _DIN_BYTE_NS, bytes((0xB0, 1, index % 128))))
            for index, (_, data) in enumerate(within):
                if self.script.floods_delay or data != CLOCK:
                    out.append((end + (index + 1) * _DIN_BYTE_NS, data))
        return sorted(out, key=lambda message: message[0])

    def _doubled_source(self, messages: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
        """Add a second machine's clock, from a few beats after ours on."""
        begin, end = messages[0][0], messages[-1][0]
        step = max(_FASTEST_CLOCK_NS, self.script.second_interval_ns)
        begin += 100 * step + step // 3
        return merged(iter(messages), ((t, CLOCK) for t in range(begin, end, step)))

    def _clock_times(self) -> Iterator[tuple[int | None, float]]:
        for true in self._lead:
            yield None, true
        for index in range(self.script.clocks):
            yield self.first_count + index, self._song[index]

    def _start_messages(self, first_clock_ns: int) -> list[tuple[int, bytes]]:
        at = first_clock_ns - self.script.gap_ns
        beats = self.script.start_at
        if not beats:
            return [(at, START)]
        return [(at - 3 * _DIN_BYTE_NS, bytes((0xF2, beats & 0x7F, beats >> 7))), (at, CONTINUE)]

    def _sensed(self, messages: list[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
        idle = 270_000_000
        last: int | None = None
        for at, data in messages:
            if self.script.sensing and last is not None:
                while at - last > idle:
                    last += idle
                    yield last, ACTIVE_SENSING
            yield at, data
            last = at


def merged(*streams: Iterator[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """Return several streams as one port that they are all plugged into would see them."""
    return sorted((message for stream in streams for message in stream), key=lambda message: message[0])


class ClockTarget(Protocol):
    """What can be fed with a master's messages."""

    def clock(self, arrival_ns: int) -> object: ...
    def start(self, t_ns: int) -> None: ...
    def continue_(self, t_ns: int) -> None: ...
    def stop(self, t_ns: int) -> None: ...
    def position(self, midi_beats: int, t_ns: int) -> None: ...


def feed(target: ClockTarget, t_ns: int, data: bytes) -> None:
    """Hand one message of a master to a follower or listener; what is no clock or transport is left out."""
    status = data[0]
    if status == 0xF8:
        target.clock(t_ns)
    elif status == 0xFA:
        target.start(t_ns)
    elif status == 0xFB:
        target.continue_(t_ns)
    elif status == 0xFC:
        target.stop(t_ns)
    elif status == 0xF2:
        target.position(data[1] | data[2] << 7, t_ns)
