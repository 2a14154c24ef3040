"""An hour of four ports is audited within the bars of time and memory, in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from runner.takes.testing import song_time, steady_records, take_header, write_take

PROGRAM = """
import json, re, sys, time
begun = time.process_time()
from pathlib import Path
from runner.audit.text import audit_take, audit_text
from runner.takes.reader import read_take
text = audit_text(audit_take(read_take(Path(sys.argv[1]))))
took = time.process_time() - begun
peak = int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024
print(json.dumps([took, peak, text.split()[0]]))
"""


@pytest.mark.bench
def test_an_hour_is_audited_in_two_seconds_and_200_mb(tmp_path: Path) -> None:
    """An hour at 125 BPM on four ports (720,000 clocks, 60,000 note events) takes at most
    2 s of processor time (wall time on a free computer) and 200 MB, the best of 3."""
    time = song_time(125, bars=1875, pre_roll=2)
    write_take(tmp_path, take_header(time, 4), steady_records(time, 4)).finish()
    runs = [
        json.loads(subprocess.check_output([sys.executable, "-c", PROGRAM, str(tmp_path)])) for _ in range(3)
    ]
    took = min(run[0] for run in runs)
    peak = max(run[1] for run in runs)
    print(f"audited in {took:.2f} s, {peak:.0f} MB")
    assert runs[0][2] == "CLEAN"
    assert took <= 2.0
    assert peak <= 200
