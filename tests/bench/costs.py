"""What the program costs: CPU of the commands that need no rig, and what their imports take.

python tests/bench/costs.py --write
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from measure import machine, measured_on
from timing_page import put_table

ROOT = Path(__file__).resolve().parents[2]
HELP_LIMIT_S = 0.15
TIMES = 7


def cpu_of(words: list[str]) -> tuple[float, float, float]:
    """Return CPU seconds, wall seconds and resident MB of a command, the median of several."""
    rows = []
    for _ in range(TIMES):
        read, write = os.pipe()
        begun = time.monotonic()
        child = os.fork()
        if child == 0:  # its own usage, and that of its only child, are what the kernel then tells
            with open(os.devnull, "w") as nowhere:
                done = subprocess.run(words, stdout=nowhere, stderr=nowhere, cwd=ROOT, check=False)
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            os.write(write, f"{used.ru_utime + used.ru_stime} {used.ru_maxrss / 1000}".encode())
            os._exit(done.returncode != 0)
        _, failed = os.waitpid(child, 0)
        if failed:
            raise SystemExit(f"failed, and what it cost says nothing: {' '.join(words)}")
        wall = time.monotonic() - begun
        cpu, rss = map(float, os.read(read, 100).split())
        os.close(read)
        os.close(write)
        rows.append((cpu, wall, rss))
    cpus, walls, sizes = zip(*rows, strict=True)
    return statistics.median(cpus), statistics.median(walls), statistics.median(sizes)


def measure() -> dict[str, Any]:
    """Return the figures of all commands."""
    program = [sys.executable, "-m", "runner.cli"]
    commands = {
        "bare Python": [sys.executable, "-c", ""],
        "--help": [*program, "--help"],
        "check": [*program, "check", "configs/stage-set.yaml"],
        "plan": [*program, "plan", "configs/stage-set.yaml", "--json"],
    }
    rows = {}
    for name, words in commands.items():
        cpu, wall, rss = cpu_of(words)
        rows[name] = {"cpu_s": cpu, "wall_s": wall, "rss_mb": rss}
    for name, modules in {
        "import, engine": "runner.engine.child",
        "import, desk": "runner.desk.child",
        "import, keeper": "runner.keeper.keeper",
    }.items():
        cpu, wall, rss = cpu_of([sys.executable, "-c", f"import {modules}"])
        rows[name] = {"cpu_s": cpu, "wall_s": wall, "rss_mb": rss}
    return {**machine(), "rows": rows}


def table(results: dict[str, Any]) -> str:
    """Return the results as Markdown."""
    lines = [
        f"{measured_on(results)}; medians of {TIMES}.",
        "",
        "| what | CPU s | wall s | resident MB |",
        "|---|---:|---:|---:|",
    ]
    for name, row in results["rows"].items():
        text = name if " " in name else f"`takewright {name}`"
        lines.append(f"| {text} | {row['cpu_s']:.2f} | {row['wall_s']:.2f} | {row['rss_mb']:.0f} |")
    spent = results["rows"]["--help"]["cpu_s"]
    lines += ["", f"`--help` takes {spent:.2f} s of CPU (limit {HELP_LIMIT_S} s)."]
    return "\n".join(lines)


def main() -> int:
    """Run the bench; exit 1 if `--help` takes too much."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    given = parser.parse_args()
    results = measure()
    text = table(results)
    print(text)
    if given.write:
        put_table("costs", text, results, "timing-costs.json")
    return int(results["rows"]["--help"]["cpu_s"] > HELP_LIMIT_S)


if __name__ == "__main__":
    sys.exit(main())
