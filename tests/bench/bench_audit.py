"""What an audit costs: an hour of four ports, and the time until its first line.

Times are processor time (on a free computer, wall time) of a process of its own, the best of three, beside a
yardstick in the same run: reading the same lines with the standard library's json, and importing click.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from runner.takes.testing import song_time, steady_records, take_header, write_take

MOST_S, MOST_MB, FIRST_LINE_S = 2.0, 200, 0.3
_MEASURE = """
import json, re, sys, time
begun = time.process_time()
from pathlib import Path
{work}
took = time.process_time() - begun
peak = int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024
print(json.dumps([took, peak, result]))
"""
_AUDIT = """
from runner.audit.text import audit_take, audit_text
from runner.takes.reader import read_take
result = audit_text(audit_take(read_take(Path(sys.argv[1])))).split()[0]
"""
_READ = """
result = 0
for name in ("events.jsonl", "clock.jsonl"):
    with open(Path(sys.argv[1]) / name, "rb") as file:
        for line in file:
            result += len(json.loads(line))
"""
_IMPORT = """
import runner.cli.main, runner.cli.audit, runner.audit.text, runner.takes.reader, runner.takes.store
import runner.takes.history, runner.cli.progress
result = "imported"
"""
_CLICK = """
import click
result = "imported"
"""


def measured(work: str, *arguments: str) -> tuple[float, float, object]:
    """Return (least processor time in s, most memory in MB, result) of three runs."""
    program = _MEASURE.replace("{work}", work)
    runs = [
        json.loads(subprocess.check_output([sys.executable, "-c", program, *arguments])) for _ in range(3)
    ]
    return min(run[0] for run in runs), max(run[1] for run in runs), runs[0][2]


@pytest.mark.bench
@pytest.mark.timeout(600)
def test_an_hour_is_audited_in_two_seconds_and_200_mb(tmp_path: Path) -> None:
    """An hour at 125 BPM on four ports: 720,000 clocks, 60,000 note events."""
    time = song_time(125, bars=1875, pre_roll=2)
    write_take(tmp_path, take_header(time, 4), steady_records(time, 4)).finish()
    took, peak, said = measured(_AUDIT, str(tmp_path))
    yardstick, _, _ = measured(_READ, str(tmp_path))
    ratio = took / yardstick
    print(f"an hour audited in {took:.2f} s, {peak:.0f} MB; {ratio:.2f} times json's {yardstick:.2f} s")
    assert said == "CLEAN"
    assert took <= MOST_S
    assert peak <= MOST_MB


@pytest.mark.bench
def test_the_first_line_of_an_audit_comes_within_300_ms() -> None:
    """What `audit` imports before it can say anything, without plots."""
    took, _, _ = measured(_IMPORT)
    yardstick, _, _ = measured(_CLICK)
    print(f"imports of audit {took:.3f} s; {took / yardstick:.1f} times click's ({yardstick:.3f} s)")
    assert took <= FIRST_LINE_S
