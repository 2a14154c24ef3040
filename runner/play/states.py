"""The states of the player and every way from one to another. Pure.

All transitions live in `TRANSITIONS`; a pair that is not there is a refusal that names both. Pairs that
deliberately change nothing are listed too, so that nothing stays put by accident.
"""

from __future__ import annotations

from enum import StrEnum

from runner.errors import StateError


class PlayState(StrEnum):
    """Where the player is in a take."""

    EMPTY = "empty"  #: no course loaded
    READY = "ready"  #: a course is loaded, nothing moves
    ARMED = "armed"  #: waits for the other machine's Start
    LEAD = "lead"
    PRE_ROLL = "pre-roll"
    ROLLING = "rolling"
    TAIL = "tail"


class PlayEvent(StrEnum):
    """What can happen to the player."""

    LOAD = "load"
    ROLL = "roll"
    ARM = "arm"
    LEAD = "begin the lead"
    PRE_ROLL = "begin the pre-roll"
    SONG = "reach bar 1"
    TAIL = "begin the tail"
    END = "end"
    STOP = "stop"
    GO = "go on"


S, E = PlayState, PlayEvent
_MOVING = (S.LEAD, S.PRE_ROLL, S.ROLLING, S.TAIL)

TRANSITIONS: dict[tuple[PlayState, PlayEvent], PlayState] = {
    (S.EMPTY, E.LOAD): S.READY,
    (S.READY, E.LOAD): S.READY,
    (S.ARMED, E.LOAD): S.READY,
    (S.READY, E.ROLL): S.LEAD,
    (S.READY, E.ARM): S.ARMED,
    (S.ARMED, E.ROLL): S.LEAD,
    **{(state, E.LEAD): S.LEAD for state in (S.LEAD, S.ARMED)},
    **{(state, E.PRE_ROLL): S.PRE_ROLL for state in (S.ARMED, S.LEAD, S.PRE_ROLL)},
    # a leg that is entered again, or a song that follows another without a gap, reaches its bar 1 anew
    **{(state, E.SONG): S.ROLLING for state in (S.ARMED, *_MOVING)},
    **{(state, E.TAIL): S.TAIL for state in (S.ROLLING, S.TAIL)},
    # the course stays loaded, so that the next take can roll at once
    **{(state, E.END): S.READY for state in _MOVING},
    **{(state, E.STOP): S.READY for state in (S.ARMED, *_MOVING)},
    # stopping what stands is asked for by every panic and every nervous foot: harmless on purpose
    (S.EMPTY, E.STOP): S.EMPTY,
    (S.READY, E.STOP): S.READY,
    **{(state, E.GO): state for state in _MOVING},
    # a take that follows may be armed and then told to end before the master ever started
    (S.ARMED, E.END): S.READY,
}


def next_state(state: PlayState, event: PlayEvent) -> PlayState:
    """Return the state after `event`; raise `StateError` naming both if it makes no sense in `state`."""
    try:
        return TRANSITIONS[state, event]
    except KeyError:
        raise StateError(state.value, event.value) from None
