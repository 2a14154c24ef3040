"""Which threads of a rolling daemon may use which core, on JACK ports; as the kernel tells it (proc(5)).

Other tests may run beside this one, and their engines take cores too: which ones is seen all the while.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from jack_server import JackServer
from live_run import Run, listening, running
from quay import PORTS, write_session

from runner.cores import cores_of_engines

pytestmark = pytest.mark.realport


@pytest.fixture
def rolling(jack_server: JackServer, tmp_path: Path) -> Iterator[tuple[Run, set[int]]]:
    """A take that rolls, and the cores that other engines were seen to have until then."""
    session = write_session(tmp_path, jack=True, bars=8, tempo=300)
    environment = jack_server.child_environment()
    arguments = [str(session), "--song", "Net Loft"]
    with (
        listening("quay", PORTS, environment) as ear,
        running(arguments, tmp_path / "takes", environment) as run,
    ):
        others: set[int] = set()

        def two_clocks() -> bool:
            others.update(core for pid, core in cores_of_engines().items() if pid not in _pids(run))
            return ear.clocks("box") >= 2

        ear.wait_for(two_clocks, "two clocks")
        yield run, others


def _pids(run: Run) -> list[int]:
    return [process.pid for process in run.family()]


def _masks(pid: int) -> dict[int, set[int]]:
    return {int(thread): os.sched_getaffinity(int(thread)) for thread in os.listdir(f"/proc/{pid}/task")}


def test_the_loop_has_a_core_that_nobody_else_of_the_daemon_uses(rolling: tuple[Run, set[int]]) -> None:
    """The loop's thread is bound; those of the sound system are free; the desk is elsewhere."""
    run, others = rolling
    allowed = os.sched_getaffinity(0)
    engine, desk = run.child("engine").pid, run.child("desk").pid
    masks = _masks(engine)
    loop = masks.pop(engine)
    assert masks, "a JACK client has a thread"
    if loop == allowed:  # no core was free
        assert others >= set(sorted(allowed)[1:])
        return
    assert len(loop) == 1
    assert loop != {min(allowed)}
    assert loop == {max(allowed)} or max(allowed) in others
    assert all(mask == allowed for mask in masks.values())
    assert all(mask == allowed - loop for mask in _masks(desk).values())
