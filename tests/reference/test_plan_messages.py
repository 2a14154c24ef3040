"""Bytes of the plan against mido's encoder (mido 1.3; only its encoder is a reference, not its parser)."""

from __future__ import annotations

import mido
from hypothesis import given
from hypothesis import strategies as st

from runner.plan import messages as midi

seven = st.integers(0, 127)
channels = st.integers(1, 16)


@given(channels, seven, st.integers(1, 127))
def test_notes_are_as_mido_writes_them(channel: int, key: int, velocity: int) -> None:
    """Note On and Note Off are byte for byte those of mido."""
    on = mido.Message("note_on", channel=channel - 1, note=key, velocity=velocity)
    off = mido.Message("note_off", channel=channel - 1, note=key, velocity=velocity)
    assert midi.note_on(channel, key, velocity) == bytes(on.bytes())
    assert midi.note_off(channel, key, velocity) == bytes(off.bytes())


@given(channels, seven, seven)
def test_controls_programs_and_pressures_are_as_mido_writes_them(
    channel: int, number: int, value: int
) -> None:
    """Control Change, Program Change, Channel and Key Pressure are byte for byte those of mido."""
    zero = channel - 1
    pairs = [
        (
            midi.control(channel, number, value),
            mido.Message("control_change", channel=zero, control=number, value=value),
        ),
        (midi.program(channel, number), mido.Message("program_change", channel=zero, program=number)),
        (midi.channel_pressure(channel, value), mido.Message("aftertouch", channel=zero, value=value)),
        (
            midi.key_pressure(channel, number, value),
            mido.Message("polytouch", channel=zero, note=number, value=value),
        ),
    ]  # fmt: skip
    for ours, theirs in pairs:
        assert ours == bytes(theirs.bytes())


@given(channels, st.integers(-8192, 8191))
def test_pitch_bend_is_as_mido_writes_it(channel: int, value: int) -> None:
    """Pitch Bend has mido's range and bytes."""
    assert midi.pitch_bend(channel, value) == bytes(
        mido.Message("pitchwheel", channel=channel - 1, pitch=value).bytes()
    )


@given(st.integers(0, 16383), seven)
def test_system_common_is_as_mido_writes_it(position: int, song: int) -> None:
    """Song Position and Song Select are byte for byte those of mido."""
    assert midi.song_position(position) == bytes(mido.Message("songpos", pos=position).bytes())
    assert midi.song_select(song) == bytes(mido.Message("song_select", song=song).bytes())


def test_real_time_is_as_mido_writes_it() -> None:
    """Clock, Start, Continue and Stop are byte for byte those of mido."""
    for name, ours in (
        ("clock", midi.CLOCK),
        ("start", midi.START),
        ("continue", midi.CONTINUE),
        ("stop", midi.STOP),
    ):
        assert ours == bytes(mido.Message(name).bytes())


@given(st.binary(min_size=1, max_size=300).map(lambda data: bytes(byte & 0x7F for byte in data)))
def test_system_exclusive_is_as_mido_writes_it(body: bytes) -> None:
    """System exclusive is byte for byte that of mido."""
    assert midi.system_exclusive(body) == bytes(mido.Message("sysex", data=body).bytes())
