"""The player: given a course, tells what is to be sent now and when to ask again. Pure.

It never waits and never reads a clock: `roll(now)`, `stop(now)`, `due(now)` and `next_deadline_ns`
are all there is to drive it. A leg of the course becomes a handful of streams; each next leg is put in
place shortly before the seam, so that what it must send early (programs, early machines) is in time,
and begins exactly where the one before it ends: one anchor for each leg, worked out from the last, in
integer ns, so that a thousand passes of a loop drift by nothing.

Everything sent goes through `Sounding`; whatever ends a roll asks it for the Note Offs that are owed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from runner.errors import StateError
from runner.plan.timeline import NO_MACHINE, Course, Stage, Timeline
from runner.play.commands import RigMachine
from runner.play.legtime import AnchoredTime, LegTime
from runner.play.sounding import Sounding, mode_messages
from runner.play.states import PlayEvent, PlayState, next_state
from runner.play.streams import NEVER, NO_TICK, EventStream, Send, StageStream, TickStream, tick_groups
from runner.play.time_code_stream import TimeCodeStream

ROLL_MARGIN_NS = 30_000_000  #: from the order to roll to the first thing that is due: time to get set
SEAM_MARGIN_NS = 20_000_000  #: a next leg is put in place this much before its first event is due

_STAGE_EVENTS = {
    Stage.LEAD: PlayEvent.LEAD,
    Stage.PRE_ROLL: PlayEvent.PRE_ROLL,
    Stage.SONG: PlayEvent.SONG,
    Stage.TAIL: PlayEvent.TAIL,
    Stage.END: PlayEvent.END,
}

AnyStream = EventStream | TickStream | TimeCodeStream

MOVING = frozenset({PlayState.LEAD, PlayState.PRE_ROLL, PlayState.ROLLING, PlayState.TAIL})


@dataclass(frozen=True, slots=True)
class Note:
    """Something about the roll that is worth a record: `kind` is "state", "leg" or "end"."""

    kind: str
    t_ns: int
    quarters: float
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class _LegInPlay:
    """A leg that has been put in place, and the clock that it goes by."""

    index: int
    passes: int
    timeline: Timeline
    time: LegTime
    streams: list[AnyStream]
    stages: StageStream

    @property
    def exit_ns(self) -> int:
        """When the leg ends."""
        return self.time.when(self.timeline.exit_ns, self.timeline.exit_quarters, 0)


class Player:
    """Plays courses on a rig. Ports and machines are numbered as in the rig's configuration."""

    def __init__(
        self, machines: Sequence[RigMachine], port_count: int, sounding: Sounding | None = None
    ) -> None:
        self.state = PlayState.EMPTY
        self.sounding = sounding or Sounding()
        self._machines = tuple(machines)
        self._ports = tuple(range(port_count))
        self._course: Course | None = None
        self._legs: list[_LegInPlay] = []
        self._seam_pending = False  #: whether it is still to be decided what follows the last leg
        self._seam_ns = NEVER  #: when the next leg is to be put in place
        self._go = False
        self._tick = 0  #: number of the first tick of the leg that was put in place last
        self._muted: set[int] = set()
        # the channels of each machine's notes, as bits: its own, and those that cues have named
        self._channels = [1 << each.channel - 1 if each.channel else 0 for each in machines]
        self._cuts: list[Send] = []
        self._notes: list[Note] = []

    # ------------------------------------------------------------------ what the outside orders

    def load(self, course: Course) -> None:
        """Make `course` the one that rolls next; raises `StateError` while one is rolling."""
        state = next_state(self.state, PlayEvent.LOAD)
        if not course.legs:
            raise ValueError("a course needs at least one leg")
        self._course = course
        self.state = state

    def extend(self, course: Course) -> bool:
        """Let `course` follow the last leg of the one that rolls, without a gap.

        Returns False, and changes nothing, if the last leg's end is already being played out.
        """
        if self._course is None or self.state not in MOVING:
            return False
        last = self._legs[-1] if self._legs else None
        if last is not None and last.index == len(self._course.legs) - 1 and self._seam_ns == NEVER:
            return False
        self._course = Course(self._course.legs + course.legs)
        return True

    def roll(self, now_ns: int) -> int:
        """Begin the loaded course; return the anchor: the monotonic time of bar 1 beat 1.

        The earliest event of all machines decides when the roll begins. Raises `StateError`.
        """
        state = next_state(self.state, PlayEvent.ROLL)
        assert self._course is not None
        first = self._course.legs[0].timeline
        self._note_muted(now_ns, first.entry_quarters)
        origin = now_ns + ROLL_MARGIN_NS - first.start_ns
        self._go = False
        self._tick = 0
        self._legs = []
        self._place_leg(0, 1, AnchoredTime(first, origin))
        self.state = state
        return origin

    def go(self, now_ns: int) -> None:
        """End the hold that plays at its next seam; raises `StateError` if none plays.

        The first pass of a hold belongs to the leg before it: told then, the song runs on without it.
        """
        state = next_state(self.state, PlayEvent.GO)
        current = self._leg_at(now_ns)
        if self._course is None or current is None or not self._holds(current, now_ns):
            raise StateError("no hold is being played", "go on")
        self.state = state
        self._go = True

    def _holds(self, current: _LegInPlay, now_ns: int) -> bool:
        assert self._course is not None
        legs = self._course.legs
        if legs[current.index].repeats == 0:
            return True
        if current.index + 1 >= len(legs) or legs[current.index + 1].repeats:
            return False
        return current.time.position(now_ns) >= legs[current.index + 1].timeline.entry_quarters

    def mute(self, machine: int, muted: bool, now_ns: int) -> None:
        """Keep a machine's notes back, or let them through; what it sounds is ended at once."""
        if muted != (machine in self._muted) and self.moving:
            data = {"state": "mute", "machine": self._machines[machine].name, "muted": muted}
            self._notes.append(Note("state", now_ns, self.position(now_ns), data))
        if muted:
            self._muted.add(machine)
            port = self._machines[machine].port
            for channel in range(16):
                if self._channels[machine] >> channel & 1:
                    self._queue_cuts(port, machine, self.sounding.note_offs(port, channel), now_ns)
        else:
            self._muted.discard(machine)

    def _note_muted(self, now_ns: int, quarters: float) -> None:
        """Write down which machines are muted as a roll begins."""
        for machine in sorted(self._muted):
            data = {"state": "mute", "machine": self._machines[machine].name, "muted": True}
            self._notes.append(Note("state", now_ns, quarters, data))

    def stop(self, now_ns: int, why: str) -> None:
        """End the roll at once: Stop, then a Note Off for each sounding note, then the mode messages."""
        was = self.state
        quarters = self.position(now_ns)
        self.state = next_state(was, PlayEvent.STOP)
        if was in MOVING or was is PlayState.ARMED:
            self._end(now_ns, quarters, why, "stopped")
            self.silence(now_ns)

    def panic(self, now_ns: int, why: str) -> None:
        """Stop, and send every silencing message there is to every channel of every machine."""
        self.stop(now_ns, why)
        self.silence(now_ns, panic=True)

    def silence(self, now_ns: int, *, panic: bool = False) -> None:
        """Queue all that silences the rig, in this order: Stop, Note Offs, pedals up, mode messages."""
        for port in self._ports:
            self._queue_cuts(port, NO_MACHINE, self.sounding.stop(port), now_ns)
        for port in self._ports:
            self._queue_cuts(port, NO_MACHINE, self.sounding.note_offs(port), now_ns)
        for index, machine in enumerate(self._machines):
            self._queue_cuts(machine.port, index, mode_messages(machine, panic=panic), now_ns)

    # ------------------------------------------------------------------ what the loop asks

    @property
    def moving(self) -> bool:
        """Whether a roll is under way."""
        return self.state in MOVING

    def next_deadline_ns(self) -> int | None:
        """Return when `due` is next worth calling (monotonic ns), or None while nothing is to come."""
        if self._cuts:
            return self._cuts[0].due_ns
        soonest = self._seam_ns
        for leg in self._legs:
            if leg.stages.due_ns < soonest:
                soonest = leg.stages.due_ns
            for stream in leg.streams:
                if stream.due_ns < soonest:
                    soonest = stream.due_ns
        return None if soonest == NEVER else soonest

    def next_check_ns(self) -> int | None:
        """Return when `due` must be called though nothing is to be sent; never, for our own clock."""
        return None

    def due(self, now_ns: int, ahead_ns: int = 0) -> list[Send]:
        """Return all that is due at `now_ns`, in the order in which it is to be sent.

        With `ahead_ns` also what is due that much later, for a caller that holds it until its moment.
        """
        now_ns += ahead_ns
        sends: list[Send] = []
        while True:
            if self._cuts:
                sends += self._cuts
                self._cuts = []
            item = self._soonest(now_ns)
            if item is None:
                break
            if isinstance(item, StageStream):
                self._begin_stage(item)
                continue
            sends += self._pass(item.take())
        return sends

    def take_notes(self) -> list[Note]:
        """Return what happened since the last call, and forget it."""
        notes, self._notes = self._notes, []
        return notes

    def position(self, now_ns: int) -> float:
        """Return the song position at `now_ns` in quarters, to the last tick; NaN while nothing rolls."""
        leg = self._leg_at(now_ns)
        return float("nan") if leg is None else leg.time.position(now_ns)

    @property
    def song(self) -> str:
        """The song of the leg that was put in place last, or of the loaded course; empty if none."""
        if self._legs:
            return self._legs[-1].timeline.song
        return self._course.legs[0].timeline.song if self._course else ""

    # ------------------------------------------------------------------ inside

    def _leg_at(self, now_ns: int) -> _LegInPlay | None:
        """Return the leg in whose stretch `now_ns` lies: the next one may be in place already."""
        for leg in reversed(self._legs):
            if leg.time.entered(now_ns):
                return leg
        return self._legs[0] if self._legs else None

    def _soonest(self, now_ns: int) -> AnyStream | StageStream | None:
        """Return the stream whose item is next, if that is due; puts the next leg in place on the way."""
        if self._seam_ns <= now_ns:
            self._next_leg()
        best: AnyStream | StageStream | None = None
        best_due = now_ns + 1
        best_order = 0
        for leg in self._legs:
            for stream in (leg.stages, *leg.streams):
                due = stream.due_ns
                if due < best_due or (due == best_due and best is not None and stream.order < best_order):
                    best, best_due, best_order = stream, due, stream.order
        return best

    def _pass(self, sends: list[Send]) -> Iterable[Send]:
        """Keep the books for what is sent, and hold back the notes of muted machines."""
        passed = []
        for send in sends:
            if send.tick == NO_TICK:
                if self._muted and self._held_back(send):
                    continue
                self.sounding.track(send.port, send.data)
                if send.data[0] & 0xF0 == 0x90 and send.machine < len(self._channels):
                    self._channels[send.machine] |= 1 << (send.data[0] & 0x0F)
            passed.append(send)
        return passed

    def _held_back(self, send: Send) -> bool:
        """Return whether a note of a muted machine, or the end of one that never sounded, is kept back."""
        if send.machine not in self._muted:
            return False
        kind = send.data[0] & 0xF0
        if kind == 0x90 and send.data[2]:
            return True
        return kind in (0x80, 0x90) and not self.sounding.is_on(send.port, send.data)

    def _queue_cuts(self, port: int, machine: int, messages: Iterable[bytes], now_ns: int) -> None:
        for data in list(messages):
            self._cuts.append(Send(now_ns, port, data, machine, 0, float("nan"), NO_TICK, True))
            self.sounding.track(port, data)

    def _place_leg(self, index: int, passes: int, time: LegTime, at_ns: int = 0) -> None:
        """Put a leg in place; `at_ns` is for its note in the record while its entry is not predicted."""
        assert self._course is not None
        timeline = self._course.legs[index].timeline
        streams = self._streams(timeline, time)
        in_play = _LegInPlay(index, passes, timeline, time, streams, StageStream(timeline, time.when))
        self._legs.append(in_play)
        entry = time.when(timeline.entry_ns, timeline.entry_quarters, 0)
        data = {"leg": index, "pass": passes}
        self._notes.append(Note("leg", at_ns if entry == NEVER else entry, timeline.entry_quarters, data))
        self._tick += len(timeline.clock_ns)
        self._seam_pending = True
        self._seam_ns = self._seam_time(in_play)

    def _streams(self, timeline: Timeline, time: LegTime) -> list[AnyStream]:
        streams: list[AnyStream] = [EventStream(timeline, time.when)]
        for span, ports in tick_groups(timeline).items():
            streams.append(TickStream(timeline, ports, span, self._tick, time.when))
        return streams + time_code_streams(timeline, time)

    def _retime(self) -> None:
        """Work out anew when everything is due: the clock that rules has told something new."""
        for leg in self._legs:
            leg.stages.retime()
            for stream in leg.streams:
                stream.retime()
        if self._legs and self._seam_pending:
            self._seam_ns = self._seam_time(self._legs[-1])

    def _seam_time(self, in_play: _LegInPlay) -> int:
        """Return when the leg after this one must be put in place; never, after the last one."""
        assert self._course is not None
        leg = self._course.legs[in_play.index]
        repeats = leg.repeats != 1
        following = in_play.index + 1 < len(self._course.legs)
        if not repeats and not following:
            return NEVER
        candidates = [leg.timeline] if repeats else []
        candidates += [
            after.timeline for after in self._course.legs[in_play.index + 1 : in_play.index + 3] if following
        ]
        early = max(timeline.entry_ns - timeline.start_ns for timeline in candidates)
        end = in_play.exit_ns
        return NEVER if end == NEVER else end - early - SEAM_MARGIN_NS

    def _next_leg(self) -> None:
        """Decide what comes after the leg that plays, and put it in place at the seam."""
        assert self._course is not None
        current = self._legs[-1]
        leg = self._course.legs[current.index]
        self._seam_ns = NEVER
        self._seam_pending = False
        self._legs = [old for old in self._legs if not _spent(old)] or [current]
        again = leg.repeats == 0 and not self._go
        if again or (leg.repeats > 1 and current.passes < leg.repeats):
            self._place_leg(current.index, current.passes + 1, current.time.after(leg.timeline))
            return
        index = current.index + 1
        if self._go and leg.repeats and self._course.legs[index].repeats == 0:
            index += 1  # told to go on in the first pass of a hold: it is not held at all
        self._go = False
        if index < len(self._course.legs):
            following = self._course.legs[index].timeline
            self._place_leg(index, 1, current.time.after(following))

    def _begin_stage(self, stages: StageStream) -> None:
        stage, quarters, due_ns = stages.take()
        self.state = next_state(self.state, _STAGE_EVENTS[stage])
        if stage is Stage.END:
            self._end(due_ns, quarters, "end of the song", "complete")
            if self.sounding.any_left(self._ports):
                self.silence(due_ns)
        else:
            self._notes.append(Note("state", due_ns, quarters, {"state": self.state.value}))

    def _end(self, t_ns: int, quarters: float, why: str, outcome: str) -> None:
        self._legs = []
        self._seam_ns = NEVER
        self._notes.append(Note("state", t_ns, quarters, {"state": self.state.value, "why": why}))
        self._notes.append(Note("end", t_ns, quarters, {"why": why, "outcome": outcome}))


def time_code_streams(timeline: Timeline, time: LegTime) -> list[AnyStream]:
    """Return the streams of a leg's quarter frames."""
    return [TimeCodeStream(timeline, role, time.when) for role in timeline.time_codes]


def _spent(leg: _LegInPlay) -> bool:
    """Return whether nothing of the leg is left to send."""
    return leg.stages.due_ns == NEVER and all(stream.due_ns == NEVER for stream in leg.streams)
