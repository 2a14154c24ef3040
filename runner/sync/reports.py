"""The plain values that a follower takes and gives: settings, what became of a clock, reports."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal, NamedTuple


@dataclass(frozen=True, slots=True)
class FollowerConfig:
    """How to follow. Times in ns, spans in MIDI clocks.

    `freewheel_ns`: how long the song goes on without clock; None takes `freewheel_clocks` at the
    present tempo. `on_dropout`: what then. `lock_limit_ns`: the standard deviation of the time
    predicted one beat ahead under which the follower calls itself locked. `jitter_guess_ns`: what the
    jitter is taken for until enough clocks have shown it.
    """

    freewheel_clocks: int = 48
    freewheel_ns: int | None = None
    on_dropout: Literal["stop", "carry-on"] = "stop"
    lock_limit_ns: int = 2_000_000
    min_bpm: float = 10.0
    max_bpm: float = 500.0
    jitter_guess_ns: int = 1_000_000

    def __post_init__(self) -> None:
        if not 0 < self.min_bpm < self.max_bpm:
            raise ValueError(f"tempo range {self.min_bpm} to {self.max_bpm} is empty")
        if self.freewheel_clocks < 1 or (self.freewheel_ns is not None and self.freewheel_ns < 1):
            raise ValueError("the freewheel span must be above 0")
        if self.lock_limit_ns < 1 or self.jitter_guess_ns < 1:
            raise ValueError("lock limit and jitter guess must be above 0")


class TickVerdict(Enum):
    """What a clock byte was taken for."""

    COUNTED = "counted"
    IDLE = "idle"  #: the transport is stopped; used for phase and tempo only
    PENDING = "pending"  #: counted for now; the next clocks tell whether it was late, extra or after a gap
    REFUSED = "refused"


class Tick(NamedTuple):
    """What became of one clock byte.

    `clocks` is its song position (None when not playing or refused), `due_ns` the time at which it was
    predicted (None while unknown), `jitter_ns` the standard deviation of arrivals at the time.
    """

    verdict: TickVerdict
    clocks: int | None
    due_ns: int | None
    jitter_ns: float


class EventKind(Enum):
    """What a follower reports beside the ticks' own verdicts."""

    STATE = "state"  #: the lock state changed; text names it
    STARTED = "started"  #: the first clock after Start or Continue; clocks is where
    STOPPED = "stopped"
    LOCATED = "located"
    MISSING = "missing"  #: size clocks from `clocks` on never came
    EXTRA = "extra"  #: one clock too many came just before `clocks`
    STEP = "step"  #: the tempo changed unannounced; size is the ratio of tempos, new to old
    JUMP = "jump"  #: the phase moved by size ns (later is positive), tempo as before
    DROPOUT = "dropout"  #: clocks are overdue from `clocks` on: freewheeling
    RELOCKED = "relocked"  #: the clock is back; size clocks had been counted in
    LOST = "lost"  #: the freewheel span is over; size ns without a clock
    REDUNDANT = "redundant"  #: a transport message that changes nothing; text names it
    POSITION_REFUSED = "position refused"  #: a song position while playing; size is its clock count
    REFUSED = "refused"  #: size clocks were refused; text says why


class FollowerEvent(NamedTuple):
    """One report; t_ns is when it was so, `clocks` the song position if in the song."""

    kind: EventKind
    t_ns: int
    clocks: int | None = None
    size: float = 0.0
    text: str = ""
