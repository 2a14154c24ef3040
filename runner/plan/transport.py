"""Start, Stop, Continue and Song Position: what each port is told to stand where the song does.

Facts (MIDI 1.0 Detailed Specification 4.2.1): after Start or Continue a machine moves with the next clock,
which plays its start point (p. 30); at least 1 ms lies between the two (p. 30). Song Position and Song Select
are sent only while the machine stands (p. 27, 29). Song Position counts sixteenths, 6 clocks each, from the
machine's own start (p. 27), so a machine that was started at the pre-roll has the pre-roll in its count.
A port carries one transport: what is said to one machine, all that listen on the port hear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction

from runner.plan.grid import CLOCKS_PER_QUARTER, ClockGrid
from runner.plan.messages import CONTINUE, MAX_SONG_POSITION, START, STOP, song_position
from runner.plan.motion import (
    CLOCKS_PER_SIXTEENTH,
    Motion,
    clocks_from,
    first_start,
    motion_at,
    transport_cues,
)
from runner.plan.reporting import Reporter
from runner.plan.score import CueEvent, Score, ScorePort
from runner.plan.timeline import NO_MACHINE

TRANSPORT_LEAD_NS = 2_000_000  #: Start and Continue before their clock: twice what the standard asks for
STOP_LEAD_NS = 3_000_000  #: Stop a little more, so that a Start for the same clock follows it
MIN_LEAD_NS = 1_000_000  #: MIDI 1.0 4.2.1, p. 30
RELOCATE_NS = 6_000_000  #: Stop, Song Position and Continue need this much between two clocks


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A machine that does not take part from the entry on as it would have in a whole roll.

    A port carries one clock and one transport, so what its machines hear all the same belongs to `why`.
    """

    machine: str
    why: str
    fate: str = "is not started"

    @property
    def text(self) -> str:
        """What becomes of the machine and why, to follow its name."""
        return f"{self.fate}: it {self.why}"


@dataclass(frozen=True, slots=True)
class TransportEvent:
    """One message of the transport: `quarters` is its musical moment, `t_ns` when it is sent."""

    t_ns: int
    quarters: Fraction
    port: int
    machine: int
    source: str
    message: bytes


@dataclass(slots=True)
class PortTransport:
    """What one port gets in one leg. `prologue` is sent before the first clock, in order."""

    events: list[TransportEvent] = field(default_factory=list)
    prologue: list[tuple[str, bytes]] = field(default_factory=list)
    running: list[tuple[int, int]] = field(default_factory=list)  #: from when to when its machines run, ns
    left_out: list[LeftOut] = field(default_factory=list)


class TransportPlanner:
    """Works out the transport of one port for one leg."""

    def __init__(self, score: Score, port: ScorePort, grid: ClockGrid, report: Reporter) -> None:
        self._score = score
        self._port = port
        self._grid = grid
        self._report = report
        self._result = PortTransport()
        self._since: int | None = None  #: since when the machines run
        self._known = True
        self._machine = port.followers[0].index if len(port.followers) == 1 else NO_MACHINE
        self._path = ("machines", port.followers[0].name) if port.followers else ("ports", port.name)

    # ------------------------------------------------------------------ entries

    def from_top(self) -> None:
        """Begin where the song begins: Start at the pre-roll or at bar 1, unless cues there say otherwise."""
        start = first_start(self._score, self._port)
        if start is not None and not self._transport_cue_at(self._grid.tick_at(start)):
            self._send(START, self._grid.tick_at(start), f"{self._score.song} start")

    def from_within(self, entry: Fraction) -> None:
        """Begin in mid-song, from rest: Song Position and Continue to those who follow it."""
        motion = motion_at(self._score, self._port, entry)
        if not (motion.running or motion.clocks):
            return
        locators = [machine for machine in self._port.followers if machine.position]
        if not locators:
            self._without_position(motion)
            return
        names = ", ".join(machine.name for machine in locators)
        if motion.clocks // CLOCKS_PER_SIXTEENTH > MAX_SONG_POSITION:
            why = f"song position reaches {MAX_SONG_POSITION} sixteenths, this is {motion.clocks // 6}"
            self._leave_out(why)
            return
        self._warn_listeners(names)
        extra = motion.clocks % CLOCKS_PER_SIXTEENTH
        self._result.prologue.append(("song position", song_position(motion.clocks // CLOCKS_PER_SIXTEENTH)))
        if not motion.running:
            return
        if self._transport_cue_at(self._grid.entry):
            return
        if extra:
            self._report.note(
                self._path,
                f"{names}: song position only reaches every sixth clock, so it is continued {extra} clocks "
                f"before {self._score.time.at_text(entry)} and plays those as well",
            )
        self._send(CONTINUE, self._grid.entry - extra, "song position")

    def seamless(self, entry: Fraction, before: Motion) -> None:
        """Go on from another leg whose machines were left in the state `before`."""
        wanted = motion_at(self._score, self._port, entry)
        start = first_start(self._score, self._port)
        if start is not None and clocks_from(start, entry) == 0:
            self._start_anew(before)  # a roll from the top begins here: Start takes it to its own beginning
            return
        self._known = before.known
        if before.running:
            self._since = self._grid.ns_of_tick(0) + self._port.offset_ns
        if before == wanted or self._transport_cue_at(0):
            return
        if any(machine.position for machine in self._port.followers):
            self._relocate(wanted, before)
        elif before.running and not wanted.running:
            self._send(STOP, 0, "loop")
        elif wanted.running and not before.running:
            self._known = False
            self._report.warn(self._path, "stands when the loop comes round, and cannot be located")
        elif wanted.running and self._port.followers:
            text = "does not follow song position: when the loop comes round it plays on from where it is"
            self._report.note(self._path, text)

    def new_song(self, before: Motion) -> None:
        """Go straight on from another song: stop what plays, start it for this one, between two clocks."""
        start = first_start(self._score, self._port)
        self._stop_before_seam(before, "next song")
        if start is None or self._transport_cue_at(0):
            return
        counted = clocks_from(start, self._grid.quarters0)
        if counted <= 0:
            self._send(START, self._grid.tick_at(start), f"{self._score.song} start")
            return
        # it counts the pre-roll as its own bars, and there is none between two songs
        if any(machine.position for machine in self._port.followers):
            self._relocate(Motion(True, counted), Motion())
            return
        self._report.warn(
            self._path,
            "counts the pre-roll, which is left out between songs that go straight on: it is that far behind",
        )
        self._send(START, 0, f"{self._score.song} start")

    def _start_anew(self, before: Motion) -> None:
        """Stop what plays and start it between two clocks, at a seam that leads to where it starts."""
        self._stop_before_seam(before, "loop")
        if not self._transport_cue_at(0):
            self._send(START, 0, "loop")

    def _stop_before_seam(self, before: Motion, source: str) -> None:
        """Send Stop before the first clock, with room for a Start behind it, if the machines play."""
        if before.running:
            room = self._grid.interval_before(0) * 6 // 10 if self._port.clock else RELOCATE_NS
            self._since = -(1 << 62)
            at_ns = self._grid.ns_of_tick(0) + self._port.offset_ns
            self._event(at_ns - min(RELOCATE_NS, room), self._grid.quarters0, STOP, source)

    def _relocate(self, wanted: Motion, before: Motion) -> None:
        """Stop, locate and continue between two clocks, the only way that the standard allows."""
        interval = self._grid.interval_before(0)
        sixteenths, extra = divmod(wanted.clocks, CLOCKS_PER_SIXTEENTH)
        if extra or sixteenths > MAX_SONG_POSITION or interval < RELOCATE_NS + TRANSPORT_LEAD_NS:
            reason = (
                "the clocks are too close together" if not extra else "song position cannot name its place"
            )
            self._report.warn(self._path, f"is not located when the loop comes round: {reason}")
            self._known = False
            if before.running and not wanted.running:
                self._send(STOP, 0, "loop")
            return
        at_ns = self._grid.ns_of_tick(0) + self._port.offset_ns
        quarters = self._grid.quarters0
        if before.running:
            self._event(at_ns - RELOCATE_NS, quarters, STOP, "loop")
        self._event(at_ns - RELOCATE_NS + MIN_LEAD_NS, quarters, song_position(sixteenths), "loop")
        if wanted.running:
            self._event(at_ns - TRANSPORT_LEAD_NS, quarters, CONTINUE, "loop")
            self._since = at_ns
        self._known = True

    def _without_position(self, motion: Motion) -> None:
        if not motion.running:
            self._leave_out("it stands where only a whole roll would have brought it", silent=True)
            return
        if self._transport_cue_at(self._grid.entry):
            return
        followers = self._port.followers
        if all(machine.start_anyway for machine in followers):
            lead = self._score.time.pre_roll_quarters if followers[0].from_pre_roll else Fraction(0)
            tick = max(0, self._grid.entry - math.floor(lead * CLOCKS_PER_QUARTER))
            self._send(START, tick, "start at bar 1")
            why = "does not follow song position, and is started from its own beginning"
            fate = "is started at its own bar 1"
            self._result.left_out += [LeftOut(machine.name, why, fate) for machine in followers]
            return
        self._leave_out("does not follow song position")

    def _leave_out(self, why: str, *, silent: bool = False) -> None:
        self._known = False
        if not silent:
            hears = "the clock and the Stop" if self._port.clock else "the Stop"
            why = f"{why} ({hears} of port {self._port.name} still reach it)"
            self._result.left_out += [LeftOut(machine.name, why) for machine in self._port.followers]

    def _warn_listeners(self, names: str) -> None:
        for machine in self._port.followers:
            if not machine.position:
                why = f"does not follow song position, and hears the Continue for {names} on port "
                fate = "goes on from wherever it stands"
                self._result.left_out.append(LeftOut(machine.name, why + self._port.name, fate))

    # ------------------------------------------------------------------ cues and exit

    def cues(self, first_ns: int, last_ns: int) -> None:
        """Send the cues from `first_ns` up to `last_ns` (song time), the latter not included."""
        for quarters, cue in transport_cues(self._score, self._port):
            if first_ns <= cue.t_ns < last_ns:
                self._cue(quarters, cue)

    def _cue(self, quarters: Fraction, cue: CueEvent) -> None:
        message = cue.messages[0]
        if message == CONTINUE and not self._known:
            text = "is not sent: the machine was left out and stands at an unknown place"
            self._report.note(cue.path, f"continue {text}")
            return
        if message != STOP and self._since is not None:
            word = "start" if message == START else "continue"
            self._report.warn(
                cue.path,
                f"{word} is sent while the machine already plays, and is then ignored",
                hint="stop it first",
            )
        tick = self._grid.tick_at(quarters)
        exact = self._grid.quarters0 + Fraction(tick, CLOCKS_PER_QUARTER) == quarters
        inside = self._port.clock and 0 <= tick < len(self._grid.clock_ns)
        if inside and (exact or message != STOP):
            if not exact and not cue.point.shift_ns:
                self._report.note(cue.where, "lies between two clocks: the machine moves with the next one")
            self._send(message, tick, cue.source, cue.machine)
        else:
            self._event(cue.t_ns + cue.offset_ns, quarters, message, cue.source, cue.machine)
        if message == START:
            self._known = True

    def stop_at_exit(self) -> None:
        """Send Stop where the next clock would have been."""
        if not (self._port.followers or self._result.events):
            return
        self._event(self._grid.exit_ns + self._port.offset_ns, self._grid.exit_quarters, STOP, "end")

    def finish(self) -> PortTransport:
        """Return what was planned, sorted by time."""
        if self._since is not None:
            self._result.running.append((self._since, 1 << 62))
        self._result.events.sort(key=lambda event: event.t_ns)
        return self._result

    # ------------------------------------------------------------------ inside

    def _transport_cue_at(self, tick: int) -> bool:
        return any(
            self._grid.tick_at(position) == tick for position, _ in transport_cues(self._score, self._port)
        )

    def _send(self, message: bytes, tick: int, source: str, machine: int | None = None) -> None:
        """Send a message so that it takes effect with the clock `tick`."""
        at_ns = self._grid.ns_of_tick(tick) + self._port.offset_ns
        lead = 0
        if self._port.clock:
            room = self._grid.interval_before(tick)
            wanted = STOP_LEAD_NS if message == STOP else TRANSPORT_LEAD_NS
            lead = min(wanted, room * 6 // 10 if message == STOP else room // 2)
            if message != STOP and lead < MIN_LEAD_NS:
                self._report.add(
                    self._path,
                    f"clocks are {room / 1e6:.2f} ms apart: no room for 1 ms between Start and its clock",
                    hint="a slower tempo",
                )
        self._event(
            at_ns - lead, self._grid.quarters0 + Fraction(tick, CLOCKS_PER_QUARTER), message, source, machine
        )

    def _event(
        self, t_ns: int, quarters: Fraction, message: bytes, source: str, machine: int | None = None
    ) -> None:
        machine = self._machine if machine is None else machine
        self._result.events.append(TransportEvent(t_ns, quarters, self._port.index, machine, source, message))
        if message == STOP and self._since is not None:
            self._result.running.append((self._since, t_ns))
            self._since = None
        elif message in (START, CONTINUE) and self._since is None:
            self._since = t_ns
