"""Where a port's machines stand at a place of the song, as a whole roll would have left them.

Song Position counts sixteenths, 6 clocks each, from the machine's own start (MIDI 1.0 Detailed Specification
4.2.1, p. 27), so a machine that was started at the pre-roll has the pre-roll in its count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from runner.plan.grid import CLOCKS_PER_QUARTER
from runner.plan.messages import CONTINUE, START, STOP
from runner.plan.score import Action, CueEvent, Score, ScorePort

CLOCKS_PER_SIXTEENTH = 6


@dataclass(frozen=True, slots=True)
class Motion:
    """Whether a port's machines run, and how many clocks they are from their own start.

    `known` is false while they stand at a place that nobody has told them.
    """

    running: bool = False
    clocks: int = 0
    known: bool = True


def clocks_from(first: Fraction, last: Fraction) -> int:
    """Return the clocks between two positions, each taken to the first clock at or after it."""
    return math.ceil(last * CLOCKS_PER_QUARTER) - math.ceil(first * CLOCKS_PER_QUARTER)


def cue_quarters(score: Score, cue: CueEvent) -> Fraction:
    """Return the song position of a cue, also where its moment was shifted by seconds."""
    return score.time.tempo.quarters_at(cue.t_ns) if cue.point.shift_ns else cue.point.quarters


def transport_cues(score: Score, port: ScorePort) -> list[tuple[Fraction, CueEvent]]:
    """Return the port's Start, Stop and Continue cues with their positions; a Stop goes first."""
    cues = [
        (cue_quarters(score, cue), cue)
        for cue in score.cues
        if cue.port == port.index and cue.action is Action.TRANSPORT
    ]
    cues.sort(key=lambda pair: (math.ceil(pair[0] * CLOCKS_PER_QUARTER), pair[1].messages[0] != STOP))
    return cues


def first_start(score: Score, port: ScorePort) -> Fraction | None:
    """Return where a whole roll starts the port's machines by itself, or None if none follows transport."""
    if not port.followers:
        return None
    return score.time.start_quarters if port.followers[0].from_pre_roll else Fraction(0)


def motion_at(score: Score, port: ScorePort, quarters: Fraction) -> Motion:
    """Return what a whole roll would have made of the port's machines just before a position."""
    motion = Motion()
    base = Fraction(0)
    events = [(position, cue.messages[0]) for position, cue in transport_cues(score, port)]
    start = first_start(score, port)
    if start is not None:
        events.insert(0, (start, START))
        events.sort(key=lambda pair: math.ceil(pair[0] * CLOCKS_PER_QUARTER))
    for position, message in events:
        if clocks_from(position, quarters) <= 0:
            break
        if message == STOP and motion.running:
            motion = Motion(False, motion.clocks + clocks_from(base, position))
        elif message == START:
            motion, base = Motion(True, 0), position
        elif message == CONTINUE and not motion.running:
            motion, base = Motion(True, motion.clocks), position
    if motion.running:
        return Motion(True, motion.clocks + clocks_from(base, quarters))
    return motion


def early_clocks(score: Score, port: ScorePort, entry: Fraction) -> int:
    """Return how many clocks before `entry` the port must be continued, as Song Position is that coarse."""
    if not any(machine.position for machine in port.followers):
        return 0
    motion = motion_at(score, port, entry)
    return motion.clocks % CLOCKS_PER_SIXTEENTH if motion.running else 0
