"""The parts of a song in figures: how many notes, in which bars, of which keys and velocities."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from runner.music import SongTime
from runner.plan.score import Score, Voice
from runner.plan.timeline import EventOrder


@dataclass(frozen=True, slots=True)
class PartFacts:
    """One part in figures; keys and velocities are the lowest and the highest."""

    machine: str
    first_bar: int
    last_bar: int
    notes: int
    keys: tuple[int, int]
    velocities: tuple[int, int]
    others: int  #: messages that are no notes

    @property
    def text(self) -> str:
        """The figures in words."""
        if not self.notes:
            return f"no notes, {_count(self.others, 'other message')}"
        bars = (
            f"bar {self.first_bar}"
            if self.first_bar == self.last_bar
            else (f"bars {self.first_bar} to {self.last_bar}")
        )
        text = f"{_count(self.notes, 'note')} in {bars}, {_span('key', self.keys)}"
        text += f", {_span('velocity', self.velocities, 'velocity')}"
        return text + (f", {_count(self.others, 'other message')}" if self.others else "")


def _count(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _span(word: str, span: tuple[int, int], words: str = "") -> str:
    low, high = span
    return f"{word} {low}" if low == high else f"{words or word + 's'} {low} to {high}"


def part_facts(score: Score) -> list[PartFacts]:
    """Return the figures of each part of a song, in the order of the file."""
    return [_facts(voice, score.time) for voice in score.voices]


def _facts(voice: Voice, time: SongTime) -> PartFacts:
    rows = [row for row, order in enumerate(voice.order) if order == EventOrder.NOTE_ON]
    rows = [row for row in rows if voice.messages[row][0] & 0xF0 == 0x90]
    others = sum(1 for order in voice.order if order not in (EventOrder.NOTE_ON, EventOrder.NOTE_OFF))
    if not rows:
        return PartFacts(voice.name, 0, 0, 0, (0, 0), (0, 0), others)
    keys = [voice.messages[row][1] for row in rows]
    velocities = [voice.messages[row][2] for row in rows]
    first, last = (
        time.meters.position(Fraction(voice.ticks[row], voice.ppq)).bar for row in (rows[0], rows[-1])
    )
    return PartFacts(
        voice.name, first, last, len(rows), (min(keys), max(keys)), (min(velocities), max(velocities)), others
    )
