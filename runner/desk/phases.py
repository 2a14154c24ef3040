"""The words of a show: what a run is for, its phases, what it has carried out, which order fits when."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum


class Mode(StrEnum):
    """What a run is for."""

    SONG = "song"  #: takes of one song, then exit
    ORDER = "order"  #: the running order from place to place, then exit
    STAY = "stay"  #: the daemon: waits for orders


class Phase(StrEnum):
    """Where the show is between two takes."""

    STANDING = "standing"  #: waits for an order
    DUE = "due"  #: rolls by itself when its time comes
    CALLED = "called"  #: a roll was ordered, and has not begun
    ROLLING = "rolling"
    CLOSING = "closing"  #: the take has ended, its record is being closed


class Do(Enum):
    """What the desk is to carry out."""

    ROLL = "roll"  #: the chain of the place that is up
    STOP = "stop"
    PANIC = "panic"
    GO = "go"
    MUTE = "mute"
    UNMUTE = "unmute"
    SOLO = "solo"
    MARK = "mark"
    RATE = "rate"
    PREPARE = "prepare"  #: send the programs of the place that is up
    CHECK = "check"
    RELOAD = "reload"
    LEAVE = "leave"  #: nothing is left to do


@dataclass(frozen=True, slots=True)
class Directive:
    """One thing for the desk to carry out; `value` is a reason, a machine, a rating or a text."""

    do: Do
    value: str = ""


REST = (Phase.STANDING, Phase.DUE)
ALLOWED: dict[str, tuple[Phase, ...]] = {
    "roll": (*REST, Phase.CLOSING),
    "again": (*REST, Phase.CLOSING),
    "arm": REST,
    "stop": (Phase.DUE, Phase.CALLED, Phase.ROLLING),
    "go": (*REST, Phase.ROLLING),
    "mark": (Phase.ROLLING,),
    "reload": REST,
    **dict.fromkeys(
        ("next", "previous", "song", "place", "order", "keep", "discard", "panic", "check", "quit", "mute",
         "unmute", "solo"),
        tuple(Phase),
    ),
}  # fmt: skip
WHY_NOT = {
    Phase.STANDING: "nothing rolls",
    Phase.DUE: "nothing rolls yet",
    Phase.CALLED: "a take is about to begin",
    Phase.ROLLING: "a take rolls; stop it first",
    Phase.CLOSING: "the last take is being closed",
}
