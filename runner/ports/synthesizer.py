"""A simulated synthesizer: tracks program, bank, controllers and what sounds, and complains.

Rules are those of the MIDI 1.0 Detailed Specification 4.2.1: a bank select takes effect with the next
program change (p. 13); each Note On, doubled ones too, needs a Note Off of its own (p. A-4); all notes
off spares what the hold pedal holds (p. 24); after active sensing was seen, 330 ms of silence turn all
voices off (p. 33). Reset All Controllers follows RP-015.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from runner.ports.machine_parts import Complaints, Outbox, Said, answer_identity, check_range

SENSING_TIMEOUT_NS = 330_000_000
BEND_CENTRE = 0x2000
_FAMILY = 2
_BANK_MSB, _BANK_LSB, _HOLD = 0, 32, 64
_ALL_SOUND_OFF, _RESET_CONTROLLERS, _ALL_NOTES_OFF = 120, 121, 123
# RP-015: what controller 121 sets, and to what; everything else keeps its value
_RESET = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0, 98: 127, 99: 127, 100: 127, 101: 127}


@dataclass(frozen=True, slots=True)
class SynthesizerSettings:
    """How a synthesizer behaves, and what it does wrong.

    `channel` 1 to 16, or 0 to listen on all. `settle_ns`: time that it needs after a program change; a
    note that comes sooner is complained about. Faults: `slow_program_ns`: so much longer than it should;
    `lose_note_off_every`: each nth Note Off is lost, so that a note sticks; `deaf_after`: so many
    messages, then it takes no further notice.
    """

    channel: int = 0
    settle_ns: int = 20_000_000
    device_id: int = 17
    slow_program_ns: int = 0
    lose_note_off_every: int = 0
    deaf_after: int = 0

    def __post_init__(self) -> None:
        check_range("channel", self.channel, 0, 16)
        check_range("device-id", self.device_id, 0, 126)


@dataclass(slots=True)
class Voice:
    """The state of one channel. Program and bank as in the messages, from 0."""

    program: int = 0
    bank: tuple[int, int] = (0, 0)
    controllers: dict[int, int] = field(default_factory=dict)
    bend: int = BEND_CENTRE
    pressure: int = 0
    key_pressure: dict[int, int] = field(default_factory=dict)
    open: Counter[int] = field(default_factory=Counter)  #: Note Ons that had no Note Off yet, by key
    held: set[int] = field(default_factory=set)  #: keys let go that the pedal keeps sounding
    silenced: set[int] = field(default_factory=set)  #: open keys that All Sound Off has cut
    excused: Counter[int] = field(
        default_factory=Counter
    )  #: Note Offs that may still come after a mode message
    changed_ns: int | None = None  #: last program change
    bank_waits: bool = False  #: a bank select came, its program change not yet

    @property
    def sounding(self) -> set[int]:
        """Keys that can be heard."""
        return {key for key, count in self.open.items() if count and key not in self.silenced} | self.held

    @property
    def next_bank(self) -> tuple[int, int]:
        """The bank that the next program change will take."""
        return self.controllers.get(_BANK_MSB, 0), self.controllers.get(_BANK_LSB, 0)


class Synthesizer:
    """The model; `voices[0]` is channel 1."""

    kind = "synthesizer"

    def __init__(self, settings: SynthesizerSettings | None = None) -> None:
        self.settings = settings or SynthesizerSettings()
        self.complaints = Complaints()
        self.voices = [Voice() for _ in range(16)]
        self.messages = 0
        self.notes_on = 0
        self._note_offs = 0
        self._out = Outbox()
        self._sensing_ns: int | None = None  # last message since active sensing was seen

    @property
    def sounding(self) -> list[tuple[int, int]]:
        """(channel, key) of all that can be heard, in order."""
        return sorted((n + 1, key) for n, voice in enumerate(self.voices) for key in voice.sounding)

    @property
    def doubled(self) -> list[tuple[int, int, int]]:
        """(channel, key, Note Ons without Note Off) of keys that are open more than once, in order."""
        return sorted(
            (n + 1, key, count)
            for n, v in enumerate(self.voices)
            for key, count in v.open.items()
            if count > 1
        )

    def receive(self, data: bytes, t_ns: int) -> None:
        """Take one whole message."""
        self._check_sensing(t_ns)
        self.messages += 1
        if self.settings.deaf_after and self.messages > self.settings.deaf_after:
            return
        status = data[0]
        if status == 0xFE or self._sensing_ns is not None:
            self._sensing_ns = t_ns
        if status == 0xF0:
            answer_identity(self._out, data, t_ns, self.settings.device_id, _FAMILY)
        elif status == 0xFF:
            self.voices = [Voice() for _ in range(16)]
            self._sensing_ns = None
        elif status < 0xF0 and self.settings.channel in (0, (status & 0x0F) + 1):
            self._channel_message(self.voices[status & 0x0F], status, data, t_ns)

    def due(self, now_ns: int) -> list[Said]:
        """Return its answers, and go silent if active sensing has stopped."""
        self._check_sensing(now_ns)
        return self._out.due(now_ns)

    def next_deadline_ns(self) -> int | None:
        """When an answer goes out or active sensing would be missed."""
        sensing = None if self._sensing_ns is None else self._sensing_ns + SENSING_TIMEOUT_NS + 1
        return min((t for t in (self._out.next_ns(), sensing) if t is not None), default=None)

    def _check_sensing(self, now_ns: int) -> None:
        if self._sensing_ns is None or now_ns - self._sensing_ns <= SENSING_TIMEOUT_NS:
            return
        text = f"nothing for {(now_ns - self._sensing_ns) / 1e6:.0f} ms after active sensing: all voices off"
        self.complaints.add(now_ns, "sensing-lost", text)
        for voice in self.voices:
            _forget_notes(voice)
        self._sensing_ns = None

    def _channel_message(self, voice: Voice, status: int, data: bytes, t_ns: int) -> None:
        kind = status & 0xF0
        bank_select = kind == 0xB0 and data[1] in (_BANK_MSB, _BANK_LSB)
        if voice.bank_waits and kind != 0xC0 and not bank_select:
            text = f"{data.hex(' ').upper()} came between a bank select and its program change"
            self.complaints.add(t_ns, "bank-select-torn", text)
            voice.bank_waits = False
        if kind == 0x90 and data[2]:
            self._note_on(voice, data, t_ns)
        elif kind in (0x80, 0x90):
            self._note_off(voice, data, t_ns)
        elif kind == 0xA0:
            voice.key_pressure[data[1]] = data[2]
        elif kind == 0xB0:
            self._control(voice, data[1], data[2])
        elif kind == 0xC0:
            voice.program, voice.bank = data[1], voice.next_bank
            voice.changed_ns, voice.bank_waits = t_ns, False
        elif kind == 0xD0:
            voice.pressure = data[1]
        else:
            voice.bend = data[1] | data[2] << 7

    def _note_on(self, voice: Voice, data: bytes, t_ns: int) -> None:
        key = data[1]
        self.notes_on += 1
        voice.open[key] += 1
        voice.silenced.discard(key)
        voice.held.discard(key)
        needs = self.settings.settle_ns + self.settings.slow_program_ns
        if voice.changed_ns is not None and t_ns - voice.changed_ns < needs:
            had = (t_ns - voice.changed_ns) / 1e6
            text = f"note {key} came {had:.1f} ms after its program change, needs {needs / 1e6:.1f} ms"
            self.complaints.add(t_ns, "program-late", text)
            voice.changed_ns = None  # once for each program change is enough
        if voice.open[key] > 1:
            text = f"note {key} on channel {(data[0] & 15) + 1} is on {voice.open[key]} times"
            self.complaints.add(t_ns, "note-doubled", text)

    def _note_off(self, voice: Voice, data: bytes, t_ns: int) -> None:
        key = data[1]
        if not voice.open[key]:
            if voice.excused[key]:
                voice.excused[key] -= 1
            else:
                text = f"Note Off for note {key} on channel {(data[0] & 15) + 1}, which is not on"
                self.complaints.add(t_ns, "note-off-unmatched", text)
            return
        self._note_offs += 1
        every = self.settings.lose_note_off_every
        if every and self._note_offs % every == 0:
            return
        voice.open[key] -= 1
        if not voice.open[key] and key not in voice.silenced and voice.controllers.get(_HOLD, 0) >= 64:
            voice.held.add(key)
        if not voice.open[key]:
            voice.silenced.discard(key)

    def _control(self, voice: Voice, control: int, value: int) -> None:
        if control == _ALL_SOUND_OFF:
            voice.silenced.update(key for key, count in voice.open.items() if count)
            voice.held.clear()
        elif control == _RESET_CONTROLLERS:
            voice.controllers.update(_RESET)
            voice.bend, voice.pressure = BEND_CENTRE, 0
            voice.key_pressure.clear()
            voice.held.clear()
        elif control >= _ALL_NOTES_OFF:
            if voice.controllers.get(_HOLD, 0) >= 64:
                voice.held |= voice.sounding
            voice.excused.update(voice.open)
            voice.open.clear()
            voice.silenced.clear()
        else:
            voice.controllers[control] = value
            if control in (_BANK_MSB, _BANK_LSB):
                voice.bank_waits = True
            elif control == _HOLD and value < 64:
                voice.held.clear()


def _forget_notes(voice: Voice) -> None:
    voice.excused.update(voice.open)
    voice.open.clear()
    voice.held.clear()
    voice.silenced.clear()
