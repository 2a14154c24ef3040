"""What the rules of an audit look at: a take, its figures, and quick answers to "what else was there then".

Pure.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from operator import attrgetter

from runner.audit.clock import ClockFigures, TrackFigures, clock_figures
from runner.audit.verdict import Limits
from runner.music.moment import SongTime
from runner.takes.declared import Declared
from runner.takes.legs import PlayedLegs
from runner.takes.model import Event, Take

NEAR_NS = 300_000_000  #: facts this near in time may belong together
DIN_BYTE_NS = 320_000  #: MIDI 1.0 Detailed Specification 4.2.1, p. 1: 31.25 kbaud, 10 bits a byte


@dataclass(slots=True)
class Facts:
    """A take with its figures. `lost` counts records that its writer could not write at all."""

    take: Take
    declared: Declared
    limits: Limits
    time: SongTime | None
    clock: ClockFigures
    lost: int = 0
    recovered: bool = False
    legs: PlayedLegs | None = None  #: of a roll that was no plain run through one song
    _by_kind: dict[str, list[Event]] = field(default_factory=dict)
    _traffic: dict[tuple[str, str], tuple[array[int], array[int]]] = field(default_factory=dict)

    @classmethod
    def of_take(cls, take: Take, *, lost: int = 0, recovered: bool = False) -> Facts:
        """Return the facts of a take."""
        declared = take.declared
        facts = cls(
            take,
            declared,
            Limits.from_mapping(take.header.limits),
            declared.song_time(),
            clock_figures(take, declared),
            lost,
            recovered,
            PlayedLegs.of_take(take.events, declared, take.header.song),
        )
        for event in take.events:
            facts._by_kind.setdefault(event.kind, []).append(event)
        return facts

    def of_kind(self, *kinds: str) -> list[Event]:
        """Return the events of these kinds, in the order of kinds, then of time."""
        return [event for kind in kinds for event in self._by_kind.get(kind, ())]

    def of_kinds_in_time(self, *kinds: str) -> list[Event]:
        """Return the events of these kinds in the order of time."""
        return sorted(self.of_kind(*kinds), key=attrgetter("t_ns"))

    def near(self, kind: str, t_ns: int, port: str = "", span_ns: int = NEAR_NS) -> Event | None:
        """Return the event of a kind (on a port, if one is named) nearest to a time, None beyond the span."""
        best: Event | None = None
        for event in self._by_kind.get(kind, ()):
            name = event.port or str(event.detail.get("port", ""))
            away = abs(event.t_ns - t_ns)
            nearer = best is None or away < abs(best.t_ns - t_ns)
            if nearer and away <= span_ns and (not port or name == port):
                best = event
        return best

    def at(self, t_ns: int | None) -> str | None:
        """Return the song position of a time as text, where the declaration allows."""
        if t_ns is None or self.time is None:
            return None
        if self.declared.role == "follower":
            followed = self._followed_quarters(t_ns)
            return None if followed is None else self.time.at_text(followed)
        if self.legs is not None:
            return self.legs.at(t_ns)
        try:
            quarters = self.time.tempo.quarters_at(t_ns)
        except (ValueError, OverflowError):
            return None
        return self.time.at_text(Fraction(round(quarters * 24), 24))

    def _followed_quarters(self, t_ns: int) -> Fraction | None:
        """Return the song position of a time by counting the master's clocks from its Start; None before it.

        Counted on the audit's own grid, not by what the follower made of it at the time.
        """
        source = self.clock.source
        if source is None or source.grid is None:
            return None
        moves = [
            event
            for event in self.of_kind("received")
            if event.port == source.port
            and event.t_ns <= t_ns
            and event.data[:1] in (b"\xfa", b"\xfb", b"\xf2")
        ]
        start = next((event for event in reversed(moves) if len(event.data) == 1), None)
        if start is None:
            return None
        located = [event.data for event in moves if event.t_ns <= start.t_ns and len(event.data) == 3]
        beats = located[-1][1] | located[-1][2] << 7 if start.data == b"\xfb" and located else 0
        first = bisect_left(source.track.t_ns, start.t_ns)
        index = bisect_right(source.track.t_ns, t_ns) - 1
        if not first <= index < len(source.grid.number):
            return None
        clocks = beats * 6 + source.grid.number[index] - source.grid.number[first]
        return Fraction(clocks, 24) - Fraction(self.declared.pre_roll_quarters).limit_denominator(24)

    def bytes_between(self, port: str, direction: str, start_ns: int, end_ns: int) -> int:
        """Return how many bytes other than clock passed a port in a span of time."""
        kind = "received" if direction == "in" else "sent"
        times, sums = self._traffic.get((port, kind)) or self._sum_traffic(port, kind)
        low, high = bisect_left(times, start_ns), bisect_right(times, end_ns)
        return (sums[high - 1] if high else 0) - (sums[low - 1] if low else 0)

    def _sum_traffic(self, port: str, kind: str) -> tuple[array[int], array[int]]:
        rows = sorted((event.t_ns, len(event.data)) for event in self.of_kind(kind) if event.port == port)
        sums = array("q")
        total = 0
        for _, size in rows:
            total += size
            sums.append(total)
        result = (array("q", (t for t, _ in rows)), sums)
        self._traffic[port, kind] = result
        return result

    def late_elsewhere(self, port: str, t_ns: int, span_ns: int = NEAR_NS) -> TrackFigures | None:
        """Return the clocks of another port that were late at the same time: then it was not the port."""
        for figures in self.clock.tracks:
            if figures.direction != "out" or figures.port == port:
                continue
            if any(abs(t - t_ns) <= span_ns for t in figures.late_times(self.limits.clock_ns)):
                return figures
        return None

    @property
    def outcome(self) -> str | None:
        """How the take ended: complete, stopped, failed, or None if the log does not say."""
        end = self.take.end
        return outcome_of(end.detail) if end is not None else None


def outcome_of(detail: Mapping[str, object]) -> str:
    """Return how a take ended from the data of its end: its "outcome", or what its "why" amounts to."""
    outcome = detail.get("outcome")
    if outcome in ("complete", "stopped", "failed"):
        return str(outcome)
    if detail.get("died"):
        return "failed"
    return "complete" if detail.get("why") in ("end", "end of the song") else "stopped"


def worst(values: Sequence[tuple[int, int]]) -> tuple[int, int]:
    """Return the pair (time, size) of the largest size."""
    return max(values, key=lambda pair: pair[1])
