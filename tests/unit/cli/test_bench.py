"""`takewright bench`: what it measures, what it makes of it, and what it says."""

from __future__ import annotations

import json
from array import array
from pathlib import Path

import pytest

from runner.audit.statistics import Spread
from runner.cli import bench_engine
from runner.cli.bench_computer import Computer, read_computer
from runner.cli.bench_engine import EngineRun, matched, run_engine
from runner.cli.bench_verdict import Grade, grade_of, histogram, judge
from runner.cli.main import run
from runner.errors import RigError, TakewrightError
from runner.keeper.pipes import Pipes

MILLISECOND = 1_000_000
PLAIN = Computer(4, "Linux 6.1", "", (), False, 0.0)


def made(late_us: list[float], **more: object) -> EngineRun:
    """Return a run with these latenesses and every right."""
    made_run = EngineRun(array("q", [round(late * 1000) for late in late_us]), cpu=0.03, rss_mb=22.0)
    made_run.rights = {"realtime": True, "memory_locked": True, "warnings": []}
    for name, value in more.items():
        setattr(made_run, name, value)
    return made_run


@pytest.mark.parametrize(
    ("p999_us", "max_us", "grade"),
    [
        (319.0, 5999.0, Grade.GOOD),
        (321.0, 400.0, Grade.FAIR),  # MIDI 1.0: one byte at 31.25 kbaud with 10 bits is 320 us
        (100.0, 6001.0, Grade.FAIR),  # Friberg and Sundberg, JASA 98 (1995): about 6 ms are heard
        (1001.0, 1200.0, Grade.POOR),  # a full-speed USB frame is 1 ms (USB 2.0, 5.12.2)
        (100.0, 30_001.0, Grade.POOR),
    ],
)
def test_the_grade_follows_the_byte_the_frame_and_the_ear(
    p999_us: float, max_us: float, grade: Grade
) -> None:
    """Each limit is a fact of the cable, of USB or of hearing, and holds on its very edge."""
    found, why = grade_of(Spread(10.0, 50.0, p999_us, max_us, 0.0, 2000))
    assert found is grade
    assert bool(why) is (grade is not Grade.GOOD)


def test_a_good_computer_needs_no_remedy() -> None:
    """Two quiet runs with every right give the best grade and nothing to do."""
    judgement = judge({"idle": made([5.0] * 3000), "busy": made([12.0] * 3000)}, PLAIN)
    assert (judgement.grade, judgement.reasons, judgement.remedies) == (Grade.GOOD, (), ())


def test_without_real_time_priority_no_computer_is_good() -> None:
    """However good the figures, a missing right is named, with the engine's own remedy."""
    quiet = made([5.0] * 3000)
    quiet.rights = {"realtime": False, "warnings": ["no real-time priority: give the user `rtprio 95`"]}
    judgement = judge({"idle": quiet, "busy": made([5.0] * 3000)}, PLAIN)
    assert judgement.grade is Grade.FAIR
    assert "real-time priority" in judgement.reasons[0]
    assert judgement.remedies == ("no real-time priority: give the user `rtprio 95`",)


def test_the_remedies_are_those_of_the_computer_at_hand() -> None:
    """Stalls on a saving, swapping, virtual computer name the governor, the kernel, the host and the swap."""
    computer = Computer(1, "Linux 6.1", "chosen at boot", ("powersave",), True, 512.0)
    judgement = judge({"idle": made([5.0] * 3000), "busy": made([9000.0] * 3000, steal_ms=70.0)}, computer)
    assert judgement.grade is Grade.POOR
    text = " ".join(judgement.remedies)
    for word in ("performance", "preempt=full", "70 ms", "512 MB", "one core"):
        assert word in text


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"loop_sent": 100, "back_ns": array("q", [MILLISECOND] * 97)}, "3 of 100"),
        ({"refused": 2}, "refused 2"),
        ({"late_ns": array("q")}, "no clock went out"),
    ],
)
def test_what_is_lost_is_never_good(more: dict[str, object], word: str) -> None:
    """Clocks that do not come back, or do not go out, outweigh any lateness."""
    judgement = judge({"idle": made([5.0] * 100, **more)}, PLAIN)
    assert judgement.grade is Grade.POOR
    assert any(word in reason for reason in judgement.reasons)


def test_the_histogram_holds_every_clock_and_ends_with_the_worst() -> None:
    """Each clock is in one row, the row of the worst is the last, and a single one still has a bar."""
    rows = histogram([1_000] * 1000 + [60_000] * 10 + [7_000_000], 40)
    assert sum(count for _, count, _ in rows) == 1011
    assert rows[0] == ("under 10 µs", 1000, 40)
    assert rows[-1][:2] == ("6 ms and more", 1)
    assert rows[-1][2] >= 1
    assert [count for _, count, cells in rows if bool(count) != bool(cells)] == []


def test_a_clock_that_comes_back_too_late_is_missing_and_takes_no_others_place() -> None:
    """Sends at 0, 20, 40 ms: the second comes back late and the third in time; two are matched."""
    sent = array("q", [0, 20 * MILLISECOND, 40 * MILLISECOND])
    heard = array("q", [2 * MILLISECOND, 36 * MILLISECOND, 41 * MILLISECOND])
    assert list(matched(sent, heard)) == [2 * MILLISECOND, MILLISECOND]


def test_a_computers_facts_are_read_where_the_kernel_keeps_them(tmp_path: Path) -> None:
    """Governor, preemption, hypervisor and swap come from the files that proc(5) and the kernel name."""
    for path, text in (
        ("sys/devices/system/cpu/cpu0/cpufreq/scaling_governor", "powersave\n"),
        ("sys/devices/system/cpu/cpu1/cpufreq/scaling_governor", "powersave\n"),
        ("proc/version", "Linux version 6.1 (x) #1 SMP PREEMPT_DYNAMIC Debian\n"),
        ("proc/cpuinfo", "processor\t: 0\nflags\t\t: fpu sse hypervisor lm\n"),
        ("proc/meminfo", "MemTotal: 1000 kB\nSwapTotal: 800000 kB\nSwapFree: 300000 kB\n"),
    ):
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_text(text)
    computer = read_computer(tmp_path)
    assert computer.governors == ("powersave",)
    assert (computer.preemption, computer.virtual, computer.swap_used_mb) == ("chosen at boot", True, 500.0)


def test_a_computer_that_tells_nothing_is_no_error(tmp_path: Path) -> None:
    """Where no file is readable the facts are empty."""
    computer = read_computer(tmp_path)
    assert (computer.governors, computer.preemption, computer.virtual) == ((), "", False)


def test_the_real_engine_is_measured() -> None:
    """A real engine plays one bar: 24 clocks a quarter (MIDI 1.0) on each of four ports; none is lost."""
    shares: list[float] = []
    measured = run_engine(2.0, None, shares.append)
    assert len(measured.late_ns) == 4 * 4 * 24
    assert min(measured.late_ns) >= 0
    assert (measured.dropped, measured.refused) == (0, 0)
    assert measured.rss_mb > 5
    assert 0 <= min(shares) <= max(shares) <= 1


def test_a_missing_loop_port_is_a_missing_rig() -> None:
    """The engine's own words name the port, and no engine is left behind."""
    with pytest.raises(RigError):
        run_engine(2.0, ("No such port*", "No such port*"), lambda _share: None)


@pytest.mark.parametrize(("late_us", "code"), [(5.0, 0), (9000.0, 1)])
def test_the_command_says_it_in_its_exit_code_and_in_json(
    late_us: float, code: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A good computer exits 0, a poor one 1; text fits 80 columns and JSON holds both runs."""
    monkeypatch.setattr(bench_engine, "run_engine", lambda *_given: made([late_us] * 2000))
    monkeypatch.setattr("runner.cli.bench_computer.read_computer", lambda: PLAIN)
    monkeypatch.setattr(bench_engine.os, "cpu_count", lambda: 0)  # the load: one process instead of many
    assert run(["bench", "--json"]) == code
    result = json.loads(capsys.readouterr().out)
    assert result["verdict"] == ("good" if code == 0 else "poor")
    assert {name: part["clocks"] for name, part in result["runs"].items()} == {"idle": 2000, "busy": 2000}
    assert run(["bench"]) == code
    text = capsys.readouterr().out
    assert "verdict: " in text
    assert max(len(line) for line in text.splitlines()) <= 80


class _Silent:
    """An engine that runs and says nothing, or one that has ended."""

    def __init__(self, code: int | None) -> None:
        self.code = code

    def how_it_ended(self) -> str:
        """As a child tells it."""
        return f"exit code {self.code}"


@pytest.mark.parametrize(
    ("code", "why"), [(None, r"0 s after its time; close other programs"), (4, r"it ended \(exit code 4\)")]
)
def test_an_engine_that_does_not_answer_is_told_with_what_to_do(
    code: int | None, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A computer too busy to start the engine is told apart from an engine that has ended."""
    monkeypatch.setattr(bench_engine, "_START_S", 0.0)
    pipes = Pipes.open()
    try:
        conversation = bench_engine._Conversation(pipes, _Silent(code))  # type: ignore[arg-type]
        with pytest.raises(TakewrightError, match=f"the engine gave no answer: .*{why}"):
            conversation.run(bench_engine.rig(None), b"", 1.0, lambda _: None)
    finally:
        pipes.close()
