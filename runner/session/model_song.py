"""A song of a session: its bars, tempo and meters, its sections, and what is sent while it plays."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

from pydantic import Field, model_validator

from runner.music.meter import Meter
from runner.music.moment import parse_span
from runner.session.fields import (
    Bank,
    BarNumber,
    Bend,
    Channel,
    Flag,
    KeyMap,
    KeyRange,
    LoopField,
    MeterField,
    MomentField,
    Name,
    Parameter,
    PreRoll,
    Program,
    SevenBit,
    SpanField,
    Sysex,
    Tempo,
    Track,
    Transpose,
    Velocity,
    VelocityScale,
    Yes,
)
from runner.session.fields_file import FromFile, Sections, SongLength, SongTempo
from runner.session.fields_more import RawBytes, TimeCodeText
from runner.session.readers import refuse
from runner.session.spec import Spec

ACTIONS = (
    "program", "control", "note", "bend", "pressure", "song_select", "sysex", "start", "stop", "continue_",
    "record", "raw", "rpn", "nrpn",
)  # fmt: skip
CHANNEL_ACTIONS = frozenset(("program", "control", "note", "bend", "pressure", "rpn", "nrpn"))


class TempoChangeSpec(Spec):
    """A change of tempo, at once or as a ramp that is linear in beats."""

    at: MomentField = Field(description="Where it begins.")
    tempo: Tempo = Field(description="The new tempo in quarter notes a minute.")
    over: SpanField | None = Field(
        None, description="How long a ramp to it takes, in bars, beats or quarters."
    )


class MeterChangeSpec(Spec):
    """A change of meter, at the start of a bar."""

    at: MomentField = Field(description="The bar at which it begins.")
    meter: MeterField = Field(description="The new meter.")


class PartSpec(Spec):
    """Notes for one machine, from a Standard MIDI File."""

    file: Name = Field(
        description="The file, as seen from the session file.", examples=["parts/ropewalk.mid"]
    )
    machine: Name = Field(description="The machine that plays it.")
    track: Track | None = Field(None, description="Only this track of the file, by name or number.")
    channel: Channel | None = Field(None, description="Only what the file has on this channel.")
    to_channel: Channel | None = Field(None, description="The channel it is sent on, if not the machine's.")
    transpose: Transpose = Field(0, description="Semitones up, or down if negative.")
    velocity: VelocityScale = Field(Fraction(1), description="A factor on all velocities.")
    keys: KeyRange | None = Field(None, description="Only these keys of the file, before transposing.")
    from_: BarNumber | None = Field(None, description="Only from this bar on.")
    to: BarNumber | None = Field(None, description="Only up to the start of this bar.")
    programs: Flag = Field(
        True, description="Whether its program changes are sent; `false` where cues choose the sounds."
    )
    map: KeyMap | None = Field(None, description="Other keys for the file's keys, as for another drum set.")

    @model_validator(mode="after")
    def _bars_in_order(self) -> PartSpec:
        if self.from_ is not None and self.to is not None and self.to <= self.from_:
            raise refuse(f"must be after bar {self.from_}, where the part begins", at="to")
        return self


class CueSpec(Spec):
    """A message at a moment of the song, to a machine or straight to a port; one action to a cue."""

    at: MomentField = Field(description="When it takes effect.")
    machine: Name | None = Field(None, description="The machine that it is for.")
    port: Name | None = Field(None, description="Instead of a machine: the port that it is sent to.")
    channel: Channel | None = Field(None, description="The MIDI channel, if not the machine's.")
    program: Program | None = Field(None, description="Change to this program, in force at the moment.")
    bank: Bank | None = Field(None, description="With `program`: the bank, MSB/LSB or one number.")
    control: SevenBit | None = Field(None, description="Set this controller to `value`.")
    value: SevenBit | None = Field(None, description="The value for `control`, `rpn` or `nrpn`.")
    fine: SevenBit | None = Field(None, description="With `rpn` or `nrpn`: the LSB of the value.")
    note: SevenBit | None = Field(None, description="Play this key.")
    velocity: Velocity | None = Field(None, description="With `note`; 100 if not said.")
    length: SpanField | None = Field(None, description="With `note`; one beat if not said.")
    bend: Bend | None = Field(None, description="Pitch bend, -8192 to 8191, 0 the centre.")
    pressure: SevenBit | None = Field(None, description="Channel pressure.")
    song_select: SevenBit | None = Field(None, description="Song Select; only sent before the roll starts.")
    sysex: Sysex | None = Field(None, description="A system exclusive message in hex.")
    start: Yes | None = Field(None, description="Start the machine from its beginning.")
    stop: Yes | None = Field(None, description="Stop the machine.")
    continue_: Yes | None = Field(None, description="Let the machine go on from where it stands.")
    record: Flag | None = Field(None, description="Punch a recorder in (true) or out (false).")
    raw: RawBytes | None = Field(None, description="Whole MIDI messages in hex, each with its status byte.")
    rpn: Parameter | None = Field(None, description="Set this registered parameter to `value`.")
    nrpn: Parameter | None = Field(None, description="Set this non-registered parameter to `value`.")

    @model_validator(mode="after")
    def _one_action(self) -> CueSpec:
        self.exactly_one("machine", "port")
        action = self.exactly_one(*ACTIONS)
        self.only_with("bank", "program")
        self.only_with("value", "control", "rpn", "nrpn")
        self.only_with("fine", "rpn", "nrpn")
        self.only_with("velocity", "note")
        self.only_with("length", "note")
        if action in ("control", "rpn", "nrpn") and self.value is None:
            raise refuse(f"{action} needs the key value")
        if self.control is not None and self.control >= 120:
            raise refuse(
                "must be from 0 to 119", "120 to 127 are channel mode messages; use raw", at="control"
            )
        if self.port is not None and action in CHANNEL_ACTIONS and self.channel is None:
            raise refuse("needs the key channel, as a port has none of its own")
        if self.channel is not None and action not in CHANNEL_ACTIONS:
            raise refuse(f"means nothing to {action.rstrip('_').replace('_', '-')}", at="channel")
        if self.port is not None and self.record is not None:
            raise refuse("needs a machine of kind: recorder", at="record")
        return self

    @property
    def action(self) -> str:
        """The attribute of the cue's one action, one of `ACTIONS`."""
        return self.given(*ACTIONS)[0]

    @property
    def sounds(self) -> bool:
        """Whether it plays a note: only Note Ons have bytes from 90 to 9F (MIDI 1.0, Table I)."""
        return self.note is not None or any(byte & 0xF0 == 0x90 for byte in self.raw or b"")


class ClickSpec(Spec):
    """A click on a machine, for the count-in or throughout."""

    machine: Name = Field(description="The machine that sounds it.")
    channel: Channel | None = Field(None, description="The MIDI channel, if not the machine's.")
    where: Literal["pre-roll", "throughout"] = Field(
        "pre-roll", description="Only before bar 1, or all through."
    )
    every: SpanField | None = Field(None, description="One click to this span; one to a beat if not said.")
    note: SevenBit = Field(37, description="The key; 37 is the side stick of General MIDI.")
    velocity: Velocity = Field(90, description="How hard.")
    accent_note: SevenBit | None = Field(
        None, description="The key on the first beat of a bar, or of a group."
    )
    accent_velocity: Velocity = Field(120, description="How hard on the first beat of a bar.")


class SongSpec(Spec):
    """A song: its bars and what is sent in them."""

    song: Name = Field(description="Its name.")
    tempo: SongTempo = Field(
        description="The first tempo, in quarter notes a minute; or `from FILE`: the file's tempos, and its "
        "meters where the song says none. `tempo-changes` of the song's own are taken instead of the file's."
    )
    meter: MeterField = Field(
        default_factory=lambda: Meter(4, 4),
        description="The first meter; groups as in 2+2+3/8.",
        json_schema_extra={"default": "4/4"},
    )
    length: SongLength = Field(description="How many bars it has; or `from FILE`: as many as the file.")
    lead: SpanField = Field(
        default_factory=lambda: parse_span("0 s"),
        description="How long the clock runs before anything is started, so that machines can settle on it.",
        json_schema_extra={"default": "0 s"},
    )
    pre_roll: PreRoll = Field(
        default_factory=lambda: parse_span("0 bars"),
        description="Bars counted before bar 1.",
        json_schema_extra={"default": "0 bars"},
    )
    tail: SpanField = Field(
        default_factory=lambda: parse_span("0 bars"),
        description="How long the clock goes on after the last bar.",
        json_schema_extra={"default": "0 bars"},
    )
    sections: Sections = Field(
        default_factory=dict,
        description="Names for bars; or `from FILE`: the file's markers and cue points that begin a bar.",
    )
    tempo_changes: list[TempoChangeSpec] = Field(
        max_length=5000, default_factory=list, description="Where the tempo changes."
    )
    meter_changes: list[MeterChangeSpec] = Field(
        max_length=5000, default_factory=list, description="Where the meter changes."
    )
    loops: list[LoopField] = Field(
        max_length=100,
        default_factory=list,
        description="Spans that go round, in order: so many times, or held until `go` (a vamp).",
    )
    parts: list[PartSpec] = Field(
        max_length=200, default_factory=list, description="Notes from Standard MIDI Files."
    )
    cues: list[CueSpec] = Field(max_length=20000, default_factory=list, description="Messages at moments.")
    click: ClickSpec | None = Field(None, description="A click for the players.")
    time_code: TimeCodeText | None = Field(None, description="The time code at which bar 1 begins.")

    @property
    def taken_from(self) -> dict[str, FromFile]:
        """What is taken from files and not filled in yet, by its key."""
        values = {"tempo": self.tempo, "length": self.length, "sections": self.sections}
        return {key: value for key, value in values.items() if isinstance(value, FromFile)}

    @property
    def bar_count(self) -> int:
        """How many bars it has. Raises ValueError while a file that was not read says so."""
        if isinstance(self.length, FromFile):
            raise ValueError(f"the length is taken {self.length}, which was not read")
        return int(self.length.amount)

    @property
    def sounding(self) -> frozenset[str]:
        """The machines that have notes to play: by parts or by cues. The click is not counted."""
        by_cues = {cue.machine for cue in self.cues if cue.machine and cue.sounds}
        return frozenset(part.machine for part in self.parts) | by_cues

    @property
    def section_bars(self) -> dict[str, int]:
        """The bars at which its sections begin; of sections from a file that was not read, none."""
        return {} if isinstance(self.sections, FromFile) else self.sections


__all__ = [
    "ACTIONS",
    "CHANNEL_ACTIONS",
    "ClickSpec",
    "CueSpec",
    "MeterChangeSpec",
    "PartSpec",
    "SongSpec",
    "TempoChangeSpec",
]
