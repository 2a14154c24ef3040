"""Whole takes under a simulated recorder's time code, in virtual time: chase, late joining, ends, faults.

Sources: MMA RP-004/RP-008 for time code; MIDI 1.0 Detailed Specification 4.2.1, pp. 27-31 for Song Position,
Continue and the clock that plays the start point.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from tape_session import RATES, SESSION
from virtual_rig import SECOND, VirtualRig

from runner.music import FrameRate, TimeCode
from runner.music.machine_control import Mmc, cell, command, locate
from runner.takes.format import Kind


class Chase:
    """A rig with a recorder that is located and played by hand."""

    def __init__(self, rate: str = "25", more: str = "", then: str = "stop") -> None:
        self.rate = FrameRate.parse(rate)
        text = SESSION.format(rate=rate, number=RATES[rate], more=more, then=then)
        self.rig = VirtualRig.of(text)
        self.deck = self.rig.machine("tape")

    def play_from(self, text: str) -> int:
        """Locate the recorder, play it; return when the tape began to run."""
        rig, now = self.rig, self.rig.clock.now_ns()
        self.deck.receive(command(1, locate(TimeCode.parse(text, self.rate))), now)
        rig.run_for(0.5)
        self.deck.receive(command(1, cell(Mmc.PLAY)), rig.clock.now_ns())
        return rig.clock.now_ns()

    def stop(self) -> None:
        self.deck.receive(command(1, cell(Mmc.STOP)), self.rig.clock.now_ns())

    def ticks(self, port: int) -> list[tuple[int, int, float]]:
        """(number, time sent, song position) of each clock to a port."""
        return [(r.ref, r.t_ns, r.quarters) for r in self.rig.records(Kind.TICK_SENT) if r.port == port]

    def sent(self, port: int) -> list[tuple[int, str]]:
        return [(r.t_ns, r.data.hex(" ").upper()) for r in self.rig.records(Kind.SENT) if r.port == port]

    def end(self) -> dict[str, Any]:
        (record,) = self.rig.records(Kind.TAKE_END)
        return record.json()

    def codes(self) -> list[str]:
        return [finding["code"] for finding in self.rig.findings()]

    def bar_1_ns(self, began_ns: int, text: str) -> float:
        """When the tape is at 01:00:00:00."""
        ahead = TimeCode.parse("01:00:00:00", self.rate).ns - TimeCode.parse(text, self.rate).ns
        return began_ns + ahead / self.deck.settings.speed


def song_ns(quarters: float) -> float:
    """Time from bar 1: 120 quarters a minute up to bar 4, 150 from there (by hand)."""
    return (quarters * 0.5 if quarters <= 12 else 6 + (quarters - 12) * 0.4) * 1e9


@pytest.mark.parametrize("rate", list(RATES))
def test_a_take_goes_by_the_recorders_time_code(rate: str) -> None:
    """Armed first, then the recorder plays from 5 s before: each clock is where bar and time code have it."""
    chase = Chase(rate)
    chase.rig.roll()
    began = chase.play_from("00:59:55:00")
    chase.rig.run_for(18)
    bar_1 = chase.bar_1_ns(began, "00:59:55:00")
    for port in (1, 2):
        ticks = chase.ticks(port)
        assert [number for number, _, _ in ticks] == list(range(48 + 7 * 96))
        worst = max(abs(t - bar_1 - song_ns(quarters)) for _, t, quarters in ticks)
        assert worst < 20_000
    start = [t for t, data in chase.sent(2) if data == "FA"]
    assert len(start) == 1
    assert 1_000_000 <= bar_1 - 2 * SECOND - start[0] <= 2_100_000
    assert chase.rig.machine("box").running is False
    assert chase.end() == {"why": "end of the song", "outcome": "complete"}
    assert set(chase.codes()) <= {"time-code-jitter"}


def test_programs_are_in_force_in_time_and_in_their_order() -> None:
    """What lies before the song goes out when the take is armed, what lies in it at its predicted moment."""
    chase = Chase()
    chase.rig.roll()
    armed = chase.rig.clock.now_ns()
    began = chase.play_from("00:59:55:00")
    chase.rig.run_for(16)
    first, second = [t for t, data in chase.sent(3) if data.startswith("C0")]
    assert first - armed < 0.1 * SECOND
    bar_2 = chase.bar_1_ns(began, "00:59:55:00") + song_ns(4)
    assert 0 <= bar_2 - second < 200_000_000


@pytest.mark.parametrize("rate", list(RATES))
def test_beat_clock_is_within_1_ms_rms_of_the_truth_at_1_ms_jitter(rate: str) -> None:
    """From 1 s after the time code began; the bar is 1 ms."""
    chase = Chase(rate, ", jitter: 1 ms")
    chase.rig.roll()
    began = chase.play_from("00:59:58:00")
    chase.rig.run_for(16)
    bar_1 = chase.bar_1_ns(began, "00:59:58:00")
    off = [t - bar_1 - song_ns(quarters) for _, t, quarters in chase.ticks(1) if t > began + SECOND]
    assert len(off) > 500
    rms = math.sqrt(sum(each * each for each in off) / len(off))
    assert rms < 600_000
    assert chase.end()["outcome"] == "complete"


@pytest.mark.parametrize("from_", ["01:00:02:10", "01:00:06:00", "00:59:58:10"])
def test_joining_a_song_that_plays_already(from_: str) -> None:
    """Whoever knows Song Position is located and continued at a beat; the clock that plays it is that beat's.

    The drum machine counts what it was told: at the end it stands where the song does.
    """
    chase = Chase()
    began = chase.play_from(from_)
    chase.rig.run_for(0.5)
    chase.rig.roll()
    armed = chase.rig.clock.now_ns()
    chase.rig.run_for(16)
    bar_1 = chase.bar_1_ns(began, from_)
    drums = chase.rig.machine("box")
    assert drums.position == 6 * 96
    worst = max(abs(t - bar_1 - song_ns(quarters)) for _, t, quarters in chase.ticks(1))
    assert worst < 20_000
    begun = [(t, data) for t, data in chase.sent(1) if data[:2] in ("F2", "FA", "FB")]
    if from_.startswith("00:59"):
        assert [data for _, data in begun] == ["FA"]  # its bar 1 was still to come
        return
    position, continued = begun
    assert position[1].startswith("F2")
    assert continued[1] == "FB"
    sixteenths = int(position[1][3:5], 16) + (int(position[1][6:8], 16) << 7)
    beat_ns = bar_1 + song_ns(sixteenths / 4)
    assert sixteenths % 4 == 0
    assert 1_000_000 <= beat_ns - continued[0] <= 2_100_000
    assert position[0] < continued[0] < armed + 1.3 * SECOND
    programs = [data for t, data in chase.sent(3) if data.startswith("C0")]
    assert programs[-1] == "C0 08"
    (finding,) = [each for each in chase.rig.findings() if each["code"] == "time-code-joined-late"]
    assert "sequencer cannot be located and stays out" in finding["text"]
    assert chase.end()["outcome"] == "complete"
    assert not chase.rig.machine("rack").running


def test_behind_the_end_of_the_song_nothing_begins() -> None:
    """The take stays armed until the recorder comes back to the song."""
    chase = Chase()
    chase.rig.roll()
    chase.play_from("01:05:00:00")
    chase.rig.run_for(5)
    assert chase.rig.states()[-1]["state"] in ("armed", "clock")
    chase.stop()
    chase.rig.run_for(2)
    chase.play_from("00:59:55:00")
    chase.rig.run_for(18)
    assert chase.end()["outcome"] == "complete"


def test_a_recorder_that_stops_ends_the_take_after_the_freewheel_span() -> None:
    """Time code knows no Stop: two beats after the last quarter frame the machines are stopped."""
    chase = Chase()
    chase.rig.roll()
    chase.play_from("00:59:56:00")
    chase.rig.run_for(8)
    stopped = chase.rig.clock.now_ns()
    chase.stop()
    chase.rig.run_for(5)
    assert chase.end() == {"why": "time code stopped and did not come back in time", "outcome": "stopped"}
    (record,) = chase.rig.records(Kind.TAKE_END)
    assert 0.9 * SECOND < record.t_ns - stopped < 1.3 * SECOND
    assert "time-code-ended" in chase.codes()
    assert not chase.rig.machine("box").running


def test_a_dropout_is_bridged_by_prediction() -> None:
    """Half a second without time code: no clock is missing, none is late, and the finding says how long."""
    chase = Chase(more=", silent-from: 8 s, silent-for: 500 ms")
    chase.rig.roll()
    began = chase.play_from("00:59:55:00")
    chase.rig.run_for(18)
    bar_1 = chase.bar_1_ns(began, "00:59:55:00")
    ticks = chase.ticks(1)
    assert [number for number, _, _ in ticks] == list(range(48 + 7 * 96))
    assert max(abs(t - bar_1 - song_ns(quarters)) for _, t, quarters in ticks) < 50_000
    assert "time-code-dropout" in chase.codes()
    assert chase.end()["outcome"] == "complete"


def test_carrying_on_plays_the_song_to_its_end() -> None:
    """With `then: carry-on` the song goes on without the recorder."""
    chase = Chase(then="carry-on")
    chase.rig.roll()
    chase.play_from("00:59:56:00")
    chase.rig.run_for(8)
    chase.stop()
    chase.rig.run_for(16)
    assert chase.end()["outcome"] == "complete"


def test_a_locate_in_mid_song_ends_the_take() -> None:
    """The recorder is taken elsewhere while the take rolls: it stops, and says why."""
    chase = Chase()
    chase.rig.roll()
    chase.play_from("00:59:56:00")
    chase.rig.run_for(8)
    chase.play_from("00:30:00:00")
    chase.rig.run_for(2)
    assert chase.end()["outcome"] == "stopped"
    assert chase.end()["why"] in ("the recorder was located", "time code jumped")


@pytest.mark.parametrize(
    ("rate", "more", "code", "words"),
    [
        ("30", ", speed: 0.999000999", "time-code-speed", "runs at 29.97"),
        ("29.97-drop", ", speed: 1.001", "time-code-speed", "runs at 30"),
    ],
)
def test_the_faults_of_a_recorders_time_code_have_their_names(
    rate: str, more: str, code: str, words: str
) -> None:
    """30 for 29.97 and the other way round, at 1 ms jitter, within 10 s."""
    chase = Chase(rate, f"{more}, jitter: 1 ms")
    chase.rig.roll()
    began = chase.play_from("00:59:55:00")
    chase.rig.run_for(18)  # past 01:01:00:00, where numbers are left out
    found = [finding for finding in chase.rig.findings() if finding["code"] == code]
    assert len(found) == 1
    assert words in found[0]["text"]
    (record,) = [r for r in chase.rig.records(Kind.FINDING) if r.json()["code"] == code]
    assert record.t_ns - began < 10 * SECOND
    assert chase.end()["outcome"] == "complete"


def test_other_numbers_than_the_session_says_are_an_error_of_the_take() -> None:
    """The session's clock says 25, the recorder sends 30: told, though the numbers can be read."""
    text = SESSION.format(rate="30", number=30, more="", then="stop")
    rig = VirtualRig.of(text.replace("port: tape, on-dropout", "port: tape, frame-rate: 25, on-dropout"))
    rig.roll()
    rig.machine("tape").receive(command(1, cell(Mmc.PLAY)), rig.clock.now_ns())
    rig.run_for(2)
    assert "time-code-rate" in [finding["code"] for finding in rig.findings()]


def test_a_rate_that_has_no_such_frame_as_the_sessions_bar_1_is_followed() -> None:
    """Bar 1 is written as 01:00:00:28, and what comes has 24 frames a second: its last frame is taken."""
    text = SESSION.format(rate="30", number=24, more="", then="stop")
    rig = VirtualRig.of(text.replace('"01:00:00:00"', '"01:00:00:28"'))
    rig.roll()
    deck, now = rig.machine("tape"), rig.clock.now_ns()
    deck.receive(command(1, locate(TimeCode.parse("00:59:58:00", FrameRate.FPS_24))), now)
    rig.run_for(0.5)
    deck.receive(command(1, cell(Mmc.PLAY)), rig.clock.now_ns())
    rig.run_for(3)
    assert [r for r in rig.records(Kind.TICK_SENT) if r.port == 1]
