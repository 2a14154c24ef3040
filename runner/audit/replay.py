"""Follows a take's clock once more: what today's follower and watch make of the arrivals in its record.

Pure and deterministic. The take holds all that the follower had: arrivals to the ns, the order of clocks
and messages, the settings and where the master stood when it was armed; the song's tempo map is made
anew from the declared one and proved by its checksum. With the settings of the take, a follower that has
not changed decides what it decided then; every difference is named. So a take is a regression test:

    assert replay(read_take(folder)).differences == ()
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple

from runner.audit.replay_compare import (
    Decision,
    Difference,
    TickFigures,
    compare_ticks,
    differences_from_take,
    differences_of_settings,
    recorded_decisions,
)
from runner.audit.replay_settings import with_settings
from runner.errors import UsageError
from runner.plan.grid import build_grid
from runner.sync.findings import Finding
from runner.sync.listener import ClockListener
from runner.sync.prior import CLOCKS_PER_QUARTER, GridPrior
from runner.sync.record import FollowRecord, SongGrid
from runner.sync.reports import EventKind, FollowerEvent, Tick, TickVerdict
from runner.takes.model import NO_DUE, Event, Take
from runner.takes.reader import at_text_of

CLOCK = b"\xf8"
#: events of the follower that nothing else tells of; missing and extra clocks come as findings
_TOLD = {
    EventKind.STARTED: "the song begins",
    EventKind.STOPPED: "the master stopped",
    EventKind.LOCATED: "the master located",
    EventKind.DROPOUT: "clocks are overdue",
    EventKind.RELOCKED: "the clock is back",
    EventKind.LOST: "the clock is given up",
}


@dataclass(frozen=True, slots=True)
class Replay:
    """What came of a replay. `settings` are those tried in place of the take's own; `notes` are doubts."""

    take: str
    settings: Mapping[str, str]
    decisions: tuple[Decision, ...]
    differences: tuple[Difference, ...]
    ticks: TickFigures
    notes: tuple[str, ...] = ()

    @property
    def same(self) -> bool:
        """Whether all was decided, and every clock predicted, as in the take."""
        return not self.differences and not self.ticks.differing

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "take": self.take,
            "settings": dict(self.settings),
            "same": self.same,
            "decisions": [decision._asdict() for decision in self.decisions],
            "differences": [
                {"side": difference.side, **difference.decision._asdict()} for difference in self.differences
            ],
            "ticks": {name: getattr(self.ticks, name) for name in TickFigures.__slots__},
            "notes": list(self.notes),
        }


class Arrival(NamedTuple):
    """A message on the followed port, or (`own`) a clock that we sent; monotonic ns as recorded."""

    t_ns: int
    data: bytes
    own: bool = False


def replay(take: Take, settings: Mapping[str, str] | None = None) -> Replay:
    """Follow a take's clock again.

    Args:
        take: a take that followed another machine's clock.
        settings: keys and texts of `SETTINGS`, to be tried in place of the take's own.

    Raises:
        UsageError: a take that followed nothing, or whose record does not say how; a bad setting.
    """
    record = follow_record(take)
    changed = with_settings(record, settings or {})
    notes: list[str] = []
    prior = _prior(take, record, notes)
    own = _Run(take, record, record.listener(prior))
    own.play()
    tried = own
    recorded = recorded_decisions(take)
    differences = differences_from_take(recorded, own.decisions)
    if settings:
        if differences:
            notes.append(
                "with its own settings the take is not decided as it was either: see replay without any"
            )
        tried = _Run(take, changed, changed.listener(prior))
        tried.play()
        differences = differences_of_settings(recorded, own.decisions, tried.decisions)
    if tried.untold():
        notes.append(f"found besides, and not told one by one: {tried.untold()}")
    if take.damages:
        notes.append(f"{len(take.damages)} places of the take cannot be read; arrivals may be missing")
    if take.end is None:
        notes.append("the take's record breaks off; the replay ends with its last clock")
    return Replay(
        take.header.take,
        dict(settings or {}),
        tuple(tried.decisions),
        tuple(differences),
        _ticks(take, own, tried),
        tuple(notes),
    )


def _ticks(take: Take, own: _Run, tried: _Run) -> TickFigures:
    """Return the clocks' predictions beside those that were recorded."""
    track = take.tracks.get((take.declared.source, "in"))
    then = track.due_ns if track is not None else ()
    return compare_ticks(
        then, tried.dues, lambda at: tried.place_of_tick(at) or own.place_of_tick(at), tried.refused
    )


def follow_record(take: Take) -> FollowRecord:
    """Return what a take's follower began with; UsageError if the take does not say, or followed nothing."""
    if take.declared.role != "follower":
        raise UsageError(
            f"take {take.header.take} was its own clock master: there is no followed clock to replay"
        )
    data = next((event.detail["follow"] for event in take.of_kind("state") if "follow" in event.detail), None)
    if not isinstance(data, Mapping):
        raise UsageError(f"take {take.header.take} does not hold how its clock was followed: {_why(take)}")
    try:
        return FollowRecord.from_dict(data)
    except ValueError as error:
        raise UsageError(
            f"take {take.header.take} cannot be replayed, its 'follow' record: {error}"
        ) from None


def _why(take: Take) -> str:
    return f"{take.damages[0]}" if take.damages else "its state 'armed' is missing"


def arrivals(take: Take, record: FollowRecord) -> Iterator[Arrival]:
    """Yield what came in on the followed port, in the order in which it was read, and our own clocks."""
    anchor = take.header.anchor_ns
    port = take.declared.source
    track = take.tracks.get((port, "in"))
    times: Sequence[int] = track.t_ns if track is not None else ()
    numbers: Sequence[int] = track.number if track is not None else ()
    own = _own_clocks(take, record)
    mark = 0

    def clocks_until(index: int) -> Iterator[Arrival]:
        nonlocal mark
        while mark < index:
            yield Arrival(times[mark] + anchor, CLOCK)
            mark += 1

    rows: list[Arrival] = []
    for event in take.of_kind("received"):
        if event.port == port:
            rows += clocks_until(_clocks_before(event, numbers, times))
            rows.append(Arrival(event.t_ns + anchor, event.data))
    rows += clocks_until(len(times))
    sent = 0
    for row in rows:
        while sent < len(own) and own[sent] + anchor < row.t_ns:
            yield Arrival(own[sent] + anchor, CLOCK, own=True)
            sent += 1
        yield row


def _clocks_before(event: Event, numbers: Sequence[int], times: Sequence[int]) -> int:
    """Return how many of the take's clocks were read before a message."""
    if event.amount:
        return bisect_left(numbers, event.amount)
    return bisect_left(times, event.t_ns) if times and not numbers[0] else 0


def _own_clocks(take: Take, record: FollowRecord) -> Sequence[int]:
    ports = take.header.ports
    if record.own_port is None or record.own_port >= len(ports):
        return ()
    track = take.tracks.get((ports[record.own_port], "out"))
    return track.t_ns if track is not None else ()


def _prior(take: Take, record: FollowRecord, notes: list[str]) -> GridPrior | None:
    """Make the song's clock grid anew from the declared tempo map."""
    grid, declared = record.grid, take.declared
    tempo = declared.tempo()
    if tempo is None or grid.ticks < 2:
        notes.append("the take declares no tempo map; the tempo is found blind")
        return None
    step = Fraction(1, CLOCKS_PER_QUARTER)
    entry = Fraction(round(declared.entry_quarters * CLOCKS_PER_QUARTER)) * step
    clock_ns = build_grid(tempo, entry, entry + (grid.ticks - grid.entry) * step, grid.entry).clock_ns
    if SongGrid.sum_of(clock_ns) != grid.checksum:
        notes.append(
            "the song's clock grid cannot be made again exactly as it was: small differences may come of that"
        )
    return GridPrior(clock_ns, grid.first)


@dataclass(slots=True)
class _Run:
    """One pass of the arrivals through a listener."""

    take: Take
    record: FollowRecord
    listener: ClockListener
    decisions: list[Decision] = field(default_factory=list)
    dues: list[int] = field(default_factory=list)
    positions: list[int | None] = field(default_factory=list)
    refused: int = 0

    def play(self) -> None:
        """Feed everything, with the waits between, and close where the take was closed."""
        for arrival in arrivals(self.take, self.record):
            self._wait(arrival.t_ns)
            self._feed(arrival)
            self._drain()
        end_ns = self._end_ns()
        self._wait(end_ns)
        self.listener.advance(end_ns)
        self._drain()
        report, _ = self.listener.close(end_ns)
        self._drain()
        if self.listener.clocks_heard:
            self._add("settled", end_ns, None, report.text)
        self.decisions.sort(key=lambda decision: decision.t_ns)

    def _end_ns(self) -> int:
        """When the take's follower was closed, monotonic."""
        ends = [e.t_ns for e in self.take.of_kind("state") if e.detail.get("state") == "settled"]
        if self.take.end is not None:
            ends.append(self.take.end.t_ns)
        if not ends:
            ends = [track.t_ns[-1] for track in self.take.tracks.values() if len(track)] or [0]
            ends = [max(ends)]
        return ends[0] + self.take.header.anchor_ns

    def _wait(self, until_ns: int) -> None:
        """Let time pass up to an arrival, stopping where there is something to decide."""
        before = None
        while True:
            deadline = self.listener.next_deadline_ns()
            if deadline is None or deadline >= until_ns or deadline == before:
                return
            before = deadline
            self.listener.advance(deadline)
            self._drain()

    def _feed(self, arrival: Arrival) -> None:
        if arrival.own:
            self.listener.sent(arrival.t_ns)
            return
        tick = self.listener.take(arrival.data, arrival.t_ns)
        if tick is not None:
            self._tick(tick)

    def _tick(self, tick: Tick) -> None:
        self.refused += tick.verdict is TickVerdict.REFUSED
        self.positions.append(tick.clocks)
        due = 0 if tick.verdict is TickVerdict.REFUSED else tick.due_ns or 0
        self.dues.append(due - self.take.header.anchor_ns if due else NO_DUE)

    def _drain(self) -> None:
        for event in self.listener.events():
            self._on_event(event)
        for finding in self.listener.findings():
            self._on_finding(finding)

    def _on_event(self, event: FollowerEvent) -> None:
        if event.kind is EventKind.STATE:
            self._add("lock", event.t_ns, event.clocks, event.text)
        elif event.kind in _TOLD:
            text = _TOLD[event.kind]
            if event.kind is EventKind.RELOCKED:
                text += f"; {event.size:.0f} clocks were counted in"
            elif event.kind is EventKind.LOST:
                then = "the song goes on without it" if event.text == "carry-on" else "stop"
                text += f" after {event.size / 1e6:.0f} ms without: {then}"
            self._add(event.kind.value, event.t_ns, event.clocks, text)

    def _on_finding(self, finding: Finding) -> None:
        clocks = None if finding.clocks is None else round(finding.clocks)
        self._add("finding", finding.t_ns, clocks, finding.text, finding.code.value)

    def _add(self, kind: str, t_ns: int, clocks: int | None, text: str, code: str = "") -> None:
        anchor = self.take.header.anchor_ns
        self.decisions.append(Decision(kind, t_ns - anchor, self._at(clocks), text, code))

    def _at(self, clocks: int | None) -> str | None:
        if clocks is None:
            return None
        quarters = Fraction(clocks - (self.record.watch.lock_due or 0), CLOCKS_PER_QUARTER)
        return at_text_of(self.take.header)(quarters)

    def place_of_tick(self, index: int) -> str | None:
        """Return the song position of a clock; None if it was refused, or came while the master stood."""
        return self._at(self.positions[index])

    def untold(self) -> str:
        """Return what the watch found beyond what it tells; empty if nothing."""
        more = self.listener.watch.unreported
        return ", ".join(f"{count} more {code.value}" for code, count in more.items())
