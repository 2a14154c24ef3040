"""The follower's two state machines, as tables: how far the clock can be trusted, and the transport.

Rules of this file: every (state, event) pair is listed; a pair that changes nothing says so with the
state's own name in the `NO_CHANGE` set, so that a forgotten pair cannot pass for a deliberate one.
The file knows no time and no estimate; the follower decides which event has happened.
"""

from __future__ import annotations

from enum import Enum

from runner.errors import StateError


class LockState(Enum):
    """How far the incoming clock can be trusted."""

    SILENT = "silent"  #: no clock has come for a while, and none is missed
    ACQUIRING = "acquiring"  #: clock comes in, its tempo and phase are not yet known well enough
    LOCKED = "locked"  #: the time of a clock one beat ahead is known within the lock limit
    FREEWHEELING = "freewheeling"  #: clocks are overdue; time goes on by prediction
    LOST = "lost"  #: the freewheel span ran out while the song was playing


class LockEvent(Enum):
    """What happens to the lock."""

    TICK = "tick"  #: a clock that fits was counted
    MISFIT = "misfit"  #: the clock came back after a gap, and not where it was predicted
    SETTLED = "settled"  #: the prediction one beat ahead is within the lock limit
    SHAKEN = "shaken"  #: the prediction has been worse than twice the limit for a beat
    OVERDUE = "overdue"  #: more than one clock is late beyond doubt
    SPAN_OVER_PLAYING = "span over, playing"  #: no clock for the freewheel span, in the song
    SPAN_OVER_STOPPED = "span over, stopped"  #: the same with the transport stopped: a clock may rest
    RESET = "reset"  #: told to forget (another song, another master)


_S, _A, _L, _F, _X = (
    LockState.SILENT,
    LockState.ACQUIRING,
    LockState.LOCKED,
    LockState.FREEWHEELING,
    LockState.LOST,
)
_E = LockEvent

LOCK_TABLE: dict[tuple[LockState, LockEvent], LockState] = {
    (_S, _E.TICK): _A,
    (_S, _E.MISFIT): _A,
    (_S, _E.SETTLED): _S,
    (_S, _E.SHAKEN): _S,
    (_S, _E.OVERDUE): _S,
    (_S, _E.SPAN_OVER_PLAYING): _S,
    (_S, _E.SPAN_OVER_STOPPED): _S,
    (_S, _E.RESET): _S,
    (_A, _E.TICK): _A,
    (_A, _E.MISFIT): _A,
    (_A, _E.SETTLED): _L,
    (_A, _E.SHAKEN): _A,
    (_A, _E.OVERDUE): _F,
    (_A, _E.SPAN_OVER_PLAYING): _X,
    (_A, _E.SPAN_OVER_STOPPED): _S,
    (_A, _E.RESET): _S,
    (_L, _E.TICK): _L,
    (_L, _E.MISFIT): _A,
    (_L, _E.SETTLED): _L,
    (_L, _E.SHAKEN): _A,
    (_L, _E.OVERDUE): _F,
    (_L, _E.SPAN_OVER_PLAYING): _X,
    (_L, _E.SPAN_OVER_STOPPED): _S,
    (_L, _E.RESET): _S,
    (_F, _E.TICK): _L,
    (_F, _E.MISFIT): _A,
    (_F, _E.SETTLED): _F,
    (_F, _E.SHAKEN): _F,
    (_F, _E.OVERDUE): _F,
    (_F, _E.SPAN_OVER_PLAYING): _X,
    (_F, _E.SPAN_OVER_STOPPED): _S,
    (_F, _E.RESET): _S,
    (_X, _E.TICK): _A,
    (_X, _E.MISFIT): _A,
    (_X, _E.SETTLED): _X,
    (_X, _E.SHAKEN): _X,
    (_X, _E.OVERDUE): _X,
    (_X, _E.SPAN_OVER_PLAYING): _X,
    (_X, _E.SPAN_OVER_STOPPED): _S,
    (_X, _E.RESET): _S,
}

#: Pairs that deliberately leave the state as it is.
LOCK_NO_CHANGE: frozenset[tuple[LockState, LockEvent]] = frozenset(
    {
        (_S, _E.SETTLED),
        (_S, _E.SHAKEN),
        (_S, _E.OVERDUE),
        (_S, _E.SPAN_OVER_PLAYING),
        (_S, _E.SPAN_OVER_STOPPED),
        (_S, _E.RESET),
        (_A, _E.TICK),
        (_A, _E.MISFIT),
        (_A, _E.SHAKEN),
        (_L, _E.TICK),
        (_L, _E.SETTLED),
        (_F, _E.SETTLED),
        (_F, _E.SHAKEN),
        (_F, _E.OVERDUE),
        (_X, _E.SETTLED),
        (_X, _E.SHAKEN),
        (_X, _E.OVERDUE),
        (_X, _E.SPAN_OVER_PLAYING),
    }
)


class Transport(Enum):
    """Where the transport of the followed machine stands."""

    STOPPED = "stopped"
    STARTING = "starting"  #: Start or Continue has come; the next clock plays the start point
    PLAYING = "playing"


class TransportEvent(Enum):
    """What moves the transport (MIDI 1.0 Detailed Specification 4.2.1, pp. 28-32)."""

    START = "start"
    CONTINUE = "continue"
    STOP = "stop"
    CLOCK = "clock"
    POSITION = "position"
    LOST = "lost"  #: our own dropout policy stops the song


class TransportAction(Enum):
    """What the follower has to do for a pair."""

    NOTHING = "nothing"  #: deliberate no-op, such as a redundant message
    REWIND = "rewind"  #: position 0, wait for the first clock
    RESUME = "resume"  #: kept position, wait for the first clock
    HALT = "halt"  #: keep the position of the next clock
    BEGIN = "begin"  #: this clock plays the start point
    COUNT = "count"  #: this clock moves the position by one
    IDLE = "idle"  #: this clock serves only phase and tempo
    LOCATE = "locate"  #: take the position over
    REFUSE = "refuse"  #: against the rules: reported and not obeyed


_T, _V, _D = Transport, TransportEvent, TransportAction

TRANSPORT_TABLE: dict[tuple[Transport, TransportEvent], tuple[Transport, TransportAction]] = {
    (_T.STOPPED, _V.START): (_T.STARTING, _D.REWIND),
    (_T.STOPPED, _V.CONTINUE): (_T.STARTING, _D.RESUME),
    (_T.STOPPED, _V.STOP): (_T.STOPPED, _D.NOTHING),
    (_T.STOPPED, _V.CLOCK): (_T.STOPPED, _D.IDLE),
    (_T.STOPPED, _V.POSITION): (_T.STOPPED, _D.LOCATE),
    (_T.STOPPED, _V.LOST): (_T.STOPPED, _D.NOTHING),
    (_T.STARTING, _V.START): (_T.STARTING, _D.NOTHING),
    (_T.STARTING, _V.CONTINUE): (_T.STARTING, _D.NOTHING),
    (_T.STARTING, _V.STOP): (_T.STOPPED, _D.HALT),
    (_T.STARTING, _V.CLOCK): (_T.PLAYING, _D.BEGIN),
    (_T.STARTING, _V.POSITION): (_T.STARTING, _D.REFUSE),
    (_T.STARTING, _V.LOST): (_T.STOPPED, _D.HALT),
    (_T.PLAYING, _V.START): (_T.PLAYING, _D.NOTHING),
    (_T.PLAYING, _V.CONTINUE): (_T.PLAYING, _D.NOTHING),
    (_T.PLAYING, _V.STOP): (_T.STOPPED, _D.HALT),
    (_T.PLAYING, _V.CLOCK): (_T.PLAYING, _D.COUNT),
    (_T.PLAYING, _V.POSITION): (_T.PLAYING, _D.REFUSE),
    (_T.PLAYING, _V.LOST): (_T.STOPPED, _D.HALT),
}


def next_lock(state: LockState, event: LockEvent) -> LockState:
    """Return the state after `event`; StateError names a pair that the table does not know."""
    try:
        return LOCK_TABLE[state, event]
    except KeyError:
        raise StateError(str(state), str(event), "the table does not list this pair") from None


def next_transport(state: Transport, event: TransportEvent) -> tuple[Transport, TransportAction]:
    """Return the transport state after `event` and what is to be done; StateError as `next_lock`."""
    try:
        return TRANSPORT_TABLE[state, event]
    except KeyError:
        raise StateError(str(state), str(event), "the table does not list this pair") from None
