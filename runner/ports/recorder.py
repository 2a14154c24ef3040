"""A simulated multitrack recorder: follows the clock's transport, MIDI Machine Control, or both.

Machine control follows MMA RP-013: frame ``F0 7F <device> 06 <commands> F7``, several commands in one
message, device 7F meaning all. Locate ends in a pause; record strobe punches in while it plays, and
starts to play and record when it is fully stopped; Stop and winding end a recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from runner.ports.machine_parts import Complaints, Outbox, Said, answer_identity, check_range

_FAMILY = 3
_MMC_COMMAND = 0x06


class Roll(Enum):
    """What the recorder's transport does."""

    STOPPED = "stopped"
    PLAYING = "playing"
    RECORDING = "recording"
    PAUSED = "paused"
    WINDING = "winding"
    LOCATING = "locating"


_MOVING = frozenset((Roll.PLAYING, Roll.RECORDING))


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    """How a recorder behaves, and what it does wrong.

    `record_ready`: a Start of the clock's transport records instead of playing. `locate_ns`: time that a
    locate takes. Faults: `late_start_clocks`, `ignore_start` (clock's transport and machine control),
    `lose_every` (each nth clock is lost), `stuck_after` (so many clocks, then deaf), `protected`: refuses
    to record.
    """

    device_id: int = 1
    follows_transport: bool = True
    follows_machine_control: bool = True
    record_ready: bool = False
    locate_ns: int = 400_000_000
    late_start_clocks: int = 0
    ignore_start: bool = False
    lose_every: int = 0
    stuck_after: int = 0
    protected: bool = False

    def __post_init__(self) -> None:
        check_range("device-id", self.device_id, 0, 126)


class Recorder:
    """The model. `position` counts clocks since Start; `located` is the target of the last locate."""

    kind = "recorder"

    def __init__(self, settings: RecorderSettings | None = None) -> None:
        self.settings = settings or RecorderSettings()
        self.complaints = Complaints()
        self.roll = Roll.STOPPED
        self.position = 0
        self.clocks = 0
        self.located: bytes = b""  #: hours (with rate bits), minutes, seconds, frames, hundredths
        self.recordings: list[tuple[int, int]] = []  #: (begin, end) of each recording, ns
        self._out = Outbox()
        self._held = 0
        self._record_since = 0
        self._locate_done_ns: int | None = None
        self._play_after_locate = False

    @property
    def stuck(self) -> bool:
        """Whether it has stopped taking notice."""
        return bool(self.settings.stuck_after) and self.clocks > self.settings.stuck_after

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message."""
        self._finish_locate(t_ns)
        status = data[0]
        if status == 0xF8:
            self._clock()
        elif self.stuck:
            return
        elif status == 0xF0:
            answer_identity(self._out, data, t_ns, self.settings.device_id, _FAMILY)
            self._machine_control(data, t_ns)
        elif self.settings.follows_transport:
            self._transport(status, t_ns)

    def due(self, now_ns: int) -> list[Said]:
        """Return its answers, and end a locate whose time has come."""
        self._finish_locate(now_ns)
        return self._out.due(now_ns)

    def next_deadline_ns(self) -> int | None:
        """When a locate ends or an answer goes out."""
        times = [t for t in (self._out.next_ns(), self._locate_done_ns) if t is not None]
        return min(times, default=None)

    def _clock(self) -> None:
        self.clocks += 1
        if self.stuck or (self.settings.lose_every and self.clocks % self.settings.lose_every == 0):
            return
        if self.roll in _MOVING:
            if self._held:
                self._held -= 1
            else:
                self.position += 1

    def _transport(self, status: int, t_ns: int) -> None:
        if status in (0xFA, 0xFB) and self.roll not in _MOVING and not self.settings.ignore_start:
            if status == 0xFA:
                self.position = 0
            self._held = self.settings.late_start_clocks
            self._go(Roll.RECORDING if self.settings.record_ready else Roll.PLAYING, t_ns)
        elif status == 0xFC:
            self._go(Roll.STOPPED, t_ns)

    def _machine_control(self, data: bytes, t_ns: int) -> None:
        if len(data) < 6 or data[1] != 0x7F or data[3] != _MMC_COMMAND:
            return
        if data[2] not in (self.settings.device_id, 0x7F) or not self.settings.follows_machine_control:
            return
        body, at = data[4:-1], 0
        while at < len(body):
            code = body[at]
            counted = 0x40 <= code <= 0x77  # RP-013: these carry a count byte and so many data bytes
            size = 2 + body[at + 1] if counted and at + 1 < len(body) else 1
            if code == 0 or (counted and (at + 1 >= len(body) or at + size > len(body))):
                self.complaints.add(t_ns, "command-cut-short", f"machine control {data.hex(' ').upper()}")
                return
            self._command(code, body[at + 2 : at + size], t_ns)
            at += size

    def _command(self, code: int, data: bytes, t_ns: int) -> None:
        if code in (0x02, 0x03) and self.settings.ignore_start:
            return
        if code == 0x01:
            self._go(Roll.STOPPED, t_ns)
        elif code == 0x03 and self.roll is Roll.LOCATING:
            self._play_after_locate = True
        elif code in (0x02, 0x03):
            if self.roll is not Roll.RECORDING:  # RP-013: Play alone does not end a recording
                self._go(Roll.PLAYING, t_ns)
        elif code in (0x04, 0x05):
            self._go(Roll.WINDING, t_ns)
        elif code == 0x06 and self.roll in (Roll.PLAYING, Roll.STOPPED, Roll.PAUSED):
            self._go(Roll.RECORDING, t_ns)
        elif code == 0x07 and self.roll is Roll.RECORDING:
            self._go(Roll.PLAYING, t_ns)
        elif code == 0x09:
            self._go(Roll.PAUSED, t_ns)
        elif code == 0x44:
            self._locate(data, t_ns)

    def _locate(self, data: bytes, t_ns: int) -> None:
        if len(data) == 6 and data[0] == 0x01:
            self.located = data[1:]
        elif not (len(data) == 2 and data[0] == 0x00):
            self.complaints.add(t_ns, "locate-not-understood", f"locate {data.hex(' ').upper()}")
            return
        self._go(Roll.LOCATING, t_ns)
        self._locate_done_ns = t_ns + self.settings.locate_ns

    def _finish_locate(self, now_ns: int) -> None:
        if self._locate_done_ns is not None and now_ns >= self._locate_done_ns:
            done, play = self._locate_done_ns, self._play_after_locate
            self._go(Roll.PLAYING if play else Roll.PAUSED, done)

    def _go(self, roll: Roll, t_ns: int) -> None:
        if roll is Roll.RECORDING and self.settings.protected:
            self.complaints.add(t_ns, "record-protected", "asked to record, but it is protected")
            roll = Roll.PLAYING
        if self.roll is Roll.RECORDING and roll is not Roll.RECORDING:
            self.recordings.append((self._record_since, t_ns))
        if roll is Roll.RECORDING and self.roll is not Roll.RECORDING:
            self._record_since = t_ns
        self.roll = roll
        self._locate_done_ns = None
        self._play_after_locate = False
