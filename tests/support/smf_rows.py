"""Rows for Standard MIDI Files of tests: (tick, mido message)."""

from __future__ import annotations

import mido


def meta(kind: str, **keys: object) -> mido.MetaMessage:
    """Return a meta event."""
    return mido.MetaMessage(kind, **keys)


def message(kind: str, **keys: int) -> mido.Message:
    """Return a channel message; channels from 0."""
    return mido.Message(kind, **keys)


def note(at: int, key: int, channel: int, length: int = 96) -> list[tuple[int, mido.Message]]:
    """Return a note of `length` ticks; channel from 0."""
    return [
        (at, message("note_on", note=key, channel=channel)),
        (at + length, message("note_off", note=key, channel=channel)),
    ]
