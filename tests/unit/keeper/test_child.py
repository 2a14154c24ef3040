"""Children and descriptors as the keeper handles them."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from runner.desk.job import Job, Report
from runner.keeper.child import Child
from runner.keeper.pipes import Pipes

WAITS = [
    "-n",
    "1",
    "import time; time.sleep(60)",
]  #: of the module timeit: a child that lives until it is told


def _open_fds() -> set[str]:
    return set(os.listdir("/proc/self/fd"))


def test_the_end_of_a_child_makes_its_descriptor_readable() -> None:
    """`exit_fd` tells of the end, and `how_it_ended` says it in words."""
    child = Child("timeit", ["-n", "1", "pass"], [])
    try:
        assert select.select([child.exit_fd], [], [], 30)[0] == [child.exit_fd]
        assert child.how_it_ended() == "exit code 0"
        child.signal(signal.SIGTERM)  # to one that has gone: nothing happens
    finally:
        child.close()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_killed_child_names_the_signal(number: signal.Signals) -> None:
    """A death by signal is told by the signal's name."""
    child = Child("timeit", WAITS, [])
    try:
        child.signal(number)
        child.end(30)
        assert child.code == -number
        assert child.how_it_ended() == f"killed by {number.name}"
    finally:
        child.close()


def test_a_child_that_will_not_go_is_killed() -> None:
    """Ending goes from waiting over asking to killing: a stopped process cannot hear the second."""
    child = Child("timeit", WAITS, [])
    try:
        child.signal(signal.SIGSTOP)
        child.end(0.05)
        assert child.how_it_ended() == "killed by SIGKILL"
    finally:
        child.close()


def test_an_urgent_child_begins_ahead_and_may_ask_for_more() -> None:
    """SCHED_FIFO from its first instruction where that is allowed, and not reset on fork (sched(7))."""
    try_it = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(5))"
    allowed = subprocess.run([sys.executable, "-c", try_it], capture_output=True, check=False).returncode == 0
    for urgent in (True, False):
        child = Child("timeit", WAITS, [], urgent=urgent)
        try:
            policy = os.SCHED_FIFO if urgent and allowed else os.SCHED_OTHER
            assert os.sched_getscheduler(child.pid) == policy
        finally:
            child.signal(signal.SIGKILL)
            child.end(30)
            child.close()


def test_pipes_give_back_every_descriptor() -> None:
    """Nothing is left open after `close`."""
    before = _open_fds()
    pipes = Pipes.open()
    assert _open_fds() > before
    pipes.close()
    assert _open_fds() == before


def test_only_the_keeper_holds_the_writing_end_of_the_lifeline() -> None:
    """No child inherits it: or the children would keep each other from noticing that the keeper is gone."""
    pipes = Pipes.open()
    try:
        for _, fds in (pipes.engine_arguments(), pipes.desk_arguments()):
            assert pipes.lifeline[0] in fds
            assert pipes.lifeline[1] not in fds
        every = [fd for pair in (pipes.records, pipes.report, pipes.control, pipes.beat) for fd in pair]
        files = (pipes.spool, pipes.rescue, pipes.accepted)
        assert not any(os.get_inheritable(fd) for fd in (*every, *pipes.lifeline, *files))
    finally:
        pipes.close()


def test_the_arguments_name_each_descriptor_that_is_passed_on() -> None:
    """What a child is told by number is what it inherits, no more and no less."""
    pipes = Pipes.open()
    try:
        for words, fds in (pipes.engine_arguments(), pipes.desk_arguments()):
            assert sorted(map(int, words[1::2])) == sorted(fds)
            assert all(word.startswith("--") for word in words[::2])
    finally:
        pipes.close()


def test_what_is_in_a_pipe_outlives_its_reader() -> None:
    """The keeper holds both ends: records wait for the next desk (the bar: nothing lost to a killed one)."""
    pipes = Pipes.open()
    try:
        reader = os.dup(pipes.records[0])
        os.write(pipes.records[1], b"record")
        os.close(reader)
        assert os.read(pipes.records[0], 100) == b"record"
    finally:
        pipes.close()


def test_a_job_survives_the_way_to_the_desk(tmp_path: Path) -> None:
    """JSON there and back gives the same job."""
    job = Job(str(tmp_path / "é.yaml"), "run1", song="Fog Signal", takes=3, done=1, resumed=True)
    assert Job.from_json(job.to_json()) == job


@pytest.mark.parametrize(
    "line", [b"Traceback (most recent call last):", b"[1]", b'{"no": "kind"}', b"\xff\xfe"]
)
def test_a_line_that_is_no_report_becomes_a_warning_that_shows_it(line: bytes) -> None:
    """Whatever a broken desk prints, the keeper goes on and shows it."""
    report = Report.from_line(line)
    assert report.kind == "warning"
    assert report.data["text"] == line.decode(errors="replace")
