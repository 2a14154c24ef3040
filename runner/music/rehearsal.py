"""How a song is to be played this time: from where to where, what goes round, how fast, which parts. Pure.

A `Rehearsal` is what a user asks for on the way; nothing of it stands in the session file. What is wrong
with it is therefore a `UsageError` that names the option, not a line of the file. Here is only what is
asked, so that the command line can read it without all that is needed to play it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
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

    `tempo_scale` multiplies the tempo. `muted` machines' parts are left out, and the notes of their cues; if
    there are `soloed` machines, only these are heard. What else cues send, clock and click stay as they are.
    With `sustained`, the notes that sound at `from_` are struck again there; else they stay silent.
    """

    from_: Moment | None = None
    to: Moment | None = None
    loops: tuple[Loop, ...] = ()
    tempo_scale: Fraction = Fraction(1)
    muted: tuple[str, ...] = ()
    soloed: tuple[str, ...] = ()
    sustained: bool = False

    @property
    def is_plain(self) -> bool:
        """Whether the song is played as the session has it."""
        return self == AS_IT_STANDS

    @property
    def text(self) -> str:
        """What is asked for, in words for people; empty if nothing is."""
        said = [f"from {self.from_}" if self.from_ is not None else ""]
        said.append("sustained" if self.sustained else "")
        said.append(f"up to {self.to}" if self.to is not None else "")
        said += [str(loop) for loop in self.loops]
        said.append(f"at {percent_text(self.tempo_scale)}" if self.tempo_scale != 1 else "")
        said += [f"without {name}" for name in self.muted]
        said.append(f"only {' and '.join(self.soloed)}" if self.soloed else "")
        return ", ".join(filter(None, said))

    def asking(self, more: Rehearsal) -> Rehearsal:
        """Return this as it holds for every song, with what is asked for besides for one roll.

        Places, loops and whom to hear alone are those of the roll; its tempo too, if it has one; what is
        muted in either is.
        """
        return replace(
            more,
            tempo_scale=more.tempo_scale if more.tempo_scale != 1 else self.tempo_scale,
            muted=tuple(dict.fromkeys((*self.muted, *more.muted))),
            soloed=more.soloed or self.soloed,
        )

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data for JSON, in the words that a user writes."""
        return {
            "from": str(self.from_) if self.from_ is not None else None,
            "to": str(self.to) if self.to is not None else None,
            "loops": [str(loop) for loop in self.loops],
            "tempo_scale": str(self.tempo_scale),
            "muted": list(self.muted),
            "soloed": list(self.soloed),
            "sustained": self.sustained,
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
            sustained=bool(data.get("sustained", False)),
        )

    @classmethod
    def of_words(cls, data: Mapping[str, Any]) -> Self:
        """Return what another program asks for in the words that a user writes; keys may be missing.

        ``{"from": "bar 9", "to": "refrain", "loops": ["bar 9 to bar 11, 4 times"], "tempo": "80 %",
        "mute": ["bass"], "solo": ["organ"], "sustained": true}``. Raises ValueError, in words for the user.
        """
        for key in data:
            if key not in _WORDS:
                raise ValueError(f"a rehearsal has no {shorten(key)!r}; it has {', '.join(_WORDS)}")
        from_, to = (_text(data, key) for key in ("from", "to"))
        tempo = _text(data, "tempo")
        asked = cls(
            from_=parse_moment(from_) if from_ else None,
            to=parse_moment(to) if to else None,
            loops=tuple(parse_loop(text) for text in _texts(data, "loops")),
            tempo_scale=parse_percent(tempo) if tempo else Fraction(1),
            muted=_texts(data, "mute"),
            soloed=_texts(data, "solo"),
            sustained=data.get("sustained", False) is True,
        )
        if asked.sustained and asked.from_ is None:
            raise ValueError("sustained strikes again what sounds at `from`: give both")
        return asked

    def words(self) -> dict[str, Any]:
        """Return what `of_words` reads back; only what is asked for."""
        said: dict[str, Any] = {
            "from": str(self.from_) if self.from_ is not None else "",
            "to": str(self.to) if self.to is not None else "",
            "loops": [str(loop) for loop in self.loops],
            "tempo": percent_text(self.tempo_scale) if self.tempo_scale != 1 else "",
            "mute": list(self.muted),
            "solo": list(self.soloed),
            "sustained": self.sustained,
        }
        return {key: value for key, value in said.items() if value}

    def silent(self, sounding: Iterable[str]) -> frozenset[str]:
        """Return the machines whose notes are not heard in a song; `sounding` are those that have any."""
        left_out = frozenset(self.muted)
        return left_out | (frozenset(sounding) - frozenset(self.soloed)) if self.soloed else left_out


#: The whole song, as the session has it.
AS_IT_STANDS = Rehearsal()

_WORDS = ("from", "to", "loops", "tempo", "mute", "solo", "sustained")
_MOST = 16  #: loops, or names of machines, in one rehearsal of another program's


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key, "")
    if not isinstance(value, str):
        raise ValueError(f"{key} must be a text")
    return value


def _texts(data: Mapping[str, Any], key: str) -> tuple[str, ...]:
    value = data.get(key, [])
    if not isinstance(value, list) or len(value) > _MOST or not all(isinstance(each, str) for each in value):
        raise ValueError(f"{key} must be a list of at most {_MOST} texts")
    return tuple(value)


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
