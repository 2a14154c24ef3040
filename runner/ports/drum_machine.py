"""A simulated drum machine: locks to clock, starts on Start, plays a bar of its own again and again.

What it does follows the MIDI 1.0 Detailed Specification 4.2.1, pages 27 to 32: after Start or Continue
nothing moves until the next clock, which plays the start point; clock while stopped only locks it;
Start while playing and Stop while stopped are ignored; a Song Position Pointer counts only while stopped.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from runner.ports.machine_parts import (
    CLOCKS_PER_MIDI_BEAT,
    Complaints,
    Outbox,
    Said,
    answer_identity,
    check_range,
)

MIN_START_GAP_NS = 1_000_000  #: MIDI 1.0 p. 30: at least 1 ms between Start and the first clock
CLOCK_GONE_NS = 500_000_000  #: a machine that had no clock for so long has to settle anew (our choice)
_NOTE_NS = 30_000_000
_KEPT_STROKES = 100_000
_FAMILY = 1

# General MIDI percussion keys (RP-003 table 3): 36 bass drum, 38 snare, 42 closed hi-hat
PATTERN: dict[int, tuple[tuple[int, int], ...]] = {
    0: ((36, 112), (42, 90)),
    12: ((42, 60),),
    24: ((38, 104), (42, 90)),
    36: ((42, 60),),
    48: ((36, 104), (42, 90)),
    60: ((42, 60), (36, 72)),
    72: ((38, 108), (42, 90)),
    84: ((42, 60),),
}


@dataclass(frozen=True, slots=True)
class DrumSettings:
    """How a drum machine behaves, and what it does wrong.

    `settle_clocks`: clocks that it must have had before Start; it comes in late by those that it lacked.
    `bar_clocks`: length of its bar. `latency_ns`: from clock to sound. `locate_ns`: time that it needs
    after a Song Position Pointer; clocks are counted meanwhile, notes are not played. `transmit`: it also
    sends the notes that it plays. Faults: `late_start_clocks`; `ignore_start`; `lose_every`: each nth
    clock is lost; `stuck_after`: so many clocks after its first one it takes no further notice.
    """

    channel: int = 10
    bar_clocks: int = 96
    settle_clocks: int = 24
    latency_ns: int = 0
    follows_position: bool = True
    locate_ns: int = 0
    transmit: bool = False
    device_id: int = 16
    late_start_clocks: int = 0
    ignore_start: bool = False
    lose_every: int = 0
    stuck_after: int = 0

    def __post_init__(self) -> None:
        check_range("channel", self.channel, 1, 16)
        check_range("device-id", self.device_id, 0, 126)
        check_range("bar-clocks", self.bar_clocks, 1, 100_000)


class Stroke(NamedTuple):
    """One note of the pattern as it sounded: when, at which clock of the song, which key."""

    t_ns: int
    clock: int
    key: int


class DrumMachine:
    """The model; `position` is the clock of the song that the next clock byte will play."""

    kind = "drum-machine"

    def __init__(self, settings: DrumSettings | None = None) -> None:
        self.settings = settings or DrumSettings()
        self.complaints = Complaints()
        self.running = False
        self.position = 0
        self.song = 0  #: number of the last Song Select
        self.clocks = 0  #: all clocks seen
        self.clocks_since_start = 0  #: clocks that moved the song since the last Start or Continue
        self.notes_received = 0
        self.strokes: deque[Stroke] = deque(maxlen=_KEPT_STROKES)
        self.downbeat_ns: int | None = None  #: when the song last began to move
        self._out = Outbox()
        self._steady = 0  # clocks in a row without a gap
        self._held = 0  # clocks still to be let pass before it moves
        self._last_clock_ns: int | None = None
        self._started_ns: int | None = None  # Start or Continue seen, first clock not yet
        self._located_ns = 0

    @property
    def settled(self) -> bool:
        """Whether it has had enough clock to start on time."""
        return self._steady >= self.settings.settle_clocks

    @property
    def stuck(self) -> bool:
        """Whether it has stopped taking notice."""
        return bool(self.settings.stuck_after) and self.clocks > self.settings.stuck_after

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message."""
        status = data[0]
        if status == 0xF8:
            self._clock(t_ns)
        elif self.stuck:
            return
        elif status in (0xFA, 0xFB):
            self._start(t_ns, from_the_top=status == 0xFA)
        elif status == 0xFC:
            self.running = False
            self._started_ns = None
        elif status == 0xF2:
            self._locate(data[1] | data[2] << 7, t_ns)
        elif status == 0xF3:
            self._select(data[1], t_ns)
        elif status == 0xF0:
            answer_identity(self._out, data, t_ns, self.settings.device_id, _FAMILY)
        elif status == 0x90 | self.settings.channel - 1 and data[2]:
            self.notes_received += 1

    def due(self, now_ns: int) -> list[Said]:
        """Return the notes that it sends up to `now_ns`, and answers."""
        return self._out.due(now_ns)

    def next_deadline_ns(self) -> int | None:
        """When it has something to send."""
        return self._out.next_ns()

    def _clock(self, t_ns: int) -> None:
        settings = self.settings
        self.clocks += 1
        gone = self._last_clock_ns is not None and t_ns - self._last_clock_ns > CLOCK_GONE_NS
        self._last_clock_ns = t_ns
        if self.stuck or (settings.lose_every and self.clocks % settings.lose_every == 0):
            return
        self._steady = 1 if gone else self._steady + 1
        if not self.running:
            return
        if self._started_ns is not None:
            if t_ns - self._started_ns < MIN_START_GAP_NS:
                text = f"first clock {(t_ns - self._started_ns) / 1e3:.0f} µs after Start, needs 1000"
                self.complaints.add(t_ns, "clock-too-soon", text)
            self._started_ns = None
        if self._held:
            self._held -= 1
            return
        if not self.clocks_since_start:
            self.downbeat_ns = t_ns + settings.latency_ns
        self.clocks_since_start += 1
        clock, self.position = self.position, self.position + 1
        if t_ns >= self._located_ns:
            self._play(clock, t_ns + settings.latency_ns)

    def _play(self, clock: int, t_ns: int) -> None:
        for key, velocity in PATTERN.get(clock % self.settings.bar_clocks, ()):
            self.strokes.append(Stroke(t_ns, clock, key))
            if self.settings.transmit:
                status = 0x90 | self.settings.channel - 1
                self._out.say(t_ns, bytes((status, key, velocity)))
                self._out.say(t_ns + _NOTE_NS, bytes((status, key, 0)))

    def _start(self, t_ns: int, *, from_the_top: bool) -> None:
        if self.running or self.settings.ignore_start:
            return
        if from_the_top:
            self.position = 0
        lacking = max(0, self.settings.settle_clocks - self._steady)
        if lacking:
            text = f"started after {self._steady} clocks, needs {self.settings.settle_clocks} to settle"
            self.complaints.add(t_ns, "start-before-settled", text)
        self._held = self.settings.late_start_clocks + lacking
        self.running = True
        self.clocks_since_start = 0
        self.downbeat_ns = None
        self._started_ns = t_ns

    def _locate(self, midi_beats: int, t_ns: int) -> None:
        if self.running:
            self.complaints.add(t_ns, "position-while-playing", f"Song Position Pointer {midi_beats} ignored")
        elif not self.settings.follows_position:
            self.complaints.add(t_ns, "position-not-followed", f"Song Position Pointer {midi_beats} ignored")
        else:
            self.position = midi_beats * CLOCKS_PER_MIDI_BEAT
            self._located_ns = t_ns + self.settings.locate_ns

    def _select(self, song: int, t_ns: int) -> None:
        if self.running:
            self.complaints.add(t_ns, "song-select-while-playing", f"Song Select {song} ignored")
        else:
            self.song = song
            self.position = 0
