"""`takewright demo`: its session, what it does to the second take, and how it judges both."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from runner.cli import demo, demo_follow
from runner.cli.demo import Disturber, Rolled, bar_of, stall_finding
from runner.desk.job import Report

REPOSITORY = Path(__file__).parents[3]
ANCHOR = 5_000_000_000
PLAYED = {
    "verdict": "clean",
    "clock": {"sent": 1908, "expected": 1908, "missing": 0, "lateness_us": {"max": 210.0}},
    "messages": {"sent": 101, "lateness_us": {"max": 300.0}},
    "log": {"records": 2017, "complete": True, "dropped": 0},
    "header": {"anchor_ns": ANCHOR},
    "findings": [],
}
LATE = {
    "code": "clock-late", "severity": "warning", "at": "bar 3 beat 2", "t_ns": 2_000_000_000,
    "text": "24 clocks on port box were over 6.00 ms off, the worst 300.10 ms late",
    "causes": [{"text": "this computer did not run the engine in time", "why": "others were late too"}],
    "evidence": {"worst_us": 300_100.0},
}  # fmt: skip


def take(**changes: Any) -> dict[str, Any]:
    """Return the summary of a clean take of the demo, changed."""
    return {**PLAYED, **changes}


def test_the_packaged_session_is_the_example() -> None:
    """The demo's session and parts in the package are those of configs/, byte for byte."""
    packaged = REPOSITORY / "runner" / "cli" / "demo_session"
    files = sorted(path.relative_to(packaged) for path in packaged.rglob("*") if path.is_file())
    assert [str(path) for path in files] == ["demo-follow.yaml", "demo.yaml", "parts/slack-water.mid"]
    for path in files:
        assert (packaged / path).read_bytes() == (REPOSITORY / "configs" / path).read_bytes()
    assert packaged == demo.SESSION.parent


def test_the_session_is_good_and_short(call: Callable[..., Any]) -> None:
    """Nothing is wrong with it; two takes of it and their starts fit in well under 40 seconds."""
    import json

    assert call("check", demo.SESSION).code == 0
    rows = json.loads(call("plan", demo.SESSION, "--song", demo.SONG, "--json").out)
    assert (rows[-1]["t_ns"] - rows[0]["t_ns"]) / 1e9 < 12


def test_bars_are_read_from_positions() -> None:
    """Bars before bar 1 too; anything else is before all bars."""
    assert [bar_of(at) for at in ("bar 5 beat 2 7/12", "bar -1 beat 1", "", "start")] == [5, -1, -99, -99]


def test_both_bad_things_are_done_once_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """In its bar the engine is stopped and let go; in a later one the desk is killed; never twice."""
    done: list[tuple[int, signal.Signals]] = []
    monkeypatch.setattr(os, "kill", lambda pid, number: done.append((pid, number)))
    monkeypatch.setattr(demo.time, "sleep", lambda span: done.append((0, span)))
    disturber = Disturber()
    for bar in (1, 3, 4, 6, 7):
        disturber.hear(Report("position", {"state": "rolling", "at": f"bar {bar} beat 1"}), (11, 22))
    disturber.hear(Report("warning", {"text": "bar 6"}), (11, 22))
    assert done == [
        (11, signal.SIGSTOP),
        (0, demo.STALL_S),
        (11, signal.SIGCONT),
        (22, signal.SIGKILL),
    ]


def test_a_stopped_engine_is_let_go_whatever_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    """An interruption during the stop still sends SIGCONT."""
    done: list[signal.Signals] = []

    def interrupt(_span: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "kill", lambda _pid, number: done.append(number))
    monkeypatch.setattr(demo.time, "sleep", interrupt)
    with pytest.raises(KeyboardInterrupt):
        Disturber().hear(Report("position", {"state": "rolling", "at": "bar 3 beat 1"}), (11, 22))
    assert done == [signal.SIGSTOP, signal.SIGCONT]


def test_the_finding_must_name_the_time_and_the_size_of_the_stop() -> None:
    """Late by most of the stop and within a second of it; ordinary lateness or another place is not it."""
    stalled = ANCHOR + 1_800_000_000
    assert stall_finding(take(findings=[LATE]), stalled) == LATE
    assert stall_finding(take(findings=[LATE]), None) is None
    assert stall_finding(take(findings=[]), stalled) is None
    assert stall_finding(take(findings=[{**LATE, "evidence": {"worst_us": 9_000.0}}]), stalled) is None
    assert stall_finding(take(findings=[{**LATE, "t_ns": 6_000_000_000}]), stalled) is None
    assert stall_finding(take(findings=[{**LATE, "code": "port-lost"}]), stalled) is None


FOUND = take(verdict="flawed", findings=[LATE])
BROKEN = take(verdict="failed", findings=[{**LATE, "code": "note-left", "severity": "error"}])
TORN = take(verdict="flawed", findings=[LATE], log={"records": 9, "complete": False, "dropped": 3})
LOST = take(verdict="failed", findings=[LATE], clock={**PLAYED["clock"], "missing": 4})
FOLLOWED = {
    "verdict": "failed",
    "clock": {
        "missing": 3,
        "locked_after_beats": 0.667,
        "ports": [{"port": "box", "direction": "out", "expected": 577, "missing": 0}],
    },
    "findings": [
        {
            "code": "clock-missing",
            "severity": "error",
            "at": "bar 3 beat 1.5",
            "text": "3 clocks on port tape never came",
        }
    ],
}
CASES = {
    "as it should be": ([take()], FOUND, True, 2, 0),
    "busy once": ([FOUND, take()], FOUND, True, 3, 0),
    "busy twice": ([FOUND, FOUND], FOUND, True, 3, 0),
    "first not clean": ([BROKEN], FOUND, True, 2, 1),
    "stop not found": ([take()], take(), True, 2, 1),
    "desk not killed": ([take()], FOUND, False, 2, 1),
    "log not whole": ([take()], TORN, True, 2, 1),
    "clocks missing": ([take()], LOST, True, 2, 1),
}


@pytest.mark.parametrize(("first", "second", "killed", "rolls", "code"), CASES.values(), ids=CASES.keys())
def test_the_demo_is_judged_by_both_takes(
    first: list[dict[str, Any]],
    second: dict[str, Any],
    killed: bool,
    rolls: int,
    code: int,
    tmp_path: Path,
    call: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Exit 0 needs a first take without a fault of ours (a busy computer gets a second go and is named), and
    a second one in which the stop was found and nothing lost."""
    waiting = [*first]
    rolled: list[str] = []

    def roll(folder: str, pass_name: str, disturber: Disturber | None = None, **other: object) -> Rolled:
        if other:
            return Rolled(Path(folder), FOLLOWED)
        rolled.append(pass_name)
        if disturber is None:
            return Rolled(Path(folder), waiting.pop(0))
        disturber.stalled_ns, disturber.killed = ANCHOR + 1_900_000_000, killed
        return Rolled(Path(folder), second, disturber)

    monkeypatch.setattr(demo, "roll", roll)
    told = call("demo", "--takes-folder", tmp_path)
    assert told.code == code
    assert len(rolled) == rolls
    assert max(len(line) for line in told.out.splitlines() if str(tmp_path) not in line) <= 80
    if len(first) == 2 and first[1]["verdict"] != "clean":
        assert "by this computer alone" in " ".join(told.out.split())


def test_the_last_lines_can_be_called_as_the_demo_was(
    tmp_path: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`.venv/bin/takewright` is on no path; where the bare name means the same program, it is told."""
    command = tmp_path / "rig venv" / "bin" / "takewright"
    command.parent.mkdir(parents=True)
    command.write_text("#!/bin/sh\n")
    command.chmod(0o755)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "roll", lambda *_given, **_other: Rolled(tmp_path, FOLLOWED))
    monkeypatch.setattr(demo, "_tell_second", lambda _rolled: True)

    def commands(called: str, path: str) -> list[str]:
        monkeypatch.setattr(sys, "argv", [called])
        monkeypatch.setenv("PATH", path)
        takes, audit = call("demo", "--takes-folder", "kept").out.splitlines()[-2:]
        return [takes.removesuffix(" takes 'kept'").strip(), audit.partition(" audit ")[0].strip()]

    for called, path, told in (
        ("rig venv/bin/takewright", "/nowhere", "'rig venv/bin/takewright'"),
        ("rig venv/bin/takewright", str(command.parent), "takewright"),
        (str(command), str(command.parent), "takewright"),
        ("takewright", "/nowhere", "takewright"),
        ("/some/runner/cli/__main__.py", "/nowhere", f"{sys.executable} -m runner.cli"),
    ):
        assert commands(called, path) == [told, told]


@pytest.mark.parametrize(
    ("clock", "good"),
    [
        ({}, True),
        ({"missing": 2}, False),
        ({"ports": [{"port": "box", "direction": "out", "expected": 577, "missing": 1}]}, False),
    ],
)
def test_the_followed_take_is_judged_by_what_was_left_out(
    clock: dict[str, Any], good: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exactly the clocks that the simulated recorder left out, and none of them missing behind us."""
    summary = {**FOLLOWED, "clock": {**FOLLOWED["clock"], **clock}}  # type: ignore[dict-item]
    assert demo_follow.tell_third(Rolled(tmp_path, summary)) is good
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 80


@pytest.mark.campaign
def test_the_demo_from_end_to_end(tmp_path: Path) -> None:
    """The real thing: three or four takes in real time, exit 0, all on disk, the disturbed one whole."""
    done = subprocess.run(
        [sys.executable, "-m", "runner.cli", "demo", "--takes-folder", str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    flat = " ".join(done.stdout.split())
    assert "The hold-up shows." in flat
    assert "The dead desk does not show." in flat
    takes = sorted(path.parent.name for path in tmp_path.rglob("take-0001/take.json"))
    assert takes == ["take-0001"] * 3
