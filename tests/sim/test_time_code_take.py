"""A take under time code as it is kept and audited: what the audit says of a good one, and of a bad one."""

from __future__ import annotations

from pathlib import Path

import pytest
from kept_take import kept_take
from tape_session import RATES, SESSION
from virtual_rig import VirtualRig

from runner.audit.replay import replay
from runner.audit.text import audit_take
from runner.errors import UsageError
from runner.music import FrameRate, TimeCode
from runner.music.machine_control import Mmc, cell, command, locate
from runner.takes.reader import read_take


def session(rate: str = "25", more: str = "") -> str:
    return SESSION.format(rate=rate, number=RATES[rate], more=more, then="stop")


def played_from(text: str, stop_after: float = 0.0):  # type: ignore[no-untyped-def]
    """Return what lets the recorder play from a place into the armed take."""

    def play(rig: VirtualRig, seconds: float) -> None:
        deck = rig.machine("tape")
        rate = FrameRate.FPS_25
        deck.receive(command(1, locate(TimeCode.parse(text, rate))), rig.clock.now_ns())
        rig.run_for(0.5)
        deck.receive(command(1, cell(Mmc.PLAY)), rig.clock.now_ns())
        if stop_after:
            rig.run_for(stop_after)
            deck.receive(command(1, cell(Mmc.STOP)), rig.clock.now_ns())
        rig.run_for(seconds)

    return play


def test_a_good_take_is_clean(tmp_path: Path) -> None:
    """No finding but notes; the clock's source is named, and every clock was sent."""
    folder, _ = kept_take(session(more=", jitter: 300 us"), tmp_path, 18, play=played_from("00:59:56:00"))
    audit = audit_take(read_take(folder))
    assert [f["code"] for f in audit["findings"] if f["severity"] != "note"] == []
    assert audit["verdict"] == "clean"
    clock = audit["clock"]
    assert clock["source"] == "time code from tape"
    assert (clock["missing"], clock["extra"]) == (0, 0)
    assert abs(clock["tempo"]["measured"] - clock["tempo"]["declared"]) < 0.02


def test_a_take_that_was_joined_late_is_flawed_for_that_alone(tmp_path: Path) -> None:
    """The clocks before the place at which it was joined are not called missing."""
    folder, _ = kept_take(session(), tmp_path, 14, play=played_from("01:00:02:10"))
    audit = audit_take(read_take(folder))
    assert [f["code"] for f in audit["findings"] if f["severity"] != "note"] == ["time-code-joined-late"]
    assert audit["clock"]["missing"] == 0


def test_a_recorder_that_stopped_is_told(tmp_path: Path) -> None:
    """The take is stopped, and the finding says where the time code ended."""
    folder, _ = kept_take(session(), tmp_path, 5, play=played_from("00:59:57:00", stop_after=6))
    audit = audit_take(read_take(folder))
    found = {f["code"]: f for f in audit["findings"]}
    assert "stopped at 01:00:02:2" in found["time-code-ended"]["text"]
    assert audit["clock"]["missing"] == 0


def test_replay_says_that_there_is_no_beat_clock_to_follow(tmp_path: Path) -> None:
    """A take under time code cannot be followed anew as a beat clock: that is said, not tried."""
    folder, _ = kept_take(session(), tmp_path, 4, play=played_from("00:59:57:00", stop_after=3))
    with pytest.raises(UsageError, match="no followed clock to replay"):
        replay(read_take(folder))
