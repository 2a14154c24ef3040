"""A session as the rest of the program sees it: every value in its real type, names as in the file.

The mappings lie in `model_rig`, `model_song` and `model_desk`; here is the whole, and what surrounds the
songs: the running order, takes and schedule.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from runner.session.fields import (
    Count,
    LongTime,
    Name,
    Repeats,
    TakeCount,
)
from runner.session.fields_more import (
    Between,
    ClockTime,
    Days,
    DiskSize,
    FormatNumber,
)
from runner.session.model_desk import ControlSpec, LampMessage, LampSpec
from runner.session.model_rig import (
    ClockSpec,
    DropoutSpec,
    LimitsSpec,
    MachineSpec,
    PortSpec,
    SilenceSpec,
)
from runner.session.model_song import (
    ACTIONS,
    CHANNEL_ACTIONS,
    ClickSpec,
    CueSpec,
    MeterChangeSpec,
    PartSpec,
    SongSpec,
    TempoChangeSpec,
)
from runner.session.readers import refuse
from runner.session.spec import Spec

FORMAT = 1


class OrderItem(Spec):
    """One place of the running order, with what comes after it."""

    song: Name = Field(description="The song.")
    between: Between | None = Field(
        None,
        description="How it goes on to the next song: `wait` for a control, a time such as `8 s`, or "
        "`straight-on` with the clock unbroken.",
    )
    repeat: Repeats = Field(1, description="How often the song is played.")


def _order_item(value: Any) -> Any:
    """Let a bare name stand for a place of the order that says nothing else."""
    return value if isinstance(value, dict) else {"song": value}


class TakesSpec(Spec):
    """Where takes are kept, and which layer is being recorded."""

    folder: Name = Field("takes", description="The folder, as seen from the session file.")
    pass_: Name = Field("main", description="The layer being recorded, such as `bass overdub`.")
    keep_last: Count | None = Field(None, description="Tidy away all but the last takes of a song and pass.")
    keep_free: DiskSize | None = Field(None, description="Tidy takes away while less than this is free.")


class ScheduleSpec(Spec):
    """Something to do at a time of day or at intervals."""

    at: ClockTime | None = Field(None, description="The time of day, in quotes.")
    every_ns: LongTime | None = Field(None, alias="every", description="Instead of `at`: the interval.")
    days: Days = Field(
        default_factory=lambda: frozenset(range(7)),
        description="The days of the week, such as `mon-fri`; every day if not said.",
    )
    roll: Name | None = Field(None, description="Roll this song.")
    do: Literal["check", "tidy"] | None = Field(None, description="Check the rig, or tidy old takes away.")
    takes: TakeCount = Field(1, description="How many takes.")
    gap_ns: LongTime = Field(0, alias="gap", description="The time between two takes.")
    limit_ns: LongTime | None = Field(None, alias="limit", description="No new take begins after this time.")

    @model_validator(mode="after")
    def _one_time_one_action(self) -> ScheduleSpec:
        if self.at is not None and self.every_ns is not None:
            raise refuse("must have only one of the keys at, every, and has both")
        if self.at is None and self.every_ns is None:
            raise refuse("needs one of the keys at, every")
        if self.every_ns is not None and self.every_ns < 10**9:
            raise refuse("must be at least 1 s", at="every")
        if self.exactly_one("roll", "do") == "do" and ("takes" in self.model_fields_set or self.gap_ns):
            raise refuse("only goes with roll", at="takes" if "takes" in self.model_fields_set else "gap")
        return self


class Session(Spec):
    """A session file: the rig, the songs and the running order."""

    session: Name = Field(description="The name of the session.")
    format: FormatNumber = Field(description="The version of the file format: 1.")
    ports: dict[str, PortSpec] = Field(
        max_length=256, description="MIDI connections by names of your own.", min_length=1
    )
    machines: dict[str, MachineSpec] = Field(
        max_length=256, default_factory=dict, description="Instruments and recorders by names of your own."
    )
    clock: ClockSpec = Field(default_factory=ClockSpec.all_defaults, description="Where the beat comes from.")
    songs: list[SongSpec] = Field(max_length=500, description="The songs.", min_length=1)
    order: list[Annotated[OrderItem, BeforeValidator(_order_item)]] = Field(
        max_length=2000,
        default_factory=list,
        description="The running order: names of songs, or mappings; else the songs as they stand.",
    )
    takes: TakesSpec = Field(default_factory=TakesSpec.all_defaults, description="Where takes are kept.")
    controls: list[ControlSpec] = Field(
        default_factory=list, max_length=500, description="Footswitches and other controls."
    )
    schedule: list[ScheduleSpec] = Field(
        max_length=500, default_factory=list, description="What happens by the clock on the wall."
    )
    limits: LimitsSpec = Field(
        default_factory=LimitsSpec.all_defaults, description="What a clean take may show."
    )
    lamps: list[LampSpec] = Field(
        max_length=500, default_factory=list, description="Messages that show the state to a player."
    )

    def song_named(self, name: str) -> SongSpec | None:
        """Return the song of that name, or None."""
        return next((song for song in self.songs if song.song == name), None)

    @property
    def running_order(self) -> list[OrderItem]:
        """The order, with one entry for each place; all songs as they stand if the file gives none."""
        return self.order or [OrderItem.model_validate({"song": song.song}) for song in self.songs]

    @property
    def optional_ports(self) -> frozenset[str]:
        """The ports that have machines, and none that a roll must wait for."""
        used = {machine.port for machine in self.machines.values()}
        return frozenset(used - {machine.port for machine in self.machines.values() if machine.required})

    def link_of(self, port: str) -> Literal["din", "usb"]:
        """Return the wire of a port: `din` if the port or any machine on it says so."""
        links = [machine.link for machine in self.machines.values() if machine.port == port]
        return "din" if "din" in [self.ports[port].link, *links] else "usb"


__all__ = [
    "ACTIONS",
    "CHANNEL_ACTIONS",
    "FORMAT",
    "ClickSpec",
    "ClockSpec",
    "ControlSpec",
    "CueSpec",
    "DropoutSpec",
    "LampMessage",
    "LampSpec",
    "LimitsSpec",
    "MachineSpec",
    "MeterChangeSpec",
    "OrderItem",
    "PartSpec",
    "PortSpec",
    "ScheduleSpec",
    "Session",
    "SilenceSpec",
    "SongSpec",
    "TakesSpec",
    "TempoChangeSpec",
]
