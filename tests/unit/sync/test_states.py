"""The follower's two tables: complete, honest about no-ops, and clear when a pair is unknown."""

from __future__ import annotations

from itertools import product

import pytest

from runner.errors import StateError
from runner.sync.states import (
    LOCK_NO_CHANGE,
    LOCK_TABLE,
    TRANSPORT_TABLE,
    LockEvent,
    LockState,
    Transport,
    TransportAction,
    TransportEvent,
    next_lock,
    next_transport,
)


def test_every_lock_pair_is_listed() -> None:
    """The lock table has each state with each event, and nothing else."""
    assert set(LOCK_TABLE) == set(product(LockState, LockEvent))


def test_every_transport_pair_is_listed() -> None:
    """The transport table has each state with each event, and nothing else."""
    assert set(TRANSPORT_TABLE) == set(product(Transport, TransportEvent))


def test_lock_pairs_that_change_nothing_are_marked() -> None:
    """A pair keeps its state exactly when it is listed as a deliberate no-op."""
    unchanged = {pair for pair, after in LOCK_TABLE.items() if after is pair[0]}
    assert unchanged == set(LOCK_NO_CHANGE)


def test_redundant_transport_messages_do_nothing() -> None:
    """Start and Continue while playing, and Stop while stopped, are ignored (MIDI 1.0 p. 32)."""
    for state, event in (
        (Transport.PLAYING, TransportEvent.START),
        (Transport.PLAYING, TransportEvent.CONTINUE),
        (Transport.STOPPED, TransportEvent.STOP),
    ):
        assert next_transport(state, event) == (state, TransportAction.NOTHING)


def test_only_a_settled_clock_locks() -> None:
    """From silence, no event but a clock followed by settling leads to the locked state."""
    assert next_lock(LockState.SILENT, LockEvent.SETTLED) is LockState.SILENT
    assert next_lock(next_lock(LockState.SILENT, LockEvent.TICK), LockEvent.SETTLED) is LockState.LOCKED


def test_unknown_pair_names_state_and_event(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pair that the table does not know raises an error that says which."""
    monkeypatch.delitem(LOCK_TABLE, (LockState.LOST, LockEvent.TICK))
    monkeypatch.delitem(TRANSPORT_TABLE, (Transport.STOPPED, TransportEvent.CLOCK))
    with pytest.raises(StateError, match=r"LockEvent\.TICK while LockState\.LOST"):
        next_lock(LockState.LOST, LockEvent.TICK)
    with pytest.raises(StateError, match="STOPPED"):
        next_transport(Transport.STOPPED, TransportEvent.CLOCK)
