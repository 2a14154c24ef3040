"""The engine's lateness, measured against cyclictest in the same run.

Runs the real three processes on ports that take everything and lead nowhere, four of them, at 125 BPM
(one clock each 20 ms, common practice), while the desk writes the take; at the same time cyclictest
(Debian rt-tests) measures how late this computer wakes a C thread of the same priority at the same
interval. Once idle, once with stress-ng on both cores and the disk. Prints a table and, with --write,
puts it into docs/timing.json and docs/timing.md.

    python tests/bench/engine.py --seconds 60 --write
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
from timing_page import put_table

from runner.desk.job import Job, Report
from runner.engine.rights import PRIORITY
from runner.keeper.keeper import Keeper, new_run_name

INTERVAL_US = 20_000


def session_text(seconds: float, ports: int) -> str:
    """Return a session of `ports` clocked ports that lasts about `seconds`."""
    bars = max(2, round(seconds / 1.92))  # a bar of 4/4 at 125 BPM is 1.92 s
    lines = ["session: Lantern Quay, bench", "format: 1", "ports:"]
    lines += [f"  port{n}: {{simulate: sink}}" for n in range(ports)]
    lines += ["machines:"]
    lines += [
        f"  machine{n}: {{port: port{n}, channel: 1, follows: [clock, transport]}}" for n in range(ports)
    ]
    lines += ["songs:", "  - song: Slipway", "    tempo: 125", "    meter: 4/4", f"    length: {bars} bars"]
    lines += ["    lead: 1 s", "    pre-roll: 1 bar", "    tail: 1 beat", "order: [Slipway]"]
    return "\n".join(lines) + "\n"


@contextmanager
def load(name: str) -> Iterator[None]:
    """Keep both cores and the disk busy, or not."""
    if name == "idle":
        yield
        return
    process = subprocess.Popen(
        ["stress-ng", "--cpu", "2", "--io", "1", "--quiet", "--temp-path", tempfile.gettempdir()],
        stdout=subprocess.DEVNULL,
    )
    try:
        time.sleep(1.0)
        yield
    finally:
        process.terminate()
        process.wait(10)


class Cyclictest:
    """cyclictest at the engine's priority and interval, in the same run."""

    def __init__(self, seconds: float) -> None:
        self._process = subprocess.Popen(
            [
                *("cyclictest", "-m", "-q", "-p", str(PRIORITY), "-i", str(INTERVAL_US)),
                *("-D", str(int(seconds)), "-h", "20000"),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )

    def figures(self) -> dict[str, float]:
        """Return p50, p99, p99.9 and max in us, from its histogram."""
        out, _ = self._process.communicate()
        counts: list[tuple[int, int]] = []
        for line in out.splitlines():
            found = re.match(r"^(\d{6})\s+(\d+)", line)
            if found:
                counts.append((int(found[1]), int(found[2])))
        total = sum(count for _, count in counts)
        result: dict[str, float] = {}
        for name, share in (("p50", 0.5), ("p99", 0.99), ("p999", 0.999)):
            seen = 0
            for value, count in counts:
                seen += count
                if seen >= share * total:
                    result[name] = value
                    break
        maxima = re.search(r"Max Latencies: (\d+)", out)
        result["max"] = float(maxima[1]) if maxima else 0.0
        return result


class Watch:
    """Listens to the keeper and samples the processes while the take rolls."""

    def __init__(self) -> None:
        self.keeper: Keeper | None = None
        self.take: dict[str, Any] = {}
        self.ready_s = 0.0
        self.rss: dict[str, int] = {}
        self.cpu: dict[str, float] = {}
        self._begin = time.monotonic()
        self._cpu_from: dict[str, tuple[float, float]] = {}
        self.texts: list[str] = []

    def __call__(self, report: Report) -> None:
        """Take a report."""
        if report.kind == "ready":
            self.ready_s = time.monotonic() - self._begin
        elif report.kind == "take":
            self.take = report.data
        elif report.kind == "position":
            self._sample()
        elif report.kind in ("warning", "error"):
            self.texts.append(report.data["text"])

    def _sample(self) -> None:
        assert self.keeper is not None
        engine, desk = self.keeper.pids
        for name, pid in (("engine", engine), ("desk", desk), ("keeper", os.getpid())):
            process = psutil.Process(pid)
            self.rss[name] = max(self.rss.get(name, 0), process.memory_info().rss)
            times = process.cpu_times()
            spent = times.user + times.system
            now = time.monotonic()
            begun, first = self._cpu_from.setdefault(name, (now, spent))
            if now - begun > 2:
                self.cpu[name] = (spent - first) / (now - begun)


def one_run(seconds: float, ports: int) -> dict[str, Any]:
    """Roll one take beside cyclictest; return all that was measured."""
    folder = Path(tempfile.mkdtemp(prefix="takewright-bench-"))
    session = folder / "bench.yaml"
    session.write_text(session_text(seconds, ports))
    watch = Watch()
    job = Job(session_file=str(session), run=new_run_name(), takes_folder=str(folder / "takes"))
    watch.keeper = Keeper(job, watch)
    yardstick = Cyclictest(seconds)
    watch.keeper.run()
    result = {
        "engine": watch.take["clock"]["lateness_us"],
        "sent": watch.take["clock"]["sent"],
        "cyclictest": yardstick.figures(),
        "ready_s": watch.ready_s,
        "rss_mb": {name: value / 1e6 for name, value in watch.rss.items()},
        "cpu": watch.cpu,
        "notes": watch.texts,
    }
    shutil.rmtree(folder)
    return result


def readiness(times: int) -> list[float]:
    """Return how long start-up takes until the engine is ready, `times` times, in a process of its own."""
    code = (
        "import sys,time\n"
        "from runner.desk.job import Job\nfrom runner.keeper.keeper import Keeper,new_run_name\n"
        "begin=float(sys.argv[2])\n"
        "def hear(report):\n"
        "    if report.kind=='ready':\n        print(time.time()-begin,flush=True)\n"
        "Keeper(Job(session_file=sys.argv[1],run=new_run_name(),takes_folder=sys.argv[3]),hear).run()\n"
    )
    found = []
    for _ in range(times):
        with tempfile.TemporaryDirectory() as folder:
            session = Path(folder) / "bench.yaml"
            session.write_text(session_text(2, 4))
            done = subprocess.run(
                [sys.executable, "-c", code, str(session), str(time.time()), f"{folder}/takes"],
                capture_output=True,
                text=True,
                timeout=60,
                check=False,
            )
            found.append(float(done.stdout.split()[0]))
    return found


def table(results: dict[str, Any]) -> str:
    """Return the results as Markdown."""
    lines = [
        f"Measured {results['date']} on {results['machine']}, Python {results['python']}; "
        f"{results['seconds']:.0f} s for each row, four ports at 125 BPM, the desk writing the take.",
        "",
        "| load | who | p50 µs | p99 µs | p99.9 µs | max µs | p99.9 against cyclictest |",
        "|---|---|---:|---:|---:|---:|---:|",
    ]
    for name, run in results["runs"].items():
        engine, yard = run["engine"], run["cyclictest"]
        ratio = engine["p999"] / max(1.0, yard["p999"])
        for who, row, told in (("engine", engine, f"{ratio:.2f}"), ("cyclictest", yard, "1")):
            figures = " | ".join(f"{row[key]:.0f}" for key in ("p50", "p99", "p999", "max"))
            lines.append(f"| {name} | {who} | {figures} | {told} |")
    idle = results["runs"]["idle"]
    ready = results["ready_s"]
    memory = sum(idle["rss_mb"].values())
    lines += [
        "",
        f"CPU of one core while rolling: engine {100 * idle['cpu'].get('engine', 0):.1f} %, "
        f"desk {100 * idle['cpu'].get('desk', 0):.1f} %. "
        f"Resident memory: {memory:.0f} MB in all ("
        + ", ".join(f"{name} {value:.0f}" for name, value in idle["rss_mb"].items())
        + f"). Ready after {statistics.median(ready):.2f} s (median of {len(ready)}).",
    ]
    return "\n".join(lines)


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    given = parser.parse_args()
    results: dict[str, Any] = {
        "date": time.strftime("%Y-%m-%d"),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, Linux {platform.release()}",
        "python": platform.python_version(),
        "seconds": given.seconds,
        "runs": {},
    }
    for name in ("idle", "stress-ng --cpu 2 --io 1"):
        with load(name):
            results["runs"][name] = one_run(given.seconds, 4)
    results["ready_s"] = readiness(10)
    text = table(results)
    print(text)
    if given.write:
        put_table("engine", text, results, "timing.json")


if __name__ == "__main__":
    assert threading.current_thread() is threading.main_thread()
    main()
