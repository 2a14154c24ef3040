"""What the daemon and its clients say to each other on the control socket: kinds, limits, JSON. Pure.

Frames are those of `runner.framing`; each holds one JSON object. docs/control-socket.md tells others how
to speak it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

from runner.framing import pack_frame

PROTOCOL = 1
REQUEST_LIMIT = 4_096  #: bytes of a client's frame, version and kind among them
REPLY_LIMIT = 4 * 1024 * 1024  #: and of the daemon's, so that a client too holds no more
_LONGEST_NAME = 1_000
_LONGEST_ORIGIN = 40
_LARGEST_ID = 2**53  #: what every language's JSON keeps exact (RFC 8259, section 6)


class Ask(IntEnum):
    """Client to daemon."""

    ORDER = 1  #: {"id", "word", "name", "from", "rehearsal"}: answered once
    STATUS = 2  #: {"id"}: answered by one status
    WATCH = 3  #: {"id"}: answered by a status now and at each change


class Say(IntEnum):
    """Daemon to client."""

    HELLO = 64  #: {"protocol", "session", "pid"}: the first frame
    ANSWER = 65  #: {"id", "done", "text"}
    STATUS = 66  #: {"id", "status"}
    REFUSAL = 67  #: {"text"}: why the daemon closes the connection


@dataclass(frozen=True, slots=True)
class Question:
    """One frame of a client, read."""

    kind: Ask
    id: int = 0
    word: str = ""
    name: str = ""
    origin: str = ""
    rehearsal: Mapping[str, Any] = field(default_factory=dict)  #: as `Rehearsal.of_words` reads it


def frame_of(kind: Ask | Say, data: Mapping[str, Any]) -> bytes:
    """Return one frame."""
    return pack_frame(kind, json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode())


def read_object(payload: bytes) -> dict[str, Any]:
    """Return the JSON object of a frame; ValueError if it is none."""
    try:
        data = json.loads(payload)
    except RecursionError:
        raise ValueError("is nested too deep") from None
    except ValueError:  # UnicodeDecodeError and JSONDecodeError are among them
        raise ValueError("is no JSON in UTF-8") from None
    if not isinstance(data, dict):
        raise ValueError("must be a JSON object")
    return data


def read_question(kind: int, payload: bytes) -> Question:
    """Return what a client asks; ValueError says what is wrong with it."""
    try:
        ask = Ask(kind)
    except ValueError:
        raise ValueError(f"kind {kind} is none that a client may send") from None
    data = read_object(payload)
    number = data.get("id", 0)
    if isinstance(number, bool) or not isinstance(number, int) or abs(number) > _LARGEST_ID:
        raise ValueError("id must be a whole number of at most 2^53")
    if ask is not Ask.ORDER:
        return Question(ask, number)
    word = _text(data, "word", _LONGEST_ORIGIN)
    if not word:
        raise ValueError("an order needs its word")
    rehearsal = data.get("rehearsal", {})
    if not isinstance(rehearsal, dict):
        raise ValueError("rehearsal must be a JSON object")
    name, origin = _text(data, "name", _LONGEST_NAME), _text(data, "from", _LONGEST_ORIGIN)
    return Question(ask, number, word, name, origin, rehearsal)


def _text(data: Mapping[str, Any], key: str, longest: int) -> str:
    value = data.get(key, "")
    if not isinstance(value, str) or len(value) > longest:
        raise ValueError(f"{key} must be a text of at most {longest} characters")
    if not all(letter.isprintable() for letter in value):
        raise ValueError(f"{key} holds what cannot be printed")
    return value.strip()
