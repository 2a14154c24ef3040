"""Where a machine's notes lie against the clocks that it was sent: did it start on time? Pure.

A machine that follows our clock and sends what it plays (a drum machine with its pattern) shows by its notes
when it began to count. Nothing is known of the pattern, so its lateness is taken from the notes themselves.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from runner.audit.facts import Facts
from runner.takes.declared import MachineFacts
from runner.takes.model import IDLE_FROM, TickTrack

_EARLY = 0.1  #: in clocks: a note so little before its clock is one on it, sooner than it was sent
_SETTLING_NS = 2_000_000  #: at least; what a machine needs from a clock to its note is no late start
_FEWEST_NOTES = 12
_BEAT, _SIXTEENTH, _TRIPLET = 24, 6, 8  #: in clocks
_SHARE = 0.9  #: of the notes that must agree
_ODD = 0.6  #: at most this share of them may lie on sixteenths or triplets as they are


@dataclass(frozen=True, slots=True)
class Alignment:
    """The notes of one machine in clocks since the clock after its Start; `lead` is what it had before."""

    machine: MachineFacts
    start_ns: int
    lead_clocks: int
    clocks: Sequence[float]
    interval_ns: float

    @property
    def first(self) -> float:
        """The place of the first note."""
        return self.clocks[0]

    def to_dict(self) -> dict[str, Any]:
        """Return plain data, for the comparison with other takes."""
        return {
            "first_note_clocks": round(self.first, 3),
            "notes": len(self.clocks),
            "lead_clocks": self.lead_clocks,
            "interval_us": round(self.interval_ns / 1000, 3),
            "offset_us": self.machine.offset_ns / 1000,
        }


def alignments(facts: Facts) -> dict[str, Alignment]:
    """Return the alignment of each machine that follows clock and transport and sends notes, by name."""
    found = {}
    for machine in facts.declared.machines:
        if "transport" in machine.follows and "clock" in machine.follows:
            alignment = _alignment(facts, machine)
            if alignment is not None:
                found[machine.name] = alignment
    return found


def _alignment(facts: Facts, machine: MachineFacts) -> Alignment | None:
    track = facts.take.tracks.get((machine.port, "out"))
    start = next((e for e in facts.of_kind("sent") if e.port == machine.port and e.data == b"\xfa"), None)
    if track is None or start is None:
        return None
    status = 0x90 | ((machine.channel or 1) - 1)
    end = facts.take.end.t_ns if facts.take.end is not None else track.t_ns[-1]
    notes = [
        event.t_ns
        for event in facts.of_kind("received")
        if event.port == machine.port and event.t_ns <= end and len(event.data) == 3 and event.data[2]
        and (event.data[0] == status if machine.channel else event.data[0] & 0xF0 == 0x90)
    ]  # fmt: skip
    if len(notes) < _FEWEST_NOTES:
        return None
    ticks, lead = _ticks_after(track, start.t_ns)
    if len(ticks) < _BEAT:
        return None
    places = [_place(ticks, t) for t in notes if t >= ticks[0] - 5_000_000]
    if len(places) < _FEWEST_NOTES:
        return None
    interval = (ticks[-1] - ticks[0]) / (len(ticks) - 1)
    return Alignment(machine, start.t_ns, lead, places, interval)


def _ticks_after(track: TickTrack, start_ns: int) -> tuple[list[int], int]:
    """Return the clocks after Start, and how many came before it."""
    rows = list(zip(track.t_ns, track.number, strict=True))
    after = [t for t, number in rows if number < IDLE_FROM and t > start_ns]
    before = sum(1 for t, number in rows if t < start_ns and t > start_ns - 60 * 10**9)
    return after, before


def _place(ticks: Sequence[int], t_ns: int) -> float:
    index = min(len(ticks) - 2, max(0, bisect_right(ticks, t_ns) - 1))
    return index + (t_ns - ticks[index]) / max(1, ticks[index + 1] - ticks[index])


def clocks_late(alignment: Alignment, bar_clocks: int) -> tuple[int, str]:
    """Return by how many whole clocks a machine started late and why that is thought so; 0 if it did not."""
    late = int(alignment.first + _EARLY)
    if late < 1:
        return 0, ""
    whole = [int(place + _EARLY) for place in alignment.clocks]
    for grid, name in ((_SIXTEENTH, "sixteenths"), (_TRIPLET, "triplets")):
        as_is = sum(1 for place in whole if place % _SIXTEENTH == 0 or place % _TRIPLET == 0)
        moved = sum(1 for place in whole if (place - late) % grid == 0)
        if moved >= _SHARE * len(whole) and as_is <= _ODD * len(whole):
            return late, f"its notes lie on {name} of a beat that begins {late} clocks after ours"
    if _first_round_lacks(whole, late, bar_clocks):
        return late, "what it plays in each later bar before that place is lacking in the first"
    on_beat = sum(1 for place in whole if place % _BEAT == 0)
    moved = sum(1 for place in whole if (place - late) % _BEAT == 0)
    if not on_beat and late < _BEAT and late % (_BEAT // 2) and moved >= len(whole) // 6:
        return late, "it plays on no beat at all, and on each beat so much later"
    return 0, ""


def _first_round_lacks(whole: Sequence[int], late: int, bar_clocks: int) -> bool:
    """Return whether a pattern that repeats by the bar lacks what comes before `late` in its first round."""
    for length in {bar_clocks, 4 * _BEAT, 2 * bar_clocks}:
        rounds = whole[-1] // length
        if rounds < 3 or late >= length:
            continue
        seen = Counter((place // length, place % length) for place in whole)
        phases = Counter(phase for number, phase in seen if 1 <= number < rounds)
        steady = {phase for phase, count in phases.items() if count == rounds - 1}
        if len(steady) < 2 or len(steady) < 0.8 * len(phases):
            continue
        early = {phase for phase in steady if phase < late}
        first = {phase for number, phase in seen if number == 0}
        if early and not early & first and {phase for phase in steady if phase >= late} <= first:
            return True
    return False
