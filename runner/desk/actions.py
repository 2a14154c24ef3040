"""What the desk can be asked to do, by a pedal, over the control socket or by the schedule. Pure."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace

from runner.music.rehearsal import AS_IT_STANDS, Rehearsal

PLAIN = (
    "roll", "stop", "again", "next", "previous", "arm", "go", "mark", "keep", "discard", "panic", "check",
    "reload", "quit",
)  # fmt: skip
WITH_NAME = ("song", "mute", "unmute", "solo", "order", "place")
NAME_IF_WANTED = ("mark", "roll")  #: a mark may have a text, a roll a song


@dataclass(frozen=True, slots=True)
class Order:
    """One thing to do: a word, for some a name, and where it comes from, for people."""

    word: str
    name: str = ""
    origin: str = ""
    rehearsal: Rehearsal = AS_IT_STANDS  #: with roll: how the song is to be played this time

    def __str__(self) -> str:
        return ", ".join(filter(None, (f"{self.word} {self.name}".strip(), self.rehearsal.text)))


@dataclass(frozen=True, slots=True)
class Outcome:
    """Whether an order was done, and what is to be said about it."""

    done: bool
    text: str


def with_rehearsal(order: Order, rehearsal: Rehearsal) -> Order:
    """Return an order with how the song is to be played; ValueError if it is none that lets one roll."""
    if not rehearsal.is_plain and order.word != "roll":
        raise ValueError(f"{order.word} takes no {rehearsal.text!r}: that goes with roll")
    return replace(order, rehearsal=rehearsal)


def read_order(text: str, origin: str = "") -> Order:
    """Return the order that a line of text gives; ValueError says what an order may be."""
    word, _, name = text.strip().partition(" ")
    name = name.strip()
    if word in WITH_NAME:
        if not name:
            raise ValueError(f"{word} needs a name: what is it to be?")
        return Order(word, name, origin)
    if word in PLAIN:
        if name and word not in NAME_IF_WANTED:
            raise ValueError(f"{word} stands alone; {name!r} means nothing to it")
        return Order(word, name, origin)
    near = difflib.get_close_matches(word, (*PLAIN, *WITH_NAME), n=1)
    hint = f"did you mean {near[0]}?" if near else f"it is one of {', '.join((*PLAIN, *WITH_NAME))}"
    raise ValueError(f"no order {word!r}; {hint}")
