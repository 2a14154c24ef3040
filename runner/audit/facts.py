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
from typing import Any, NamedTuple

from runner.audit.clock import ClockFigures, TrackFigures, clock_figures
from runner.audit.verdict import Limits
from runner.music.moment import SongTime
from runner.takes.declared import Declared
from runner.takes.legs import PlayedLegs
from runner.takes.model import IDLE_FROM, NO_DUE, Event, Take

NEAR_NS = 300_000_000  #: facts this near in time may belong together
LOOKED_NS = (
    2_200_000_000  #: a port's absence is seen this much later at most: it is asked about once a second
)
_RETIMED = 1.5  #: of the followed clock's own error nearby: by so much a relayed clock is moved, never late
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
    history: Sequence[History] = ()  #: other takes of the song, as far as they are to be compared with
    _by_kind: dict[str, list[Event]] = field(default_factory=dict)
    _traffic: dict[tuple[str, str], tuple[array[int], array[int]]] = field(default_factory=dict)
    _late: list[LateTick] | None = None
    _moves: list[Event] | None = None

    @classmethod
    def of_take(
        cls, take: Take, *, lost: int = 0, recovered: bool = False, history: Sequence[History] = ()
    ) -> Facts:
        """Return the facts of a take; `history` is what other takes of its song have to be compared with."""
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
            history,
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
            followed = self.followed_quarters(t_ns)
            return None if followed is None else self.time.at_text(followed)
        if self.legs is not None:
            return self.legs.at(t_ns)
        try:
            quarters = self.time.tempo.quarters_at(t_ns)
        except (ValueError, OverflowError):
            return None
        return self.time.at_text(Fraction(round(quarters * 24), 24))

    @property
    def master_moves(self) -> list[Event]:
        """Start, Continue, Stop and Song Position Pointer of the followed machine, in order."""
        if self._moves is None:
            port = self.declared.source
            self._moves = [
                event
                for event in self.of_kind("received")
                if event.port == port and event.data[:1] in (b"\xfa", b"\xfb", b"\xfc", b"\xf2")
            ]
        return self._moves

    def followed_quarters(self, t_ns: int) -> Fraction | None:
        """Return the song position of a time by counting the master's clocks from its Start; None before it.

        Counted on the audit's own grid, not by what the follower made of it at the time.
        """
        source = self.clock.source
        if source is None or source.grid is None:
            return None
        moves = [event for event in self.master_moves if event.t_ns <= t_ns and event.data[:1] != b"\xfc"]
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

    @property
    def told(self) -> frozenset[str]:
        """The codes of what the engine and the clock watch found while the take ran."""
        return frozenset(str(event.detail.get("code")) for event in self.of_kind("finding"))

    def gone_near(self, port: str, t_ns: int) -> Event | None:
        """Return the event that a port was found to be gone, if that fits something at `t_ns`."""
        for event in self.of_kind("presence"):
            name = event.port or str(event.detail.get("port", ""))
            if name != port or event.detail.get("present") is not False:
                continue
            if -NEAR_NS <= event.t_ns - t_ns <= LOOKED_NS or self._still_gone(port, event.t_ns, t_ns):
                return event
        return None

    def _still_gone(self, port: str, gone_ns: int, t_ns: int) -> bool:
        """Return whether a port that went at `gone_ns` was away at `t_ns`, or had only just come back."""
        if t_ns < gone_ns:
            return False
        back = (
            event.t_ns
            for event in self.of_kind("presence")
            if (event.port or str(event.detail.get("port", ""))) == port
            and event.t_ns > gone_ns
            and event.detail.get("present") is True
        )
        return t_ns <= next(back, t_ns) + NEAR_NS

    @property
    def late_ticks(self) -> list[LateTick]:
        """All clocks that this computer sent later or earlier than the limit allows, in order of time.

        A clock that is passed on is due at its predicted time; where the followed clock itself was off, the
        prediction moved after the clock had been planned, and that is no lateness of ours.
        """
        if self._late is None:
            moved = _Moved(self.clock.source if self.declared.role == "follower" else None)
            rows = []
            for figures in self.clock.tracks:
                if figures.direction != "out" or not figures.late_times(self.limits.clock_ns):
                    continue
                track = figures.track
                for t, due, number in zip(track.t_ns, track.due_ns, track.number, strict=True):
                    if due == NO_DUE or abs(t - due) <= self.limits.clock_ns:
                        continue
                    if self.declared.role == "follower" and number >= IDLE_FROM:
                        continue  # while the master stands, clocks are passed on as they come
                    if abs(t - due) > self.limits.clock_ns + _RETIMED * moved.near(t):
                        rows.append(LateTick(t, abs(t - due), track.port))
            self._late = sorted(rows)
        return self._late

    def late_near(self, t_ns: int, *, but_port: str = "", span_ns: int = NEAR_NS) -> LateTick | None:
        """Return the latest of our own clocks about a time, on any port but one."""
        rows = self.late_ticks
        low = bisect_left(rows, (t_ns - span_ns,))
        high = bisect_right(rows, (t_ns + span_ns, 2**62, ""))
        fits = [row for row in rows[low:high] if row.port != but_port]
        return max(fits, key=lambda row: row.size_ns, default=None)

    def time_of(self, quarters: Fraction) -> int | None:
        """Return when a song position was played, in ns from the anchor; None where that is not known."""
        if self.time is None or self.legs is not None:
            return None
        if self.declared.role != "follower":
            return self.time.tempo.ns_at(quarters)
        source = self.clock.source
        if source is None or source.grid is None:
            return None
        for index, number in enumerate(source.grid.number):
            at = self.followed_quarters(source.track.t_ns[index])
            if at is not None:
                wanted = number + round((quarters - at) * 24)
                there = bisect_left(source.grid.number, wanted)
                return source.track.t_ns[there] if there < len(source.track) else None
        return None

    @property
    def outcome(self) -> str | None:
        """How the take ended: complete, stopped, failed, or None if the log does not say."""
        end = self.take.end
        return outcome_of(end.detail) if end is not None else None


class LateTick(NamedTuple):
    """A clock of ours that went out beside its time: when, by how much, on which port."""

    t_ns: int
    size_ns: int
    port: str


@dataclass(frozen=True, slots=True)
class History:
    """What another take of the song says of its machines: see `runner.audit.alignment`."""

    take: str
    pass_name: str
    machines: Mapping[str, Mapping[str, Any]]
    settings: Mapping[str, Any] = field(default_factory=dict)


class _Moved:
    """How far the followed clock was off its prediction about a time, in ns."""

    def __init__(self, source: TrackFigures | None) -> None:
        self._times: list[int] = []
        self._sizes: list[int] = []
        if source is not None:
            for t, due in zip(source.track.t_ns, source.track.due_ns, strict=True):
                self._times.append(t)
                self._sizes.append(0 if due == NO_DUE else abs(t - due))

    def near(self, t_ns: int) -> int:
        low = bisect_left(self._times, t_ns - NEAR_NS)
        high = bisect_right(self._times, t_ns + NEAR_NS)
        return max(self._sizes[low:high], default=0)


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
