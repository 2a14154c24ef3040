"""The simulated recorder, against MIDI Machine Control (MMA RP-013) and MIDI 1.0's transport."""

from __future__ import annotations

import pytest

from runner.ports.recorder import Recorder, RecorderSettings, Roll

MS = 1_000_000


def _send(recorder: Recorder, text: str, t_ns: int = 0) -> Recorder:
    recorder.receive(bytes.fromhex(text), t_ns)
    return recorder


def test_it_follows_start_and_stop_and_counts_clocks() -> None:
    """Start plays from the top, clocks move it, Stop keeps the place."""
    recorder = Recorder()
    for text in ("F8", "FA", "F8", "F8", "F8", "FC", "F8"):
        _send(recorder, text)
    assert (recorder.roll, recorder.position) == (Roll.STOPPED, 3)
    _send(recorder, "FB")
    _send(recorder, "F8")
    assert (recorder.roll, recorder.position) == (Roll.PLAYING, 4)


def test_record_ready_records_from_start_to_stop() -> None:
    """With `record-ready` a take is as long as from Start to Stop."""
    recorder = Recorder(RecorderSettings(record_ready=True))
    _send(recorder, "FA", 1000 * MS)
    _send(recorder, "FC", 5000 * MS)
    assert recorder.recordings == [(1000 * MS, 5000 * MS)]


@pytest.mark.parametrize(
    ("messages", "roll"),
    [
        # RP-013 section 5, device 01 or all (7F)
        (["F0 7F 7F 06 02 F7"], Roll.PLAYING),
        (["F0 7F 01 06 03 F7"], Roll.PLAYING),
        (["F0 7F 02 06 02 F7"], Roll.STOPPED),  # another device
        (["F0 7F 01 07 02 F7"], Roll.STOPPED),  # a response, not a command
        (["F0 7F 01 06 02 F7", "F0 7F 01 06 06 F7"], Roll.RECORDING),  # punch in
        (["F0 7F 01 06 06 F7"], Roll.RECORDING),  # record strobe from a full stop starts it
        (["F0 7F 01 06 06 F7", "F0 7F 01 06 02 F7"], Roll.RECORDING),  # Play alone does not punch out
        (["F0 7F 01 06 06 F7", "F0 7F 01 06 07 03 F7"], Roll.PLAYING),  # App. A ex. 2A: exit and play
        (["F0 7F 01 06 06 F7", "F0 7F 01 06 01 F7"], Roll.STOPPED),
        (["F0 7F 01 06 04 F7"], Roll.WINDING),
        (["F0 7F 01 06 02 F7", "F0 7F 01 06 09 F7"], Roll.PAUSED),
        (["F0 7F 01 06 04 F7", "F0 7F 01 06 06 F7"], Roll.WINDING),  # record strobe is ignored otherwise
    ],
)
def test_machine_control(messages: list[str], roll: Roll) -> None:
    """Each command does what RP-013 says of it."""
    recorder = Recorder()
    for text in messages:
        _send(recorder, text)
    assert recorder.roll is roll


def test_locate_takes_its_time_and_ends_in_a_pause() -> None:
    """RP-013 App. A ex. 1, return to zero at 30 frames: it locates, then pauses (p. 29 n. 4)."""
    recorder = _send(Recorder(), "F0 7F 01 06 44 06 01 60 00 00 00 00 F7", 1000 * MS)
    assert recorder.roll is Roll.LOCATING
    assert recorder.located == bytes.fromhex("60 00 00 00 00")
    deadline = recorder.next_deadline_ns()
    assert deadline == 1400 * MS
    recorder.due(deadline - 1)
    assert recorder.roll is Roll.LOCATING
    recorder.due(deadline)
    assert recorder.roll is Roll.PAUSED


def test_locate_and_deferred_play_in_one_message() -> None:
    """RP-013 App. A ex. 2A: locate to 01:02:08:20 and play when it is there."""
    recorder = _send(Recorder(), "F0 7F 01 06 44 06 01 61 02 08 14 00 03 F7", 0)
    assert recorder.roll is Roll.LOCATING
    recorder.due(400 * MS)
    assert recorder.roll is Roll.PLAYING


@pytest.mark.parametrize("text", ["F0 7F 01 06 44 06 01 F7", "F0 7F 01 06 44 F7", "F0 7F 01 06 00 F7"])
def test_a_command_cut_short_is_complained_of(text: str) -> None:
    """A message that ends within a command does nothing but complain."""
    recorder = _send(Recorder(), text)
    assert recorder.complaints.codes() == ["command-cut-short"]
    assert recorder.roll is Roll.STOPPED


def test_the_faults() -> None:
    """Each fault does what its name says."""
    late = Recorder(RecorderSettings(late_start_clocks=2))
    losing = Recorder(RecorderSettings(lose_every=4))
    stuck = Recorder(RecorderSettings(stuck_after=3))
    for recorder in (late, losing, stuck):
        for text in ("FA", *["F8"] * 8):
            _send(recorder, text)
    assert (late.position, losing.position, stuck.position) == (6, 6, 3)
    deaf = Recorder(RecorderSettings(ignore_start=True))
    for text in ("FA", "F0 7F 7F 06 02 F7"):
        _send(deaf, text)
    assert deaf.roll is Roll.STOPPED
    protected = _send(Recorder(RecorderSettings(protected=True)), "F0 7F 7F 06 06 F7")
    assert protected.roll is Roll.PLAYING
    assert protected.complaints.codes() == ["record-protected"]


def test_it_can_be_told_to_follow_only_one() -> None:
    """Without `follows-transport` Start is nothing to it, without machine control Play is nothing."""
    assert _send(Recorder(RecorderSettings(follows_transport=False)), "FA").roll is Roll.STOPPED
    only_clock = RecorderSettings(follows_machine_control=False)
    assert _send(Recorder(only_clock), "F0 7F 7F 06 02 F7").roll is Roll.STOPPED
