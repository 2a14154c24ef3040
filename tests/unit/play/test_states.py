"""The table of states is whole: each pair is a transition, or a refusal that names both."""

from __future__ import annotations

import pytest

from runner.errors import StateError
from runner.play.states import TRANSITIONS, PlayEvent, PlayState, next_state


@pytest.mark.parametrize("state", PlayState)
@pytest.mark.parametrize("event", PlayEvent)
def test_every_pair_is_a_transition_or_a_refusal_that_names_both(state: PlayState, event: PlayEvent) -> None:
    """No pair stays put by accident."""
    if (state, event) in TRANSITIONS:
        assert next_state(state, event) is TRANSITIONS[state, event]
    else:
        with pytest.raises(StateError) as caught:
            next_state(state, event)
        assert state.value in str(caught.value)
        assert event.value in str(caught.value)


def test_every_state_can_be_reached_and_every_moving_state_can_be_stopped() -> None:
    """Stop is never refused."""
    assert {*TRANSITIONS.values()} | {PlayState.EMPTY} == set(PlayState)
    assert all((state, PlayEvent.STOP) in TRANSITIONS for state in PlayState)
