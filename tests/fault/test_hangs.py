"""Children that hang or die again and again: the keeper replaces them, and at last gives up in good order.

The keeper's limits of patience are made shorter here, in its own process, so that the tests need not wait as
long as a stage may; what happens then is the same.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_run import Run, running
from quay import assert_nothing_went_wrong, assert_record_is_whole, write_session

from runner.desk.client import ControlClient

pytestmark = pytest.mark.live

BARS = 2
IMPATIENT = """
import runner.keeper.keeper as keeper
keeper.ENGINE_SILENT_S = 2
keeper.DESK_SILENT_S = 3
keeper.DEATHS_ALLOWED = 2
"""


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    """A run on simulated ports under an impatient keeper."""
    session = write_session(tmp_path, jack=False, bars=BARS)
    with running([str(session), "--song", "Net Loft"], tmp_path / "takes", before=IMPATIENT) as run:
        yield run


def test_a_desk_that_hangs_is_replaced_and_nothing_is_lost(run: Run) -> None:
    """A desk that stands still (SIGSTOP) is killed; the next one completes the record of a clean take."""
    run.wait_for_takes()
    run.child("desk").send_signal(signal.SIGSTOP)
    code = run.wait()
    assert "the desk process gave no sign of life" in run.output
    assert "the desk process died (killed by SIGKILL)" in run.output
    assert_record_is_whole(run.takes()[0])
    assert code == assert_nothing_went_wrong(run.summary())


def test_an_engine_that_hangs_is_replaced_and_the_take_fails(run: Run) -> None:
    """An engine that stands still is killed; the next one silences the rig, and the take says why."""
    run.wait_for_takes()
    run.child("engine").send_signal(signal.SIGSTOP)
    code = run.wait()
    assert "the engine process gave no sign of life" in run.output
    assert "the rig was stopped and silenced" in run.output
    assert run.summary()["verdict"] == "failed"
    assert run.summary()["ended"] == "the engine process died"
    assert code == 1


def test_a_desk_that_dies_again_and_again_ends_the_run(run: Run) -> None:
    """One death more than is allowed: the run is given up with a plain text and exit code 4."""
    run.wait_for_takes()
    for deaths in (1, 2, 3):
        run.kill("desk")
        run.wait_for_text("the desk process died", deaths)
    assert run.wait() == 4
    assert "the desk process dies again and again: the run is given up" in run.output
    assert "Traceback" not in run.output


@pytest.mark.parametrize("name", ["engine", pytest.param("desk", marks=pytest.mark.campaign)])
def test_a_daemon_whose_child_dies_again_and_again_stands_and_says_so(tmp_path: Path, name: str) -> None:
    """It neither spins nor gives up: it is silent, says when it tries again, and TERM ends it."""
    session = write_session(tmp_path, jack=False, bars=BARS)
    environment = {"TAKEWRIGHT_SOCKET": str(tmp_path / "s")}
    with running([str(session)], tmp_path / "takes", environment, before=IMPATIENT) as run:
        for deaths in (1, 2, 3):
            run.kill(name)
            run.wait_for_text(f"the {name} process died", deaths)
        text = f"the {name} process dies again and again: the rig is silenced and stands"
        run.wait_for_text(text)
        assert f"{text}; it is tried again in 30 s" in " ".join(run.output.split())
        if name == "engine":  # the desk lives, and refuses what would come when nobody expects it any more
            run.wait_for_file(tmp_path / "s")
            with ControlClient(tmp_path / "s", timeout_s=60) as client:
                refused = client.order("roll")
                assert not refused.done and text in refused.text
                assert client.status().state == "trouble"
        run.process.send_signal(signal.SIGTERM)
        assert run.wait() in (0, 130)  # told to end, with a desk or without one
    assert "Traceback" not in run.output


@pytest.mark.campaign
def test_an_engine_that_dies_again_and_again_ends_the_run(tmp_path: Path) -> None:
    """As above for the engine, over several takes; each take that it broke off is closed as failed."""
    session = write_session(tmp_path, jack=False, bars=BARS)
    arguments = [str(session), "--song", "Net Loft", "--takes", "9"]
    with running(arguments, tmp_path / "takes", before=IMPATIENT) as run:
        for deaths in (1, 2, 3):
            run.wait_for_takes(deaths)
            run.kill("engine")
        assert run.wait() == 4
    assert "the engine process dies again and again: the run is given up" in run.output
    assert "Traceback" not in run.output
    assert len(run.takes()) == 3
    assert [run.summary(index)["verdict"] for index in range(3)] == ["failed"] * 3


@pytest.mark.parametrize("name", ["desk", pytest.param("engine", marks=pytest.mark.campaign)])
def test_a_child_killed_while_it_starts_costs_nothing(run: Run, name: str) -> None:
    """A child that dies before anything rolls is started again, and the take is rolled, whole and clean."""
    run.kill(name)
    code = run.wait()
    assert f"the {name} process died (killed by SIGKILL)" in run.output
    assert len(run.takes()) == 1
    assert_record_is_whole(run.takes()[0])
    assert code == assert_nothing_went_wrong(run.summary())


@pytest.mark.campaign
@pytest.mark.parametrize("delay_ms", range(0, 1500, 50))
@pytest.mark.parametrize("name", ["engine", "desk"])
def test_a_child_killed_at_any_moment_of_the_start_leads_to_a_take(
    tmp_path: Path, name: str, delay_ms: int
) -> None:
    """Wherever in the start a child dies, the run goes on to its end: one take closed, none left open."""
    session = write_session(tmp_path, jack=False, bars=1)
    arguments = [str(session), "--song", "Net Loft", "--takes", "2"]
    with running(arguments, tmp_path / "takes", before=IMPATIENT) as run:
        run.child(name)
        run.let_pass(delay_ms / 1000)
        run.kill(name)
        code = run.wait()
    closed = [take for take in run.takes() if (take / "take.json").exists()]
    assert len(closed) == 2, run.output
    summaries = [run.summary(run.takes().index(take)) for take in closed]
    broken = [summary for summary in summaries if summary["ended"] == "the engine process died"]
    assert [summary["verdict"] for summary in broken] == ["failed"] * len(broken)
    assert len(broken) <= (name == "engine")
    codes = [assert_nothing_went_wrong(summary) for summary in summaries if summary not in broken]
    assert code == max([*codes, len(broken)])


@pytest.mark.campaign
@pytest.mark.parametrize("delay_ms", range(0, 240, 10))
def test_a_desk_killed_while_it_closes_a_take_rolls_none_twice(tmp_path: Path, delay_ms: int) -> None:
    """Killed anywhere from the take's last record to the next roll: two takes are asked for and made."""
    session = write_session(tmp_path, jack=False, bars=1)
    arguments = [str(session), "--song", "Net Loft", "--takes", "2"]
    with running(arguments, tmp_path / "takes", before=IMPATIENT) as run:
        run.wait_for_takes()
        run.wait_for_end_of_take()
        run.let_pass(delay_ms / 1000)
        run.kill("desk")
        code = run.wait()
    assert len(run.takes()) == 2, run.output
    for take in run.takes():
        assert_record_is_whole(take)
    assert code == max(assert_nothing_went_wrong(run.summary(index)) for index in range(2))
