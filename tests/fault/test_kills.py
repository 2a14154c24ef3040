"""Any process of a run killed in mid-take, seen by a listener on JACK ports that shares no code with it.

What must hold: the clock does not miss a tick for a dead desk; a dead engine or keeper leaves no machine
running and no note sounding. Facts: MIDI 1.0 Detailed Specification 4.2.1 (24 clocks a quarter and Start,
p. 30; Note Off for each Note On, p. 10).
"""

from __future__ import annotations

import contextlib
import random
import signal
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from jack_server import JackServer
from live_run import Ear, Heard, Run, listening, running
from quay import (
    CLOCK,
    CLOCKS_PER_BAR,
    PORTS,
    START,
    STOP,
    assert_nothing_went_wrong,
    assert_record_is_whole,
    ended_ns,
    events_of,
    left_sounding,
    transport_of,
    write_session,
)

BARS = 5
SILENT_WITHIN_NS = 2_000_000_000  #: four times what a quiet computer needs at most

pytestmark = pytest.mark.realport


@pytest.fixture
def ear(jack_server: JackServer) -> Iterator[Ear]:
    """A listener with the two ports of the session."""
    with listening("quay", PORTS, jack_server.child_environment()) as ear:
        yield ear


@pytest.fixture
def run(ear: Ear, jack_server: JackServer, tmp_path: Path) -> Iterator[Run]:
    """A run of the session's one song."""
    session = write_session(tmp_path, jack=True, bars=BARS, tempo=300)
    arguments = [str(session), "--song", "Net Loft"]
    with running(arguments, tmp_path / "takes", jack_server.child_environment()) as run:
        yield run


def _wait_for_clocks(ear: Ear, count: int) -> None:
    ear.wait_for(lambda: ear.clocks("box") >= count, f"{count} clocks")


def _sounding_from(ear: Ear) -> None:
    """Wait until both long notes sound and the drum machine runs."""
    ear.wait_for(lambda: len(left_sounding(ear.heard("rack"))) == 2, "two notes")
    assert transport_of(ear.heard("box")) == [START]


def _after(heard: list[Heard], t_ns: int) -> list[Heard]:
    return [entry for entry in heard if entry.t_ns > t_ns]


def _silenced_after_ns(ear: Ear, killed_ns: int) -> int:
    """Assert that all stands and is silent; return how long after the kill the last of it was ended."""
    assert left_sounding(ear.heard("rack")) == {}
    transport = transport_of(ear.heard("box"))
    assert transport[0] == START
    assert set(transport[1:]) == {STOP}
    ended = ended_ns(ear.heard())
    assert ended is not None
    return ended - killed_ns


def _kill_desk_at(run: Run, ear: Ear, clocks: list[int]) -> None:
    for at in clocks:
        _wait_for_clocks(ear, at)
        run.kill("desk")


def _assert_untouched(run: Run, ear: Ear, code: int) -> None:
    """Assert that neither the machines nor the record noticed anything."""
    box = [entry.data for entry in ear.heard("box")]
    song = box[box.index(START) + 1 : box.index(STOP)]
    assert song == [CLOCK] * (BARS * CLOCKS_PER_BAR)
    assert box[-1] == STOP
    assert left_sounding(ear.heard("rack")) == {}
    moves = [entry.data[2] for entry in ear.heard("rack") if entry.data[:2] == b"\xb1\x4a"]
    assert moves == list(range(1, BARS + 1))
    assert len(run.takes()) == 1
    take = run.takes()[0]
    assert_record_is_whole(take)
    summary = run.summary()
    assert summary["log"]["complete"] is True
    assert summary["clock"]["sent"] == sum(data == CLOCK for data in box)
    assert code == assert_nothing_went_wrong(summary), run.output


def test_a_desk_killed_again_and_again_costs_no_tick_and_no_record(
    run: Run, ear: Ear, tmp_path: Path
) -> None:
    """Kills at three seeded moments of one take: all clocks arrive, and each stands in the record once.

    The session file is broken in the meantime: what was accepted at the start is in force to the end.
    """
    _wait_for_clocks(ear, 1)
    file = tmp_path / "mishaps.yaml"
    accepted = file.read_text()
    file.write_text("session: [broken")
    moments = random.Random(17)
    song = BARS * CLOCKS_PER_BAR
    _kill_desk_at(
        run, ear, [moments.randrange(third * song // 3 + 10, (third + 1) * song // 3) for third in range(3)]
    )
    code = run.wait()
    _assert_untouched(run, ear, code)
    assert run.output.count("the desk process died (killed by SIGKILL)") == 3
    continued = [
        event for event in events_of(run.takes()[0]) if event.get("data", {}).get("state") == "continued"
    ]
    assert 1 <= len(continued) <= 3  # a desk may die again before it has opened the log
    assert (run.takes()[0] / "session.yaml").read_text() == accepted


def test_a_killed_engine_leaves_the_rig_stopped_and_silent(run: Run, ear: Ear) -> None:
    """The next engine sends Stop and a Note Off for each sounding note; the take closes as failed."""
    _sounding_from(ear)
    killed = run.kill("engine")
    code = run.wait()
    assert _silenced_after_ns(ear, killed) < SILENT_WITHIN_NS
    summary = run.summary()
    assert summary["verdict"] == "failed"
    assert summary["ended"] == "the engine process died"
    assert "take-failed" in [finding["code"] for finding in summary["findings"]]
    assert code == 1, run.output
    assert "killed by SIGKILL" in run.output
    # each Note Off, the Stop and the mode messages are in the record as what they are
    cuts = Counter(event["bytes"] for event in events_of(run.takes()[0]) if event["kind"] == "cut")
    after = Counter(
        entry.data.hex(" ").upper()
        for entry in _after(ear.heard(), killed)
        if entry.data != CLOCK and entry.data[0] & 0xF0 != 0x90  # a Note On may have been under way
    )
    # Stop and Note Offs go once more later, maybe after the take was closed; JACK may have lost the first
    assert cuts.keys() == after.keys() == {"FC", "81 28 40", "81 2F 40", "B1 7B 00", "B9 7B 00"}
    assert max(cuts.values()) <= 2
    assert max(after.values()) <= 2
    assert cuts["B1 7B 00"] == after["B1 7B 00"] == 1


def test_a_killed_keeper_takes_nobody_with_it_in_disorder(run: Run, ear: Ear) -> None:
    """Both children notice, stop and silence the machines, close the take and leave.

    In a service they then get the unit's KillSignal, and leave it alone (systemd.kill(5)).
    """
    _sounding_from(ear)
    children = [process for process in run.family() if process.pid != run.process.pid]
    assert children
    killed = ear.heard()[-1].t_ns
    run.process.send_signal(signal.SIGKILL)
    for child in children:
        with contextlib.suppress(psutil.NoSuchProcess):
            child.send_signal(signal.SIGINT)
    assert run.wait() == -signal.SIGKILL
    assert run.left_over() == []
    assert _silenced_after_ns(ear, killed) < SILENT_WITHIN_NS
    summary = run.summary()
    assert summary["verdict"] == "interrupted"
    assert summary["ended"] == "the keeper process is gone"
    assert "keeper-died" in [cause["code"] for each in summary["findings"] for cause in each["causes"]]
    assert summary["log"]["complete"] is True


def test_a_signal_to_all_silences_the_rig_though_the_keeper_hangs(run: Run, ear: Ear) -> None:
    """What a watchdog does to a service (systemd.service(5), WatchdogSignal): Stop and silence at once."""
    _sounding_from(ear)
    run.child("spare")
    everybody = run.family()
    run.process.send_signal(signal.SIGSTOP)
    sent = ear.heard()[-1].t_ns
    for process in everybody:
        with contextlib.suppress(psutil.NoSuchProcess):
            process.send_signal(signal.SIGTERM)
    ear.wait_for(lambda: ear.heard("rack")[-1].data == bytes.fromhex("b17b00"), "the rig's silence")
    assert _silenced_after_ns(ear, sent) < SILENT_WITHIN_NS
    run.process.send_signal(signal.SIGKILL)  # which is what a manager does next
    assert run.wait() == -signal.SIGKILL
    assert run.left_over() == []


@pytest.mark.parametrize(
    "number", [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.campaign)], ids=["int", "term"]
)
def test_a_stop_signal_silences_the_rig_and_closes_the_take(
    run: Run, ear: Ear, number: signal.Signals
) -> None:
    """Ctrl-C and SIGTERM: Stop, Note Offs, then the mode message; the take is interrupted, exit code 130."""
    _sounding_from(ear)
    sent = ear.heard()[-1].t_ns
    run.process.send_signal(number)
    assert run.wait() == 130, run.output
    assert _silenced_after_ns(ear, sent) < SILENT_WITHIN_NS
    rack = [entry.data.hex(" ") for entry in ear.heard("rack")]
    assert rack[-3:] == ["81 28 40", "81 2f 40", "b1 7b 00"]
    summary = run.summary()
    assert summary["verdict"] == "interrupted"
    assert summary["ended"] == ("stopped by the user" if number == signal.SIGINT else "told to end")


@pytest.mark.campaign
def test_engine_and_desk_killed_together_leave_silence_and_a_failed_take(run: Run, ear: Ear) -> None:
    """Two deaths at once: the rig is silenced all the same, and the take closed with the reason."""
    _sounding_from(ear)
    run.kill("desk")
    killed = run.kill("engine")
    code = run.wait()
    assert _silenced_after_ns(ear, killed) < SILENT_WITHIN_NS
    assert run.summary()["verdict"] == "failed"
    assert run.summary()["ended"] == "the engine process died"
    assert code == 1, run.output


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(20))
def test_a_desk_killed_at_any_moment_costs_nothing(run: Run, ear: Ear, seed: int) -> None:
    """As above at many more moments, the ends of the take among them."""
    moments = random.Random(seed)
    _kill_desk_at(run, ear, sorted(moments.sample(range(1, BARS * CLOCKS_PER_BAR + 9), 2)))
    code = run.wait()
    _assert_untouched(run, ear, code)
