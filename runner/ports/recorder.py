"""A simulated multitrack recorder: beat clock's transport, MIDI Machine Control, and time code both ways.

Machine control follows MMA RP-013: frame ``F0 7F <device> 06 <commands> F7``, several commands in one
message, device 7F meaning all. Locate ends in a pause; record strobe punches in while it plays, and
starts to play and record when it is fully stopped; Stop and winding end a recording. It answers reads of
motion, record status and time (`runner.music.machine_control`), sends time code while its tape runs if told
to, and chases the time code that it is sent if told to.
"""

from __future__ import annotations

from enum import Enum

from runner.music.machine_control import (
    ALL_DEVICES,
    NO_PROCESS,
    Command,
    Field,
    Mmc,
    Motion,
    RecordStatus,
    answer,
    locate_target,
    motion_field,
    read_commands,
    record_field,
    refusal_field,
    time_field,
)
from runner.ports.machine_parts import Complaints, Outbox, Said, answer_identity
from runner.ports.recorder_settings import RecorderSettings
from runner.ports.recorder_tape import Chase, Tape, TimeCodeSender

_FAMILY = 3
_CHASE_LOST_NS = 100_000_000  #: time code that stays away for so long has stopped


class Roll(Enum):
    """What the recorder's transport does."""

    STOPPED = "stopped"
    PLAYING = "playing"
    RECORDING = "recording"
    PAUSED = "paused"
    WINDING = "winding"
    LOCATING = "locating"


_MOVING = frozenset((Roll.PLAYING, Roll.RECORDING))
_STATES = {
    Roll.STOPPED: Mmc.STOP,
    Roll.PLAYING: Mmc.PLAY,
    Roll.RECORDING: Mmc.PLAY,
    Roll.PAUSED: Mmc.PAUSE,
    Roll.WINDING: Mmc.FAST_FORWARD,
    Roll.LOCATING: Mmc.PAUSE,
}


class Recorder:
    """The model. `position` counts clocks since Start; `located` is the target of the last locate.

    `recordings` are (begin, end) in ns of monotonic time, `recorded` the same in ns of the tape.
    """

    kind = "recorder"

    def __init__(self, settings: RecorderSettings | None = None) -> None:
        self.settings = settings or RecorderSettings()
        self.complaints = Complaints()
        self.roll = Roll.STOPPED
        self.position = 0
        self.clocks = 0
        self.located: bytes = b""  #: hours (with rate bits), minutes, seconds, frames, hundredths
        self.recordings: list[tuple[int, int]] = []
        self.recorded: list[tuple[int, int]] = []
        self.tape = Tape(self.settings.rate, self.settings.stands_at_ns, self.settings.speed)
        self._sender = TimeCodeSender(
            self.tape, self.settings.coded, self.settings.jitter_ns, self.settings.seed
        )
        self._chase = Chase()
        self._out = Outbox()
        self._held = 0
        self._record_since = 0
        self._recorded_from_ns = 0
        self._locate_done_ns: int | None = None
        self._locate_to_ns: int | None = None
        self._play_after_locate = False
        self._at_speed_ns = 0
        self._rolled_ns = 0  #: since when it plays, for the faults that come by themselves

    @property
    def stuck(self) -> bool:
        """Whether it has stopped taking notice."""
        return bool(self.settings.stuck_after) and self.clocks > self.settings.stuck_after

    @property
    def recording_since(self) -> int | None:
        """Since when it records, monotonic ns; None while it does not."""
        return self._record_since if self.roll is Roll.RECORDING else None

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message."""
        self._timers(t_ns)
        status = data[0]
        if status == 0xF8:
            self._clock()
        elif self.stuck:
            return
        elif status == 0xF0:
            answer_identity(self._out, data, t_ns, self.settings.device_id, _FAMILY)
            self._machine_control(data, t_ns)
        elif status == 0xF1 and self.settings.chases:
            self._take_time_code(data, t_ns)
        elif self.settings.follows_transport:
            self._transport(status, t_ns)

    def due(self, now_ns: int) -> list[Said]:
        """Return its answers and its time code, and end a locate whose time has come."""
        self._timers(now_ns)
        said = self._out.due(now_ns)
        while (due_ns := self._sender.next_ns()) is not None and due_ns <= now_ns:
            sent = self._sender.take()
            if sent is not None:
                said.append(Said(*sent))
        said.sort(key=lambda each: each.t_ns)
        return said

    def next_deadline_ns(self) -> int | None:
        """When a locate ends, an answer or a quarter frame goes out, or a fault comes by itself."""
        times = [self._out.next_ns(), self._locate_done_ns, self._sender.next_ns(), self._fault_ns()]
        if self.settings.chases and self.roll in _MOVING and self._chase.last_ns is not None:
            times.append(self._chase.last_ns + _CHASE_LOST_NS)
        return min((t for t in times if t is not None), default=None)

    # ------------------------------------------------------------------ beat clock

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

    # ------------------------------------------------------------------ machine control

    def _machine_control(self, data: bytes, t_ns: int) -> None:
        if not self.settings.follows_machine_control:
            return
        try:
            read = read_commands(data)
        except ValueError as error:
            self.complaints.add(t_ns, "command-cut-short", str(error))
            return
        if read is None or read[0] not in (self.settings.device_id, ALL_DEVICES):
            return
        for command in read[1]:
            self._command(command, t_ns)

    def _command(self, command: Command, t_ns: int) -> None:
        code = command.code
        if code in (Mmc.PLAY, Mmc.DEFERRED_PLAY) and self.settings.ignore_start:
            return
        if code in (Mmc.STOP, Mmc.RECORD_EXIT) and self.settings.ignores_stop:
            return
        if code == Mmc.STOP:
            self._go(Roll.STOPPED, t_ns)
        elif code == Mmc.DEFERRED_PLAY and self.roll is Roll.LOCATING:
            self._play_after_locate = True
        elif code in (Mmc.PLAY, Mmc.DEFERRED_PLAY):
            if self.roll not in _MOVING:  # RP-013: Play alone does not end a recording
                self._go(Roll.PLAYING, t_ns)
        elif code in (Mmc.FAST_FORWARD, Mmc.REWIND):
            self._go(Roll.WINDING, t_ns)
        elif code == Mmc.RECORD_STROBE and self.roll in (Roll.PLAYING, Roll.STOPPED, Roll.PAUSED):
            self._go(Roll.RECORDING, t_ns)
        elif code == Mmc.RECORD_EXIT and self.roll is Roll.RECORDING:
            self._go(Roll.PLAYING, t_ns)
        elif code == Mmc.PAUSE:
            self._go(Roll.PAUSED, t_ns)
        elif code == Mmc.LOCATE:
            self._locate(command.data, t_ns)
        elif code == Mmc.READ and self.settings.answers:
            fields = b"".join(self._field(name, t_ns) for name in command.data)
            self._out.say(t_ns + self.settings.answer_ns, answer(self.settings.device_id, fields))

    def _field(self, name: int, t_ns: int) -> bytes:
        if name == Field.MOTION:
            return motion_field(self._motion(t_ns))
        if name == Field.RECORD_STATUS:
            value = int(self.roll is Roll.RECORDING) | (0x10 if self.settings.protected else 0)
            return record_field(RecordStatus(value))
        if name == Field.TIME_CODE:
            return time_field(self.tape.code(t_ns))
        return refusal_field(name)

    def _motion(self, t_ns: int) -> Motion:
        if self.roll is Roll.LOCATING:
            return Motion(Mmc.PAUSE, Mmc.LOCATE, 0x01)
        at_speed = self.roll not in _MOVING or t_ns >= self._at_speed_ns
        return Motion(_STATES[self.roll], NO_PROCESS, 0x11 if at_speed else 0x10)

    def _locate(self, data: bytes, t_ns: int) -> None:
        target = locate_target(data)
        if target is None and not (len(data) == 2 and data[0] == 0x00):
            self.complaints.add(t_ns, "locate-not-understood", f"locate {data.hex(' ').upper()}")
            return
        if target is not None:
            self.located = data[1:]
            if target.rate is not self.settings.rate:
                text = f"locate at {target.rate.value}, and the tape is at {self.settings.rate.value}"
                self.complaints.add(t_ns, "locate-other-rate", text)
        if self.settings.ignores_locate:
            return
        self._go(Roll.LOCATING, t_ns)
        self._locate_to_ns = None if target is None else target.ns + self.settings.locate_misses_ns
        self._locate_done_ns = t_ns + self.settings.locate_ns

    # ------------------------------------------------------------------ time code that comes in

    def _take_time_code(self, data: bytes, t_ns: int) -> None:
        code = self._chase.take(data, t_ns)
        if code is None:
            return
        if code.rate is not self.settings.rate:
            text = f"time code at {code.rate.value}, and the tape is at {self.settings.rate.value}"
            self.complaints.add(t_ns, "time-code-other-rate", text)
            return
        here_ns = code.ns + code.rate.ns_of_quarter_frames(7)
        if self.roll not in _MOVING:
            self.tape.go_to(here_ns)
            self._go(Roll.RECORDING if self.settings.record_ready else Roll.PLAYING, t_ns)
        else:
            self.tape.go_to(here_ns)
            self.tape.run(t_ns)

    # ------------------------------------------------------------------ time

    def _timers(self, now_ns: int) -> None:
        """Do what was to happen by itself until now: a locate that ends, a fault, time code that stopped."""
        if self._locate_done_ns is not None and now_ns >= self._locate_done_ns:
            done, play = self._locate_done_ns, self._play_after_locate
            if self._locate_to_ns is not None:
                self.tape.go_to(self._locate_to_ns)
            if self.settings.time_code:
                self._out.say(done, self._sender.full(done))
            self._go(Roll.PLAYING if play else Roll.PAUSED, done)
        fault_ns = self._fault_ns()
        if fault_ns is not None and now_ns >= fault_ns:
            stops = (
                bool(self.settings.stops_after_ns)
                and fault_ns == self._rolled_ns + self.settings.stops_after_ns
            )
            self._go(Roll.STOPPED if stops else Roll.PLAYING, fault_ns)
        last_ns = self._chase.last_ns
        chased = self.settings.chases and self.roll in _MOVING and last_ns is not None
        if last_ns is not None and chased and now_ns >= last_ns + _CHASE_LOST_NS:
            self._chase.last_ns = None
            self._go(Roll.STOPPED, last_ns + _CHASE_LOST_NS)

    def _fault_ns(self) -> int | None:
        """Return when it will stop, or leave record, by itself."""
        times: list[int] = []
        if self.roll in _MOVING and self.settings.stops_after_ns:
            times.append(self._rolled_ns + self.settings.stops_after_ns)
        if self.roll is Roll.RECORDING and self.settings.drops_out_after_ns:
            times.append(self._record_since + self.settings.drops_out_after_ns)
        return min(times, default=None)

    def _go(self, roll: Roll, t_ns: int) -> None:
        if roll is Roll.RECORDING and (self.settings.protected or self.settings.ignores_record):
            if self.settings.protected:
                self.complaints.add(t_ns, "record-protected", "asked to record, but it is protected")
            roll = Roll.PLAYING
        was, self.roll = self.roll, roll
        self._run(was, roll, t_ns)
        if was is Roll.RECORDING and roll is not Roll.RECORDING:
            self.recordings.append((self._record_since, t_ns))
            self.recorded.append((self._recorded_from_ns, self.tape.position_ns(t_ns)))
        if roll is Roll.RECORDING and was is not Roll.RECORDING:
            self._record_since = t_ns
            self._recorded_from_ns = self.tape.position_ns(t_ns)
        self._locate_done_ns = None
        self._locate_to_ns = None
        self._play_after_locate = False

    def _run(self, was: Roll, roll: Roll, t_ns: int) -> None:
        """Let the tape run, or stop it."""
        if (was in _MOVING) == (roll in _MOVING):
            return
        if roll in _MOVING:
            settings = self.settings
            self._rolled_ns = t_ns
            self._at_speed_ns = t_ns + settings.start_ns
            self.tape.run(self._at_speed_ns)
            if settings.time_code:
                self._sender.begin(self._at_speed_ns)
                self._sender.lost_from_ns = self._at_speed_ns + settings.silent_from_ns
                self._sender.lost_until_ns = self._sender.lost_from_ns + settings.silent_for_ns
        else:
            self.tape.halt(t_ns)
            self._sender.end()


__all__ = ["Recorder", "RecorderSettings", "Roll"]
