"""What a recorder is asked while a take rolls: whether it records, shortly after and before each punch.

The questions stand in the timeline, so that they go where no clock waits for them and count in the load of
the wire. What the recorder answers is read by `runner.play.machine_control`.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import NamedTuple

from runner.music import FrameRate, TimeCode
from runner.music.machine_control import Field, command, read
from runner.plan.columns import Draft
from runner.plan.cues import is_record, is_record_strobe
from runner.plan.quarter_frames import DEFAULT_TIME_CODE
from runner.plan.reporting import Path, Reporter
from runner.plan.score import ScoreMachine
from runner.plan.stretch import Collected, Frame
from runner.plan.timeline import EventOrder
from runner.session.model import Session

AFTER_NS = 400_000_000  #: from a punch to the question
BEFORE_NS = 300_000_000  #: from the question to the punch that ends a recording
SOURCE = "asks the recorder"


class _Change(NamedTuple):
    """The moment at which a recorder begins or ends to record, in song time without its offset."""

    t_ns: int
    quarters: Fraction
    shift_ns: int
    records: bool


def add_questions(frame: Frame, out: Collected) -> None:
    """Ask each recorder that is punched in this leg about each punch."""
    for machine in frame.score.machines:
        if not machine.recorder:
            continue
        changes = _changes(frame, machine)
        if not any(change.records for change in changes):
            continue
        end = _Change(frame.exit_ns, frame.exit_, 0, False)
        for change, following in zip(changes, [*changes[1:], end], strict=True):
            span_ns = following.t_ns - change.t_ns
            if span_ns > AFTER_NS:
                _ask(out, machine, change, AFTER_NS)
            if change.records and not following.records and span_ns > AFTER_NS + 2 * BEFORE_NS:
                _ask(out, machine, following, -BEFORE_NS)


def _changes(frame: Frame, machine: ScoreMachine) -> list[_Change]:
    """Return the punches of a leg, what is recorded already as it is entered among them."""
    cues = [cue for cue in frame.score.cues if cue.machine == machine.index and is_record(cue)]
    earlier = [cue for cue in cues if cue.t_ns < frame.first_ns]
    changes: list[_Change] = []
    if frame.cold and earlier and is_record_strobe(earlier[-1]):
        changes.append(_Change(frame.ns_of(frame.roll_quarters), frame.roll_quarters, 0, True))
    for cue in cues:
        if frame.includes(cue):
            changes.append(_Change(cue.t_ns, cue.point.quarters, cue.point.shift_ns, is_record_strobe(cue)))
    return changes


def _ask(out: Collected, machine: ScoreMachine, change: _Change, after_ns: int) -> None:
    out.draft(
        Draft(
            change.t_ns + after_ns + machine.offset_ns,
            change.quarters,
            change.shift_ns + after_ns + machine.offset_ns,
            0,
            EventOrder.CONTROL,
            machine.port,
            machine.index,
            SOURCE,
            (command(machine.device_id, read(Field.MOTION, Field.RECORD_STATUS)),),
        )
    )


def check_places(session: Session, text: str | None, path: Path, report: Reporter) -> None:
    """See that each recorder's frame rate has the time code `text` of bar 1, to which it is located."""
    for name, machine in session.machines.items():
        if text is None or machine.kind != "recorder" or "time-code" in machine.follows:
            continue  # one that follows time code is seen to with its port
        try:
            locate_code(text, FrameRate.parse(machine.frame_rate), 0)
        except ValueError as error:
            report.add((*path, "time-code"), f"{error} (frame rate of {name})")


def locate_code(text: str | None, rate: FrameRate, t_ns: int) -> TimeCode:
    """Return the frame that is on at a song time, bar 1 being at the time code `text` of the song.

    ValueError, in words for the user, if the rate has no such time code.
    """
    origin = TimeCode.parse(text or DEFAULT_TIME_CODE, rate)
    return origin.plus(floor(rate.frames_of_ns(t_ns)))
