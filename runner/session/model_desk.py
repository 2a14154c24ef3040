"""Controls and lamps of a session: how a player reaches the daemon, and how it answers."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from runner.session.fields import Channel, DeviceId, Flag, Name, SevenBit, ShortTime, Sysex
from runner.session.fields_control import ACTION_WORDS, ON_CHANNEL, ControlAction, ControlTrigger
from runner.session.fields_more import RawBytes
from runner.session.readers import refuse
from runner.session.spec import Spec

LampState = Literal[
    "ready", "armed", "pre-roll", "rolling", "bar-1", "hold", "waiting", "freewheeling", "trouble", "clean",
    "flawed", "failed",
]  # fmt: skip
MAX_LAMP_BYTES = 128  #: of one message for a lamp: 41 ms of a DIN cable

_PRESSED_FROM = {"note": 1, "control": 64, "pressure": 64, "bend": 96}


class ControlSpec(Spec):
    """A message from a footswitch, key or other controller, and what it does."""

    port: Name = Field(description="The port that it comes in by.")
    when: ControlTrigger = Field(
        description="The message: `note`, `control`, `program` or `song-select` with a number from 0 to 127; "
        "`pressure`, `bend`, `start`, `stop`, `continue`; or `machine-control` with a command such as `play`."
    )
    do: ControlAction = Field(
        description=f"The action: one of {', '.join(ACTION_WORDS)}; `song` or `roll` with a song's name; "
        "`mute`, `unmute` or `solo` with a machine's; `place` with a number of the running order; "
        "`mark` with a text."
    )
    channel: Channel | None = Field(None, description="Only on this MIDI channel.")
    device_id: DeviceId | None = Field(
        None, description="Only machine control for this device number, or for all devices."
    )
    press: Literal["press", "release", "long", "double"] = Field("press", description="The kind of press.")
    threshold: SevenBit | None = Field(
        None,
        description="The value from which it counts as pressed; else 1 for a note, 64 for a control or "
        "pressure, 96 for bend (coarse, 64 is the middle).",
    )
    inverted: Flag = Field(
        False, description="The pedal is wired the other way round: pressed is below the threshold."
    )
    releases: Flag = Field(
        True, description="Whether it sends something when it is let go; `false` makes each message a press."
    )
    debounce_ns: ShortTime = Field(
        30_000_000,
        alias="debounce",
        description="Time in which a second press is taken for a bouncing switch.",
    )
    long_after_ns: ShortTime = Field(
        600_000_000, alias="long-after", description="With `press: long`: how long it must be held."
    )
    double_within_ns: ShortTime = Field(
        400_000_000,
        alias="double-within",
        description="With `press: double`: the time from the first press to the second, at most.",
    )

    @model_validator(mode="after")
    def _sensible(self) -> ControlSpec:
        kind, given = self.when.kind, self.model_fields_set
        if self.channel is not None and kind not in ON_CHANNEL:
            raise refuse(f"means nothing to {kind}, which has no channel", at="channel")
        if self.device_id is not None and kind != "machine-control":
            raise refuse("only goes with when: machine-control", at="device-id")
        if not self.when.held:
            for key in ("threshold", "inverted", "releases"):
                if key in given:
                    raise refuse(f"means nothing to {kind}, which has no value", at=key)
        if self.press in ("release", "long") and not (self.when.held and self.releases):
            raise refuse(f"{self.press} cannot be told: nothing is sent when it is let go", at="press")
        if not self.releases and self.inverted:
            raise refuse("only goes with releases: true", at="inverted")
        if self.threshold == 0:
            raise refuse("must be from 1 to 127", "every value is 0 or more", at="threshold")
        for key, press in (("long_after_ns", "long"), ("double_within_ns", "double")):
            if key in given and self.press != press:
                raise refuse(f"only goes with press: {press}", at=key.removesuffix("_ns").replace("_", "-"))
        return self

    @property
    def pressed_from(self) -> int:
        """The value from which it counts as pressed, 1 to 127."""
        return self.threshold or _PRESSED_FROM.get(self.when.kind, 1)


class LampMessage(Spec):
    """A message that lights a lamp or puts it out."""

    note: SevenBit | None = Field(None, description="A Note On for this key.")
    velocity: SevenBit | None = Field(None, description="With `note`; 127 if not said.")
    control: SevenBit | None = Field(None, description="This controller.")
    value: SevenBit | None = Field(None, description="With `control`.")
    program: SevenBit | None = Field(None, description="A program change, as sent (0 to 127).")
    sysex: Sysex | None = Field(
        None, description=f"A system exclusive message in hex, {MAX_LAMP_BYTES} bytes at most."
    )
    raw: RawBytes | None = Field(
        None, description=f"Whole MIDI messages in hex, {MAX_LAMP_BYTES} bytes at most."
    )

    @model_validator(mode="after")
    def _one_message(self) -> LampMessage:
        action = self.exactly_one("note", "control", "program", "sysex", "raw")
        self.only_with("velocity", "note")
        self.only_with("value", "control")
        if action == "control" and self.value is None:
            raise refuse("control needs the key value")
        for key, data in (("sysex", self.sysex), ("raw", self.raw)):
            if data is not None and len(data) > MAX_LAMP_BYTES:
                message = f"must be at most {MAX_LAMP_BYTES} bytes for a lamp, and is {len(data)}"
                raise refuse(message, "a clock would have to wait for it", at=key)
        return self

    @property
    def needs_channel(self) -> bool:
        """Whether it is a message on a channel."""
        return bool(self.given("note", "control", "program"))

    def message(self, channel: int | None) -> bytes:
        """Return the bytes; `channel` is 1 to 16, and None where `needs_channel` is false."""
        at = (channel or 1) - 1
        if self.note is not None:
            return bytes((0x90 | at, self.note, 127 if self.velocity is None else self.velocity))
        if self.control is not None:
            return bytes((0xB0 | at, self.control, self.value or 0))
        if self.program is not None:
            return bytes((0xC0 | at, self.program))
        return self.sysex or self.raw or b""


class LampSpec(Spec):
    """A message that tells the player of a state, such as a pedal's lamp."""

    when: LampState = Field(description="The state.")
    port: Name = Field(description="The port that it is sent to.")
    channel: Channel | None = Field(None, description="The MIDI channel of note, control and program.")
    on: LampMessage = Field(description="Sent when the state begins.")
    off: LampMessage | None = Field(None, description="Sent when the state ends.")
    flash_ns: ShortTime | None = Field(None, alias="flash", description="Send `off` after this time already.")

    @model_validator(mode="after")
    def _channel(self) -> LampSpec:
        if self.channel is None and (self.on.needs_channel or (self.off and self.off.needs_channel)):
            raise refuse("needs the key channel for note, control or program")
        if self.flash_ns is not None and self.off is None:
            raise refuse("only goes with off", at="flash")
        return self
