"""A song with everything resolved that does not depend on where it is entered: its parts and cues.

A `Score` is made once for a song and then compiled into as many legs as a roll needs. Notes stay in
columns (`Voice`), as there may be a hundred thousand; cues are few and are objects (`CueEvent`).
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum
from fractions import Fraction

from runner.music import FrameRate, Point, SongTime, Span, TimeCode
from runner.plan.parts import NO_PARTNER, PartNotes
from runner.plan.reporting import Path
from runner.plan.timeline import NO_MACHINE, EventOrder
from runner.plan.wire import Link


class Action(IntEnum):
    """What kind of thing a cue does, which decides how it is scheduled."""

    NOTE = 0
    PROGRAM = 1  #: sent early, so as to be in force
    CONTROL = 2
    SYSEX = 3
    TRANSPORT = 4  #: Start, Stop or Continue
    SELECT = 5  #: Song Select or Song Position: only while the machine stands
    RAW = 6


@dataclass(frozen=True, slots=True)
class CueEvent:
    """One cue, resolved. `t_ns` is its moment in song time without the machine's offset."""

    path: Path
    source: str
    action: Action
    point: Point
    t_ns: int
    port: int
    machine: int  #: index, or `NO_MACHINE` for a cue that goes straight to a port
    offset_ns: int
    settle_ns: int
    messages: tuple[bytes, ...]
    end: Point | None = None  #: of a note
    end_ns: int = 0

    @property
    def is_note(self) -> bool:
        """Whether it begins or ends notes, and does nothing else."""
        return self.action is Action.NOTE or all(data[0] & 0xE0 == 0x80 for data in self.messages)

    @property
    def where(self) -> Path:
        """The place of the cue's moment in the session file."""
        return (*self.path, "at")


@dataclass(frozen=True, slots=True)
class ScoreMachine:
    """A machine of the session as the plan needs it."""

    index: int
    name: str
    port: int
    channel: int | None
    offset_ns: int
    settle_ns: int
    clock: bool
    transport: bool
    position: bool
    from_pre_roll: bool  #: gets Start as the pre-roll begins
    start_anyway: bool  #: from within a song, without position: gets Start there
    device_id: int
    recorder: bool
    time_code: FrameRate | None = None  #: the rate at which it is sent time code


@dataclass(frozen=True, slots=True)
class ScorePort:
    """A port of the session as the plan needs it."""

    index: int
    name: str
    link: Link
    raw: bool
    offset_ns: int  #: of the clock and transport that it carries
    clock: bool
    machines: tuple[ScoreMachine, ...]
    time_code: FrameRate | None = None  #: the rate of the time code that it carries
    time_code_offset_ns: int = 0
    time_code_machine: int = NO_MACHINE  #: who it is for, if only one is

    @property
    def is_led(self) -> bool:
        """Whether any machine on it gets clock or transport."""
        return any(machine.clock or machine.transport for machine in self.machines)

    @property
    def followers(self) -> tuple[ScoreMachine, ...]:
        """The machines on it that get Start and Stop."""
        return tuple(machine for machine in self.machines if machine.transport)


@dataclass(slots=True)
class Voice:
    """What one part, or the click, sends to a machine: columns as in `PartNotes`, with times.

    `ns` is song time without the machine's offset. `state_rows` are the rows that leave a state behind.
    """

    path: Path
    source: str
    name: str  #: of the machine
    port: int
    machine: int
    offset_ns: int
    settle_ns: int
    ppq: int
    ticks: array[int]
    ns: list[int]
    quarters: array[float]
    messages: list[bytes]
    order: bytes
    partner: array[int]
    state_rows: list[int]
    only_pre_roll: bool = False  #: a click that counts in and then is silent

    def row_at(self, quarters: Fraction) -> int:
        """Return the first row at or after a song position."""
        return bisect_left(self.ticks, math.ceil(quarters * self.ppq))

    def row_to(self, quarters: Fraction) -> int:
        """Return the first row that belongs to what comes after a song position where all ends.

        What a part says at that very place (pedals up, Note Offs) still belongs to what ends there; only
        the notes that begin there do not.
        """
        row = self.row_at(quarters)
        while (
            row < len(self.ticks)
            and self.ticks[row] == quarters * self.ppq
            and self.order[row] != EventOrder.NOTE_ON
        ):
            row += 1
        return row


def voice_of(notes: PartNotes, machine: ScoreMachine, time: SongTime, path: Path, source: str) -> Voice:
    """Return the voice of a part: `notes` with the times that the song's tempo map gives them."""
    order = notes.order
    state_rows: list[int] = []
    for kind in (EventOrder.PROGRAM, EventOrder.CONTROL):
        at = order.find(kind)
        while at >= 0:
            state_rows.append(at)
            at = order.find(kind, at + 1)
    state_rows.sort()
    ppq = notes.ppq
    return Voice(
        path,
        source,
        machine.name,
        machine.port,
        machine.index,
        machine.offset_ns,
        machine.settle_ns,
        ppq,
        notes.ticks,
        time.tempo.ns_of_ticks(notes.ticks, ppq),
        array("d", [tick / ppq for tick in notes.ticks]),
        notes.messages(),
        order,
        notes.partner,
        state_rows,
    )


@dataclass(slots=True)
class Score:
    """Everything of one song that may be sent."""

    song: str
    path: Path
    time: SongTime
    ports: tuple[ScorePort, ...]
    machines: tuple[ScoreMachine, ...]
    lead: Span
    pre_roll: Span
    tail: Span
    voices: list[Voice] = field(default_factory=list)
    cues: list[CueEvent] = field(default_factory=list)  #: sorted by moment
    click: Voice | None = None
    time_code: str = ""  #: of bar 1, as the session writes it
    origins: Mapping[int, TimeCode] = field(default_factory=dict)  #: time code of bar 1, by port

    def without(self, names: Iterable[str]) -> Score:
        """Return the same score with the parts of some machines, and the notes of their cues, left out.

        Their other cues stay, so that the machine is right when it is heard again; the click stays.
        """
        muted = frozenset(names)
        voices = [voice for voice in self.voices if voice.name not in muted]
        silent = {machine.index for machine in self.machines if machine.name in muted}
        cues = [cue for cue in self.cues if not (cue.machine in silent and cue.is_note)]
        return replace(self, voices=voices, cues=cues)

    def state_messages(self, t_ns: int, include: bool = False) -> list[tuple[int, int, int, int]]:
        """Return (port, status, data 1, data 2) of all that leaves a state before `t_ns`, in order.

        With `include`, what happens at `t_ns` itself counts as well.
        """
        side = bisect_right if include else bisect_left
        runs: list[list[tuple[int, int, int, bytes]]] = []
        for voice in self.voices:
            if voice.state_rows:
                last = side(voice.ns, t_ns)
                rows = voice.state_rows[: bisect_left(voice.state_rows, last)]
                ns, order, messages, port = voice.ns, voice.order, voice.messages, voice.port
                runs.append([(ns[row], order[row], port, messages[row]) for row in rows])
        cues = [
            (
                cue.t_ns,
                EventOrder.PROGRAM if cue.action is Action.PROGRAM else EventOrder.CONTROL,
                cue.port,
                message,
            )
            for cue in self.cues
            if cue.t_ns < t_ns or (include and cue.t_ns == t_ns)
            for message in cue.messages
            if 0xB0 <= message[0] < 0xF0
        ]
        runs.append([(t, int(order), port, message) for t, order, port, message in cues])
        if sum(1 for run in runs if run) > 1:
            merged = sorted((row for run in runs for row in run), key=lambda row: row[:2])
        else:
            merged = next((run for run in runs if run), [])
        return [(port, m[0], m[1], m[2] if len(m) > 2 else 0) for _, _, port, m in merged]

    def sounding_at(self, voice: Voice, quarters: Fraction, *, closed: bool = False) -> list[int]:
        """Return the Note On rows of `voice` that began before `quarters` and end after it.

        With `closed`, those that end right there as well.
        """
        last = voice.row_at(quarters)
        ticks, partner = voice.ticks, voice.partner
        bound = quarters * voice.ppq
        return [
            row
            for row, other in enumerate(partner[:last])
            if other >= last and other != NO_PARTNER and (closed or ticks[other] > bound)
        ]
