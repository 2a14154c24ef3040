"""The rig of a session: its ports, its machines, where the clock comes from, and what counts as good."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from runner.session.fields import (
    Bank,
    Channel,
    Count,
    DeviceId,
    Flag,
    Name,
    Offset,
    Setting,
    Settle,
    Share,
    ShortTime,
    SpanField,
)
from runner.session.fields_more import FrameRate
from runner.session.readers import refuse
from runner.session.spec import Spec

Link = Literal["din", "usb"]
Follow = Literal["clock", "transport", "position", "time-code"]
SimulatedKind = Literal["drum-machine", "synthesizer", "recorder", "master", "sink"]
MachineKind = Literal["instrument", "recorder", "drum-machine", "sequencer"]


class PortSpec(Spec):
    """A MIDI connection. Exactly one of `match`, `create` and `simulate` says what it is."""

    match: Name | None = Field(
        None,
        description="Pattern for the system's name of the port: `*` is any text, `?` any character.",
        examples=["Front USB*"],
    )
    create: Name | None = Field(
        None, description="Make a virtual port of this name that other programs can use."
    )
    simulate: SimulatedKind | None = Field(
        None,
        description="A machine simulated by this program, for demonstrations and trials; `sink` takes all.",
    )
    direction: Literal["in", "out", "both"] = Field("both", description="Which way messages go.")
    link: Link = Field(
        "usb", description="The wire: `din` carries one byte in 320 µs, `usb` has no such limit."
    )
    raw: Flag = Field(
        False,
        description="The port takes a system exclusive message in pieces, so that clock can pass in between.",
    )
    loops_to: Name | None = Field(
        None,
        description="A cable leads from its output to the input of this port, which may be itself: "
        "`check --live` measures the way round.",
    )
    settings: dict[str, Setting] = Field(
        default_factory=dict, description="How the simulated machine behaves."
    )
    faults: dict[str, Setting] = Field(
        default_factory=dict, description="What the simulated machine does wrong."
    )

    @model_validator(mode="after")
    def _one_medium(self) -> PortSpec:
        medium = self.exactly_one("match", "create", "simulate")
        if medium != "simulate":
            for key in ("settings", "faults"):
                if getattr(self, key):
                    raise refuse("only goes with simulate", at=key)
        elif self.loops_to is not None:
            raise refuse(
                "only goes with match or create: no cable leads from a simulated machine", at="loops-to"
            )
        if self.loops_to is not None and self.direction == "in":
            raise refuse("only goes with a port that sends", at="loops-to")
        return self


class SilenceSpec(Spec):
    """What a machine is sent when it is silenced, after a Note Off for each of its sounding notes."""

    all_notes_off: Flag = Field(True, description="Controller 123.")
    reset_controllers: Flag = Field(False, description="Controller 121.")
    all_sound_off: Flag = Field(False, description="Controller 120: also cuts what still rings.")


class MachineSpec(Spec):
    """One instrument or recorder."""

    port: Name = Field(description="The port that it is connected to.")
    channel: Channel | None = Field(None, description="Its MIDI channel, 1 to 16.")
    follows: list[Follow] = Field(
        default_factory=list,
        description="What it is sent beside notes: beat `clock`, `transport` (Start, Stop, Continue), song "
        "`position`, `time-code`.",
    )
    starts: Literal["pre-roll", "bar-1"] = Field(
        "bar-1",
        description="When it gets Start: at the pre-roll (it counts those bars as its own) or at bar 1.",
    )
    without_position: Literal["leave-out", "start-at-bar-1"] = Field(
        "leave-out",
        description="What becomes of it when a roll begins within the song and it cannot follow position.",
    )
    offset_ns: Offset = Field(
        0,
        alias="offset",
        description="Shifts all that it is sent; negative is earlier.",
    )
    settle_ns: Settle = Field(
        0, alias="settle", description="Time that it needs after a program change before it can play."
    )
    link: Link | None = Field(None, description="The wire to it, if other than its port's.")
    device_id: DeviceId | None = Field(None, description="Its device number for system exclusive messages.")
    kind: MachineKind = Field(
        "instrument", description="What it is; a `recorder` speaks MIDI Machine Control."
    )
    frame_rate: FrameRate = Field(
        "30",
        description="Frames a second of the time code that it is sent, and by which it is located: 24, 25, "
        "29.97-drop or 30.",
        json_schema_extra={"default": 30},
    )
    locate_ns: Settle = Field(
        5_000_000_000,
        alias="locate",
        description="How long it takes to be located, for a recorder that does not answer.",
    )
    numbering: Literal["from-1", "from-0"] = Field(
        "from-1", description="How its programs and banks are counted."
    )
    relay: Literal["steady", "straight"] = Field(
        "steady",
        description="Under an external clock: `steady` makes it anew, `straight` passes each on at once.",
    )
    required: Flag = Field(True, description="Whether a roll must wait until the machine is there.")
    answers: Flag = Field(
        False,
        description="Whether it answers an Identity Request (`check --live` says who does). It is then asked "
        "between takes whether it is there.",
    )
    silence: SilenceSpec = Field(default_factory=SilenceSpec.all_defaults, description="How it is silenced.")

    @model_validator(mode="after")
    def _sensible(self) -> MachineSpec:
        if len(set(self.follows)) != len(self.follows):
            raise refuse("names something twice", at="follows")
        if "position" in self.follows and "transport" not in self.follows:
            raise refuse(
                "position needs transport as well", "Song Position is followed by Continue", at="follows"
            )
        if "frame_rate" in self.model_fields_set and not (
            "time-code" in self.follows or self.kind == "recorder"
        ):
            raise refuse("only goes with follows: [time-code] or kind: recorder", at="frame-rate")
        if "locate_ns" in self.model_fields_set and self.kind != "recorder":
            raise refuse("only goes with kind: recorder", at="locate")
        return self

    @property
    def follows_clock(self) -> bool:
        """Whether it is sent beat clock."""
        return "clock" in self.follows

    def program_byte(self, program: int) -> int:
        """Return the program as it is sent, 0 to 127; ValueError if there is no such program."""
        number = program - 1 if self.numbering == "from-1" else program
        if not 0 <= number <= 127:
            raise ValueError(f"must be {'from 1 to 128' if self.numbering == 'from-1' else 'from 0 to 127'}")
        return number

    def bank_bytes(self, bank: Bank) -> tuple[int, int]:
        """Return the bank as (MSB, LSB); ValueError if there is no such bank.

        A pair is sent as it stands; one number is counted as programs are, 128 LSBs to an MSB
        (MIDI 1.0 Detailed Specification 4.2.1, p. 13).
        """
        if isinstance(bank, tuple):
            return bank
        number = bank - 1 if self.numbering == "from-1" else bank
        if not 0 <= number <= 16_383:
            raise ValueError(
                f"must be {'from 1 to 16384' if self.numbering == 'from-1' else 'from 0 to 16383'}"
            )
        return number >> 7, number & 0x7F


class DropoutSpec(Spec):
    """What happens when the clock that is followed stays away."""

    freewheel: SpanField = Field(description="How long to go on at the last tempo.")
    then: Literal["stop", "carry-on"] = Field(
        "stop", description="What then: stop, or carry on as clock master."
    )


class ClockSpec(Spec):
    """The source of the beat."""

    source: Literal["internal", "beat-clock", "time-code"] = Field(
        "internal", description="Takewright itself, or another machine's beat clock or time code."
    )
    port: Name | None = Field(None, description="The port that the other machine's clock comes in by.")
    on_dropout: DropoutSpec = Field(
        default_factory=lambda: DropoutSpec.model_validate({"freewheel": "2 beats"}),
        description="What happens when that clock stays away; else `{freewheel: 2 beats, then: stop}`.",
    )
    frame_rate: FrameRate | None = Field(
        None, description="Time code's frames a second, if not as it says itself."
    )

    @model_validator(mode="after")
    def _port_with_source(self) -> ClockSpec:
        if self.source == "internal":
            if self.port is not None:
                raise refuse("only goes with source: beat-clock or time-code", at="port")
            if "on_dropout" in self.model_fields_set:
                raise refuse("only goes with source: beat-clock or time-code", at="on-dropout")
        elif self.port is None:
            raise refuse(f"needs the key port: where the {self.source} comes from")
        if self.frame_rate is not None and self.source != "time-code":
            raise refuse("only goes with source: time-code", at="frame-rate")
        return self


class LimitsSpec(Spec):
    """What a take may show and still be called clean. The defaults come from the wire and the ear."""

    clock_ns: ShortTime = Field(
        320_000,
        alias="clock",
        description="How far a sent clock may be from where it was due: one byte on a DIN cable (320 us).",
    )
    lateness_ns: ShortTime = Field(
        1_000_000, alias="lateness", description="Lateness of anything else sent: one USB frame (1 ms)."
    )
    cue_ns: ShortTime = Field(
        6_000_000,
        alias="cue",
        description="Displacement of a cue: about the smallest that is heard in a regular beat (6 ms).",
    )
    wire_wait_ns: ShortTime = Field(
        1_000_000,
        alias="wire-wait",
        description="How long a clock may have to wait for other bytes on its wire.",
    )
    missing_clocks: Count = Field(0, description="Clocks missing in a take.")
    extra_clocks: Count = Field(0, description="Clocks too many in a take.")
    tempo_percent: Share = Field(
        0.1, description="Difference of the measured from the written tempo, in percent."
    )

    @property
    def clock_us(self) -> float:
        """`clock_ns` in µs."""
        return self.clock_ns / 1_000

    @property
    def lateness_us(self) -> float:
        """`lateness_ns` in µs."""
        return self.lateness_ns / 1_000

    @property
    def cue_ms(self) -> float:
        """`cue_ns` in ms."""
        return self.cue_ns / 1_000_000

    @property
    def wire_wait_ms(self) -> float:
        """`wire_wait_ns` in ms."""
        return self.wire_wait_ns / 1_000_000


__all__ = [
    "ClockSpec",
    "DropoutSpec",
    "LimitsSpec",
    "MachineSpec",
    "PortSpec",
    "SilenceSpec",
]
