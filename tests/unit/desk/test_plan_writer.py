"""What is due in a take is written while it rolls: whole or not at all, and nobody waits for it."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from virtual_set import VirtualSet

from runner.desk import plan_writer
from runner.desk.plan_writer import PlanWriter
from runner.takes.reader import PLAN_FILE, read_take

ROWS = [{"t_ns": number, "bytes": "F8"} for number in range(3 * plan_writer.ROWS_AT_A_TIME + 1)]
SESSION = """
session: Lantern Quay, plans
format: 1
ports: {box: {simulate: drum-machine}}
machines: {drums: {port: box, channel: 10, follows: [clock, transport]}}
songs: [{song: Ropewalk, tempo: 240, length: 2 bars}]
"""


@pytest.mark.parametrize("count", [0, 1, len(ROWS)])
def test_the_file_has_a_row_a_line_and_appears_whole(tmp_path: Path, count: int) -> None:
    """It is a JSON list; while it is written the file of that name is left as it is."""
    path = tmp_path / PLAN_FILE
    path.touch()
    seen: list[int] = []

    def rows() -> Iterator[dict[str, Any]]:
        for row in ROWS[:count]:
            seen.append(path.stat().st_size)
            yield row

    writer = PlanWriter(path, rows())
    writer.hurry()
    writer.write()
    assert json.loads(path.read_text()) == ROWS[:count]
    assert len(path.read_text().splitlines()) == count + 2
    assert set(seen) <= {0}
    assert [each.name for each in tmp_path.iterdir()] == [PLAN_FILE]


def test_a_disk_that_does_not_take_it_is_no_trouble(tmp_path: Path) -> None:
    """The take goes without the file; what was begun of it is taken away."""
    writer = PlanWriter(tmp_path / "pulled-out" / PLAN_FILE, iter(ROWS))
    writer.write()
    assert list(tmp_path.iterdir()) == []


def test_a_take_rolls_before_its_plan_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long the writing takes: clocks go out, and the closed take has the whole plan."""
    may_write = threading.Event()
    write = PlanWriter.write
    monkeypatch.setattr(PlanWriter, "write", lambda self: may_write.wait(60) and write(self))
    evening = VirtualSet.of(SESSION, tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(1)
    assert evening.rig.machine("box").clocks > 0
    (plan,) = (tmp_path / "takes").glob(f"*/*/*/*/{PLAN_FILE}")
    assert plan.stat().st_size == 0
    may_write.set()
    evening.run_for(3)
    assert evening.verdicts() == [("Ropewalk", "clean")]
    assert len(json.loads(plan.read_text())) == 2 * 96 + 2  # clocks, Start and Stop
    assert read_take(plan.parent, plan=True).damages == []


def test_a_desk_started_again_writes_the_plan_that_the_dead_one_had_not(tmp_path: Path) -> None:
    """An empty plan is written, one that is there is left alone; an empty one is no damage."""
    evening = VirtualSet.of(SESSION, tmp_path)
    evening.run_for(0.1)
    evening.order("roll")
    evening.run_for(3)
    (plan,) = (tmp_path / "takes").glob(f"*/*/*/*/{PLAN_FILE}")
    whole = plan.read_text()
    plan.write_text("")
    assert read_take(plan.parent, plan=True).damages == []
    keeper, roll = evening.director.recording.keeper, evening.director.calling.roll
    assert roll is not None
    keeper._writer = object()  # type: ignore[assignment] # as if the take were open
    keeper.write_plan(roll)
    keeper._pool.shutdown()
    assert plan.read_text() == whole
