"""Moments and spans as a session file writes them, and what they mean in a song.

    moment := [span "before"|"after"] ( "bar" N ["beat" X] | "start" | "end" | section name )
    span   := amount unit

Amounts are ``2``, ``2.5``, ``1/2`` or ``1 1/2``. Units are bars, beats (of the meter in force), quarters,
min, s, ms and us. Key words may be in any case; section names are taken as they are.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import Enum, StrEnum
from fractions import Fraction
from typing import Literal

from runner.music.amount import amount_text, parse_amount, shorten
from runner.music.meter import MeterMap
from runner.music.position import Position
from runner.music.tempo import TempoMap

MAX_TEXT = 200  #: characters in a moment or a section name

BarBeat = Position  #: what a moment's ``bar N beat X`` is


class Unit(StrEnum):
    """What a span is counted in."""

    BARS = "bars"
    BEATS = "beats"
    QUARTERS = "quarters"
    MINUTES = "min"
    SECONDS = "s"
    MILLISECONDS = "ms"
    MICROSECONDS = "us"


_NS_PER_UNIT = {
    Unit.MINUTES: 60_000_000_000,
    Unit.SECONDS: 1_000_000_000,
    Unit.MILLISECONDS: 1_000_000,
    Unit.MICROSECONDS: 1_000,
}
_UNIT_WORDS = {
    **dict.fromkeys(("bar", "bars"), Unit.BARS),
    **dict.fromkeys(("beat", "beats"), Unit.BEATS),
    **dict.fromkeys(("quarter", "quarters"), Unit.QUARTERS),
    **dict.fromkeys(("min", "minute", "minutes"), Unit.MINUTES),
    **dict.fromkeys(("s", "sec", "second", "seconds"), Unit.SECONDS),
    **dict.fromkeys(("ms", "millisecond", "milliseconds"), Unit.MILLISECONDS),
    # the micro sign and the Greek letter look alike and are two characters
    **dict.fromkeys(("us", "\u00b5s", "\u03bcs", "microsecond", "microseconds"), Unit.MICROSECONDS),
}


@dataclass(frozen=True, slots=True)
class Span:
    """A length of music or of time. `amount` is negative only where a sign was asked for (offsets)."""

    amount: Fraction
    unit: Unit

    @property
    def is_musical(self) -> bool:
        """Whether the length in seconds depends on the tempo."""
        return self.unit not in _NS_PER_UNIT

    @property
    def ns(self) -> int:
        """The length of a span of time in ns, rounded; ValueError for a musical one."""
        if self.is_musical:
            raise ValueError(f"how long {self} last depends on the tempo")
        return round(self.amount * _NS_PER_UNIT[self.unit])

    def __str__(self) -> str:
        unit = str(self.unit)
        if self.is_musical and abs(self.amount) <= 1 and self.amount != 0:
            unit = unit.removesuffix("s")
        return f"{'-' if self.amount < 0 else ''}{amount_text(abs(self.amount))} {unit}"


class Edge(Enum):
    """The two named ends of a song: where its pre-roll begins, and where its last bar ends."""

    START = "start"
    END = "end"

    def __str__(self) -> str:
        return self.value


@dataclass(frozen=True, slots=True)
class SectionName:
    """A section of the song, by its name."""

    name: str

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True)
class Moment:
    """A place in a song, perhaps moved by a span; `sign` is -1 for before it and 1 for after it."""

    base: BarBeat | SectionName | Edge
    shift: Span | None = None
    sign: Literal[-1, 1] = 1

    def __str__(self) -> str:
        base = str(self.base)
        if isinstance(self.base, BarBeat) and self.base.beat == 1:
            base = f"bar {self.base.bar}"
        if self.shift is None:
            return base
        return f"{self.shift} {'before' if self.sign < 0 else 'after'} {base}"


@dataclass(frozen=True, slots=True)
class Point:
    """A resolved moment: a song position in quarters, and a time added to it that no tempo changes."""

    quarters: Fraction
    shift_ns: int = 0


_SPAN = re.compile(r"([+-]?)\s*((?:[0-9]+\s+)?[0-9.,]+(?:\s*/\s*[0-9]+)?)\s*(.*)", re.DOTALL)
_SHIFTED = re.compile(r"([+-]?\s*[0-9.].*?)\s+(before|after)\s+(.+)", re.IGNORECASE)
_BAR = re.compile(r"bar\s*(?=[-+0-9])(.*)", re.IGNORECASE)
_BAR_BEAT = re.compile(r"([+-]?[0-9]+)(?:\s+beat\s+(.+))?", re.IGNORECASE)
_NUMBERS_ONLY = re.compile(r"[-+0-9.,:/ ]+")


def parse_span(text: str | int | float, *, signed: bool = False) -> Span:
    """Return the span that `text` writes, such as ``2 bars``, ``1/2 beat``, ``120 ms``.

    With `signed`, a leading minus is accepted. A number without a unit (YAML gives it as int or float)
    is refused. Raises ValueError, in words for the user.
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"{shorten(str(text))!r} is not a span such as '2 bars', '3 beats' or '120 ms'")
    words = " ".join(str(text).split())
    match = _SPAN.fullmatch(words) if len(words) <= MAX_TEXT else None
    if not match:
        raise ValueError(f"{shorten(words)!r} is not a span such as '2 bars', '3 beats' or '120 ms'")
    sign, number, word = match.groups()
    if not word:
        raise ValueError(f"{shorten(words)} has no unit: write '{shorten(words)} s', or ms, beats, bars")
    unit = _UNIT_WORDS.get(word.lower())
    if unit is None:
        near = get_close_matches(word.lower(), _UNIT_WORDS, 1)
        hint = f"did you mean {near[0]!r}?" if near else "use bars, beats, quarters, min, s, ms or us"
        raise ValueError(f"{shorten(word)!r} is not a unit: {hint}")
    amount = parse_amount(number)
    if sign == "-" and amount and not signed:
        raise ValueError(f"{shorten(words)!r} is negative: a span here is 0 or more")
    return Span(-amount if sign == "-" else amount, unit)


def parse_moment(text: str | int | float) -> Moment:
    """Return the moment that `text` writes, such as ``bar 17 beat 3`` or ``2 bars before refrain``.

    Any text that is none of the other forms is a section name; whether the song has it, `resolve` says.
    Raises ValueError, in words for the user.
    """
    words = " ".join(str(text).split())
    if isinstance(text, bool) or not isinstance(text, str | int | float) or not words:
        raise ValueError(f"{shorten(words)!r} is not a moment such as 'bar 17 beat 3' or 'start'")
    if len(words) > MAX_TEXT:
        raise ValueError(f"a moment has at most {MAX_TEXT} characters, got {len(words)}: {shorten(words)!r}")
    shifted = _SHIFTED.fullmatch(words)
    if not shifted:
        return Moment(_parse_base(words))
    span, side, place = shifted.groups()
    if _SHIFTED.fullmatch(place):
        raise ValueError(f"{shorten(words)!r} has more than one 'before' or 'after'")
    return Moment(_parse_base(place), parse_span(span), -1 if side.lower() == "before" else 1)


def check_section_name(name: str) -> None:
    """Raise ValueError if `name` could not be told from another kind of moment, or is too long."""
    try:
        moment = parse_moment(name)
    except ValueError as error:
        why = str(error)
        if _NUMBERS_ONLY.fullmatch(" ".join(str(name).split())):
            why = "a moment that is only a number is read as a slip; add a word, as in 'part 7'"
        raise ValueError(f"{shorten(str(name))!r} cannot be a section name: {why}") from None
    if moment.shift is not None or not isinstance(moment.base, SectionName):
        raise ValueError(f"{shorten(str(name))!r} cannot be a section name: it already means a moment")
    if moment.base.name != name:
        raise ValueError(f"{shorten(name)!r} cannot be a section name: it has spaces to spare")


def _parse_base(words: str) -> BarBeat | SectionName | Edge:
    lower = words.lower()
    if lower in ("start", "end"):
        return Edge(lower)
    bar = _BAR.fullmatch(words)
    if bar:
        return _parse_bar(words, bar[1])
    if _NUMBERS_ONLY.fullmatch(words):
        numbers = re.fullmatch(r"([0-9]{1,6})[:.]([0-9]{1,3})", words)
        example = f"bar {numbers[1]} beat {numbers[2]}" if numbers else "bar 17 beat 3"
        raise ValueError(f"{shorten(words)!r} is only a number: write a moment as '{example}'")
    span = _SPAN.fullmatch(words)
    if span and span[3].lower() in _UNIT_WORDS:
        raise ValueError(f"{words!r} is a span, not a moment: write '{words} after start' or before a bar")
    return SectionName(words)


def _parse_bar(words: str, rest: str) -> BarBeat:
    match = _BAR_BEAT.fullmatch(rest)
    if not match:
        raise ValueError(f"{shorten(words)!r} is not a moment: write 'bar 17' or 'bar 17 beat 3'")
    sign = -1 if match[1].startswith("-") else 1
    bar = sign * int(parse_amount(match[1].lstrip("+-")))
    beat = parse_amount(match[2]) if match[2] else Fraction(1)
    if beat < 1:
        raise ValueError(f"{shorten(words)!r}: beats count from 1")
    return BarBeat(bar, beat)


@dataclass(frozen=True, slots=True)
class SongTime:
    """Where the moments of one song lie.

    `sections` name bars. `pre_roll_quarters` is the length of the bars counted before bar 1, and
    `end_quarters` the position where the last bar ends (the tail comes after it).
    """

    meters: MeterMap
    tempo: TempoMap
    sections: Mapping[str, int] = field(default_factory=dict)
    pre_roll_quarters: Fraction = Fraction(0)
    end_quarters: Fraction = Fraction(0)

    @property
    def start_quarters(self) -> Fraction:
        """Where the pre-roll begins: 0 or negative."""
        return -self.pre_roll_quarters

    def resolve(self, moment: Moment) -> Point:
        """The point that a moment means. A musical span moves the position, a time span the time.

        Raises ValueError for an unknown section and for a beat that its bar does not have.
        """
        base = self._base_quarters(moment.base)
        if moment.shift is None:
            return Point(base)
        if not moment.shift.is_musical:
            return Point(base, moment.sign * self.span_ns(moment.shift))
        return Point(base + moment.sign * self.span_quarters(moment.shift, base, backward=moment.sign < 0))

    def ns_of(self, point: Point) -> int:
        """Time of a point, in ns from bar 1 beat 1."""
        return self.tempo.ns_at(point.quarters) + point.shift_ns

    def span_quarters(self, span: Span, at_quarters: Fraction, backward: bool = False) -> Fraction:
        """Length in quarters of a musical span that begins at a position, or ends there (`backward`).

        Bars and beats are those that are crossed: one bar before a meter change is a bar of the old
        meter, half a bar after it is half a bar of the new one. Raises ValueError for a span of time.
        """
        amount = -span.amount if backward else span.amount
        if span.unit is Unit.QUARTERS:
            return span.amount
        if span.unit is Unit.BARS:
            reached = self.meters.quarters_of_bars(self.meters.bars_at(at_quarters) + amount)
        elif span.unit is Unit.BEATS:
            reached = self.meters.quarters_of_beats(self.meters.beats_at(at_quarters) + amount)
        else:
            raise ValueError(f"{span} is a length of time; bars, beats or quarters are needed here")
        return at_quarters - reached if backward else reached - at_quarters

    def span_ns(self, span: Span) -> int:
        """Length of a time span in ns, rounded half to even. Raises ValueError for a musical span."""
        factor = _NS_PER_UNIT.get(span.unit)
        if factor is None:
            raise ValueError(f"{span} is a length of music; min, s, ms or us are needed here")
        return round(span.amount * factor)

    def at_text(self, quarters: Fraction | int | float) -> str:
        """A position in words, such as ``bar 17 beat 3``; off the usual grids, to 1/1000 of a beat."""
        position = self.meters.position(Fraction(quarters))
        if position.beat.denominator > 1920:
            meter = self.meters.meter_of_bar(position.bar)
            beat = Fraction(round(position.beat * 1000), 1000)
            if beat < meter.numerator + 1:
                position = Position(position.bar, beat)
            else:
                position = Position(position.bar + 1)
        return str(position)

    def section_at(self, quarters: Fraction | int | float) -> str | None:
        """The section that a position lies in, None before the first; of two at one bar, the later."""
        bar = self.meters.position(Fraction(quarters)).bar
        begun = [(start, index, name) for index, (name, start) in enumerate(self.sections.items())]
        return max((row for row in begun if row[0] <= bar), default=(0, 0, None))[2]

    def _base_quarters(self, base: BarBeat | SectionName | Edge) -> Fraction:
        if base is Edge.START:
            return self.start_quarters
        if base is Edge.END:
            return self.end_quarters
        if isinstance(base, SectionName):
            return self.meters.bar_start(self._section_bar(base.name))
        assert isinstance(base, BarBeat)
        return self.meters.quarters(base.bar, base.beat)

    def _section_bar(self, name: str) -> int:
        if name in self.sections:
            return self.sections[name]
        near = get_close_matches(name, self.sections, 1)
        if near:
            hint = f"did you mean {near[0]!r}?"
        elif self.sections:
            hint = f"the song has {', '.join(shorten(known) for known in list(self.sections)[:8])}"
        else:
            hint = "the song has no sections; write 'bar 17 beat 3', 'start' or 'end'"
        raise ValueError(f"{shorten(name)!r} is not a moment or a section: {hint}")
