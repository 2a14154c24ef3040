"""Types of values in `controls`: the message that is waited for, and what it does."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import PlainValidator

from runner.session.fields import value_schema
from runner.session.readers import read_name, read_text, refuse

TriggerKind = Literal[
    "note", "control", "pressure", "bend", "program", "song-select", "start", "stop", "continue",
    "machine-control",
]  # fmt: skip
NUMBERED = ("note", "control", "program", "song-select")
_BARE = ("pressure", "bend", "start", "stop", "continue")
HELD = ("note", "control", "pressure", "bend")  #: these can be let go; the others happen in an instant
ON_CHANNEL = ("note", "control", "pressure", "bend", "program")
MACHINE_CONTROL = (
    "stop", "play", "deferred-play", "fast-forward", "rewind", "record", "record-exit", "pause", "locate",
)  # fmt: skip
ACTION_WORDS = (
    "roll", "stop", "again", "next", "previous", "arm", "go", "mark", "keep", "discard", "panic", "check",
)  # fmt: skip
NAMES_SONG = ("song", "roll")  #: with the name of a song; `roll` also stands alone
NAMES_MACHINE = ("mute", "unmute", "solo")
_NAMES_OTHER = ("mark", "place")  #: with a text, with a number

_WHAT = "a message such as note 60, control 64, pressure, program 5, start or machine-control play"


@dataclass(frozen=True, slots=True)
class Trigger:
    """A message that a control waits for; `number` is the key, controller or program as sent (0-127)."""

    kind: TriggerKind
    number: int | None = None
    command: str = ""  #: of machine control

    def __str__(self) -> str:
        rest = self.command or ("" if self.number is None else str(self.number))
        return f"{self.kind} {rest}".strip()

    @property
    def held(self) -> bool:
        """Whether it can be held and let go."""
        return self.kind in HELD


@dataclass(frozen=True, slots=True)
class Action:
    """What a control does; `name` is the song, the machine, the place, or the text of a mark."""

    word: str
    name: str = ""

    def __str__(self) -> str:
        return f"{self.word} {self.name}".strip()


def _trigger(value: Any) -> Trigger:
    words = read_text(value, _WHAT).split()
    kind = words[0] if words else ""
    if kind in NUMBERED and len(words) == 2 and re.match(r"\d{1,3}\Z", words[1]) and int(words[1]) < 128:
        return Trigger(kind, int(words[1]))  # type: ignore[arg-type]
    if kind in NUMBERED:
        raise refuse(f"must be {_WHAT}: {kind} with a number from 0 to 127")
    if kind in _BARE and len(words) == 1:
        return Trigger(kind)  # type: ignore[arg-type]
    if kind == "machine-control" and len(words) == 2 and words[1] in MACHINE_CONTROL:
        return Trigger("machine-control", None, words[1])
    if kind == "machine-control":
        raise refuse(f"must be machine-control with one of {', '.join(MACHINE_CONTROL)}")
    raise refuse(f"must be {_WHAT}")


def _action(value: Any) -> Action:
    text = read_text(value, "an action").strip()
    if text in ACTION_WORDS:
        return Action(text)
    word, _, name = text.partition(" ")
    name = name.strip()
    if word == "place" and name and not re.match(r"[1-9]\d{0,4}\Z", name):
        raise refuse("must be place with a number of the running order, from 1")
    if word in (*NAMES_SONG, *NAMES_MACHINE, *_NAMES_OTHER) and name:
        return Action(word, read_name(name))
    known = ", ".join((*ACTION_WORDS, "song NAME", "place N", "mute MACHINE", "unmute MACHINE"))
    raise refuse(f"must be one of {known}, solo MACHINE")


ControlTrigger = Annotated[
    Trigger,
    PlainValidator(_trigger),
    value_schema(
        "string",
        "`note`, `control`, `program` or `song-select` with a number from 0 to 127; `pressure`, `bend`, "
        f"`start`, `stop`, `continue`; or `machine-control` with one of {', '.join(MACHINE_CONTROL)}.",
        "control 64",
        "note 60",
    ),
]
ControlAction = Annotated[
    Action,
    PlainValidator(_action),
    value_schema(
        "string",
        f"One of {', '.join(ACTION_WORDS)}; `song`, `roll` with a song's name; `mute`, `unmute`, `solo` with "
        "a machine's; `place` with a number of the running order; `mark` with a text.",
        "roll",
        "song Ropewalk",
    ),
]
