"""How a song is to be played this time: from where to where, what goes round, how fast, which parts. Pure.

A `Rehearsal` is what a user asks for on the way; nothing of it stands in the session file. What is wrong
with it is therefore a `UsageError` that names the option, not a line of the file. Here is only what is
asked, so that the command line can read it without all that is needed to play it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Self

from runner.music.amount import amount_text, parse_amount, shorten
from runner.music.loops import Loop, parse_loop
from runner.music.moment import Moment, parse_moment

MIN_PERCENT, MAX_PERCENT = 10, 400  #: of the song's tempo

_PERCENT = re.compile(r"(.*?)\s*%?")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What is asked for besides the song itself; as it stands, the whole song as the session has it.

    `tempo_scale` multiplies the tempo. `muted` machines' parts are left out; of `soloed` machines, if there
    are any, only the parts are heard. Cues, clock and click stay as they are.
    """

    from_: Moment | None = None
    to: Moment | None = None
    loops: tuple[Loop, ...] = ()
    tempo_scale: Fraction = Fraction(1)
    muted: tuple[str, ...] = ()
    soloed: tuple[str, ...] = ()

    @property
    def is_plain(self) -> bool:
        """Whether the song is played as the session has it."""
        return self == Rehearsal()

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data for JSON, in the words that a user writes."""
        return {
            "from": str(self.from_) if self.from_ is not None else None,
            "to": str(self.to) if self.to is not None else None,
            "loops": [str(loop) for loop in self.loops],
            "tempo_scale": str(self.tempo_scale),
            "muted": list(self.muted),
            "soloed": list(self.soloed),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return what `to_dict` wrote; keys that are missing mean what they mean when nothing is asked."""
        return cls(
            from_=parse_moment(data["from"]) if data.get("from") is not None else None,
            to=parse_moment(data["to"]) if data.get("to") is not None else None,
            loops=tuple(parse_loop(text) for text in data.get("loops", ())),
            tempo_scale=Fraction(data.get("tempo_scale", 1)),
            muted=tuple(data.get("muted", ())),
            soloed=tuple(data.get("soloed", ())),
        )

    def silent(self, with_parts: Iterable[str]) -> frozenset[str]:
        """Return the machines whose parts are not heard in a song; `with_parts` are those that have any."""
        left_out = frozenset(self.muted)
        return left_out | (frozenset(with_parts) - frozenset(self.soloed)) if self.soloed else left_out


def parse_percent(text: str) -> Fraction:
    """Return the factor that a tempo in percent means: ``90``, ``90 %`` or ``87.5%``.

    Raises ValueError, in words for the user.
    """
    match = _PERCENT.fullmatch(" ".join(text.split()))
    amount = parse_amount(match[1]) if match else Fraction(0)
    if not MIN_PERCENT <= amount <= MAX_PERCENT:
        raise ValueError(
            f"{shorten(text)!r} is not a tempo in percent of the song's: {MIN_PERCENT} to {MAX_PERCENT}"
        )
    return amount / 100


def percent_text(scale: Fraction) -> str:
    """Return a factor as `parse_percent` reads it back."""
    return f"{amount_text(scale * 100)} %"
