"""Where a leg lies: the stretch of the song that it plays, how it is entered and left, and its clock grid."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from runner.plan.chase import ChannelKey, ChannelState, read_states
from runner.plan.columns import Draft, Rows, Sources
from runner.plan.grid import (
    CLOCKS_PER_QUARTER,
    ClockGrid,
    build_grid,
    lead_ticks,
    on_grid,
    steady_interval_ns,
)
from runner.plan.motion import Motion, early_clocks, motion_at
from runner.plan.place import Placed
from runner.plan.reporting import Reporter
from runner.plan.score import CueEvent, Score
from runner.plan.timeline import TimeCodeRole

EARLIER_CLOCKS = 96  #: of the leg before, that a seamless leg keeps clear of


@dataclass(frozen=True, slots=True)
class LegState:
    """How a leg leaves the rig, for the next one to go on from.

    `clocks_ns` are the times of its last clocks against the seam (negative), offsets not applied;
    `quarters` is the place in its song at which it is left.
    """

    motions: Mapping[int, Motion]
    channels: Mapping[ChannelKey, ChannelState]
    clocks_ns: tuple[int, ...] = ()
    quarters: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Which part of a song a leg plays, and how it is entered and left.

    `before` is None for a leg that begins from rest; else it says how the rig was left. With `new_song`, what
    was before is another song, and the machines are started anew. `stops` legs end the roll: Stop is sent
    where the next clock would have been. `restart_notes` strikes the notes again that are sounding at the
    entry.
    """

    entry: Fraction
    exit_: Fraction
    before: LegState | None = None
    new_song: bool = False
    stops: bool = True
    restart_notes: bool = False


@dataclass(frozen=True, slots=True)
class Frame:
    """A stretch with its clock grid: all positions whole clocks, all times in ns of the song."""

    score: Score
    stretch: Stretch
    grid: ClockGrid
    entry: Fraction
    exit_: Fraction
    entry_ns: int
    exit_ns: int
    top: bool  #: from rest at the very beginning: lead, pre-roll and all
    pre_ticks: int  #: clocks of a count-in before an entry in mid-song

    @property
    def cold(self) -> bool:
        """Whether nothing rolls before it."""
        return self.stretch.before is None

    @property
    def whole_end(self) -> bool:
        """Whether it ends the roll where the song ends: whatever is still to come belongs to it."""
        return self.stretch.stops and self.exit_ >= self.score.time.end_quarters

    @property
    def jumps(self) -> bool:
        """Whether it goes on somewhere else than the leg before it was left: a loop, another song."""
        before = self.stretch.before
        return before is not None and (self.stretch.new_song or before.quarters != self.entry)

    @property
    def first_ns(self) -> int:
        """Song time from which on cues belong to the leg."""
        return -(1 << 62) if self.top else self.entry_ns

    @property
    def last_ns(self) -> int:
        """Song time from which on they do not."""
        return 1 << 62 if self.whole_end else self.exit_ns

    @property
    def roll_quarters(self) -> Fraction:
        """Where the bars begin that are counted or played: the count-in, else the entry."""
        return self.entry - Fraction(self.pre_ticks, CLOCKS_PER_QUARTER)

    def includes(self, cue: CueEvent) -> bool:
        """Return whether a cue belongs to the leg."""
        return self.first_ns <= cue.t_ns < self.last_ns

    def ns_of(self, quarters: Fraction) -> int:
        """Return the time of a position; before the entry of a cold leg the tempo is the entry's."""
        if quarters >= self.entry or not self.cold:
            return self.score.time.tempo.ns_at(quarters)
        interval = steady_interval_ns(self.score.time.tempo, self.entry)
        return self.entry_ns - round((self.entry - quarters) * CLOCKS_PER_QUARTER * interval)


def frame_of(score: Score, stretch: Stretch) -> Frame:
    """Return the frame of a stretch; entry and exit are taken back to whole clocks."""
    time = score.time
    cold = stretch.before is None
    top = cold and stretch.entry <= 0
    entry = on_grid(time.start_quarters if top else stretch.entry)
    exit_ = on_grid(stretch.exit_)
    lead = pre_ticks = 0
    if cold:
        lead = lead_ticks(time, score.lead, entry)
        if not top:
            pre_roll = time.span_quarters(score.pre_roll, entry, backward=True)
            pre_ticks = math.ceil(pre_roll * CLOCKS_PER_QUARTER)
            early = max((early_clocks(score, port, entry) for port in score.ports), default=0)
            lead = max(lead, early - pre_ticks)
    grid = build_grid(time.tempo, entry, exit_, lead + pre_ticks)
    entry_ns, exit_ns = time.tempo.ns_at(entry), time.tempo.ns_at(exit_)
    return Frame(score, stretch, grid, entry, exit_, entry_ns, exit_ns, top, pre_ticks)


def state_at(score: Score, quarters: Fraction) -> LegState:
    """Return how a whole roll would have left the rig just before a position."""
    at = on_grid(quarters)
    tempo = score.time.tempo
    seam_ns = tempo.ns_at(at)
    motions = {port.index: motion_at(score, port, at) for port in score.ports}
    step = Fraction(1, CLOCKS_PER_QUARTER)
    clocks = tempo.ns_of_grid(at - step * EARLIER_CLOCKS, step, EARLIER_CLOCKS)
    return LegState(
        motions,
        read_states(score.state_messages(seam_ns)),
        tuple(clock_ns - seam_ns for clock_ns in clocks),
        at,
    )


@dataclass(slots=True)
class Collected:
    """What a leg sends, while it is collected: rows with a time, and drafts that are yet to get one."""

    report: Reporter
    rows: Rows = field(default_factory=Rows)
    sources: Sources = field(default_factory=Sources)
    drafts: dict[int, list[Draft]] = field(default_factory=dict)  #: by port
    placed: list[Placed] = field(default_factory=list)
    time_codes: list[TimeCodeRole] = field(default_factory=list)

    def draft(self, draft: Draft) -> None:
        """Add something that may move."""
        self.drafts.setdefault(draft.port, []).append(draft)
