"""Follows another machine's MIDI clock: arrivals in; position, tempo and predicted times out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal, NamedTuple

from runner.sync.prior import TempoPrior
from runner.sync.states import LockState, Transport


@dataclass(frozen=True, slots=True)
class FollowerConfig:
    """How to follow. Times in ns, spans in MIDI clocks.

    `freewheel_ns`: how long the song goes on without clock; None takes `freewheel_clocks` at the
    present tempo. `on_dropout`: what then. `lock_limit_ns`: the standard deviation of the time
    predicted one beat ahead under which the follower calls itself locked.
    """

    freewheel_clocks: int = 48
    freewheel_ns: int | None = None
    on_dropout: Literal["stop", "carry-on"] = "stop"
    lock_limit_ns: int = 2_000_000
    min_bpm: float = 10.0
    max_bpm: float = 500.0
    jitter_guess_ns: int = 1_000_000


class TickVerdict(Enum):
    """What a clock byte was taken for."""

    COUNTED = "counted"
    IDLE = "idle"  #: the transport is stopped; used for phase and tempo only
    PENDING = "pending"  #: counted for now; the next clocks will tell whether it was late, missing or extra
    EXTRA = "extra"
    REFUSED = "refused"


class Tick(NamedTuple):
    """What became of one clock byte.

    `count` is its song position in clocks (None when not playing or not counted), `due_ns` the time
    at which it was predicted (None while unknown).
    """

    verdict: TickVerdict
    count: int | None
    due_ns: int | None


class EventKind(Enum):
    """What a follower reports beside the ticks' own verdicts."""

    STATE = "state"  #: the lock state changed; text names it
    STARTED = "started"  #: the first clock after Start or Continue; count is where
    STOPPED = "stopped"
    LOCATED = "located"
    MISSING = "missing"  #: size clocks from count on never came
    EXTRA = "extra"  #: one clock too many before count
    STEP = "step"  #: the tempo changed unannounced; size is the ratio of tempos, new to old
    JUMP = "jump"  #: the phase moved by size ns, tempo as before
    DROPOUT = "dropout"  #: clocks are overdue from count on: freewheeling
    RELOCKED = "relocked"  #: the clock is back; size clocks had been counted in
    LOST = "lost"  #: the freewheel span is over; size ns without a clock
    REDUNDANT = "redundant"  #: a transport message that changes nothing; text names it
    POSITION_REFUSED = "position refused"  #: a song position while playing; size is its clock count
    REFUSED = "refused"  #: size clocks were refused; text says why


class FollowerEvent(NamedTuple):
    """One report; t_ns is when it was so, count the song position in clocks if in the song."""

    kind: EventKind
    t_ns: int
    count: int | None
    size: float
    text: str


class Follower:
    """One followed clock. Feed it in order of time; it never waits, never raises on what came in.

    Times are monotonic ns. Call `advance` at `next_deadline_ns` (and whenever convenient).
    """

    def __init__(self, config: FollowerConfig | None = None, prior: TempoPrior | None = None) -> None:
        raise NotImplementedError

    def clock(self, arrival_ns: int) -> Tick:
        """Take one F8 that arrived at `arrival_ns`."""
        raise NotImplementedError

    def start(self, t_ns: int) -> None:
        """Take FA: the next clock is the downbeat, count 0."""
        raise NotImplementedError

    def continue_(self, t_ns: int) -> None:
        """Take FB: the next clock plays the kept position."""
        raise NotImplementedError

    def stop(self, t_ns: int) -> None:
        """Take FC: keep the position; clocks that follow serve phase and tempo only."""
        raise NotImplementedError

    def position(self, midi_beats: int, t_ns: int) -> None:
        """Take F2: locate to `midi_beats` (0 to 16383, 6 clocks each); refused while playing."""
        raise NotImplementedError

    def advance(self, now_ns: int) -> None:
        """Let time pass: notice overdue clocks and the end of the freewheel span."""
        raise NotImplementedError

    def next_deadline_ns(self) -> int | None:
        """When `advance` next has something to decide; None while nothing can fall due."""
        raise NotImplementedError

    def time_of(self, count: float) -> int | None:
        """Return the predicted time of song position `count` (clocks, fractions allowed), past or future.

        While the transport is stopped or starting: None before the first clock plays. None also while no
        tempo is known.
        """
        raise NotImplementedError

    def count_at(self, now_ns: int) -> float | None:
        """Return the song position at `now_ns` in clocks, between ticks too; the kept one when stopped."""
        raise NotImplementedError

    @property
    def state(self) -> LockState:
        """How far the clock can be trusted."""
        raise NotImplementedError

    @property
    def transport(self) -> Transport:
        """Stopped, starting or playing."""
        raise NotImplementedError

    @property
    def next_count(self) -> int:
        """The song position, in clocks, that the next clock will play (or would, when stopped)."""
        raise NotImplementedError

    @property
    def bpm(self) -> float | None:
        """Tempo at the present position in quarter notes a minute; None while unknown."""
        raise NotImplementedError

    @property
    def rate(self) -> float | None:
        """Tempo against the song's own, 1.0 when equal; None while unknown or when no prior was given."""
        raise NotImplementedError

    @property
    def jitter_ns(self) -> float:
        """Standard deviation of the arrivals about the estimated line."""
        raise NotImplementedError

    def events(self) -> list[FollowerEvent]:
        """Return what there is to report since the last call, oldest first, at most 1024 reports."""
        raise NotImplementedError

    def set_prior(self, prior: TempoPrior | None) -> None:
        """Take another song's tempo map; the estimate so far is kept as the rate of the old map's tempo."""
        raise NotImplementedError

    def reset(self, now_ns: int) -> None:
        """Forget everything but the configuration and the prior."""
        raise NotImplementedError
