"""Which core the engine's loop has to itself. Facts: sched_setaffinity(2) and proc(5)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from runner.cores import choose_core, cores_of_engines

#: A process that binds itself three times as an engine does; other engines are in the given folder.
ENGINE = """
import json, os, sys, threading
from pathlib import Path
from runner.cores import OwnCore, keep_off

proc = Path(sys.argv[1])

def engine(pid, core):
    (proc / str(pid)).mkdir()
    (proc / str(pid) / "comm").write_text("tw-engine")
    (proc / str(pid) / "status").write_text(f"Cpus_allowed_list: {core} ")

def bound():
    return sorted(os.sched_getaffinity(0))

allowed = bound()
own = OwnCore(proc)
own.take()
told = [[own.core, bound()]]
go = threading.Event()
thread = threading.Thread(target=go.wait)
thread.start()
inherited = sorted(os.sched_getaffinity(thread.native_id))
own.free_others()
told.append([inherited, sorted(os.sched_getaffinity(thread.native_id))])
engine(os.getpid() + 1, allowed[-1])
own.take()
told.append([own.core, bound()])
engine(os.getpid() - 1, allowed[-1])
own.take()
told.append([own.core, bound()])
keep_off(allowed[-1], allowed)
told.append([bound(), sorted(os.sched_getaffinity(thread.native_id))])
go.set()
print(json.dumps([allowed, told]))
"""


def _run(proc: Path, cores: set[int]) -> tuple[list[int], list[list[object]]]:
    command = [sys.executable, "-c", f"import os; os.sched_setaffinity(0, {cores})\n{ENGINE}", str(proc)]
    allowed, told = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return allowed, told


def test_the_loop_gets_the_last_free_core_and_never_the_first() -> None:
    """Interrupts are served on the first one; one core alone is shared by all."""
    assert choose_core([0, 1, 2, 3], []) == 3
    assert choose_core([0, 1, 2, 3], [3]) == 2
    assert choose_core([3, 1, 2], [3]) == 2
    assert choose_core([0, 1], [1]) is None
    assert choose_core([2], []) is None


def _process(proc: Path, pid: int, name: str, cores: str) -> None:
    folder = proc / str(pid)
    folder.mkdir()
    (folder / "comm").write_text(name + "\n")
    (folder / "status").write_text(
        f"Name:\t{name}\nCpus_allowed:\tf\nCpus_allowed_list:\t{cores}\nMems_allowed:\t1\n"
    )


def test_only_engines_that_are_bound_take_a_core(tmp_path: Path) -> None:
    """Those that are free to move, other programs and what is no process are passed over."""
    _process(tmp_path, 10, "tw-engine", "3")
    _process(tmp_path, 11, "tw-engine", "0-3")
    _process(tmp_path, 12, "tw-engine", "0,2")
    _process(tmp_path, 13, "tw-spare", "2")
    _process(tmp_path, 14, "something", "1")
    (tmp_path / "15").mkdir()  # is gone
    (tmp_path / "self").mkdir()
    assert cores_of_engines(tmp_path) == {10: 3}


def test_an_engine_binds_its_loop_and_yields_to_an_older_one(tmp_path: Path) -> None:
    """A new thread inherits its maker's mask (sched_setaffinity(2)); that of a port must be free again."""
    cores = sorted(os.sched_getaffinity(0))
    if len(cores) < 2:
        pytest.skip("a computer with one core has none to give away")
    first, last = cores[0], cores[-1]
    allowed, told = _run(tmp_path, {first, last})
    assert allowed == [first, last]
    assert told == [
        [last, [last]],
        [[last], allowed],  # the thread: as it was born, and set free
        [last, [last]],  # a younger engine on the same core has to go
        [None, allowed],  # an older one keeps it, and the first core is nobody's own
        [[first], [first]],  # and this is what a desk does
    ]


def test_with_one_core_nothing_is_bound_and_nobody_kept_off(tmp_path: Path) -> None:
    """There is no other core to go to."""
    only = min(os.sched_getaffinity(0))
    allowed, told = _run(tmp_path, {only})
    assert allowed == [only]
    assert told == [[None, [only]], [[only], [only]], [None, [only]], [None, [only]], [[only], [only]]]
