"""The engine's lateness, measured against cyclictest on the same cores at the same time.

The real three processes roll a take on four ports that take everything and lead nowhere, with a clock each
19 ms (at 125 BPM, common practice, it is 20), while the desk writes it. Beside them cyclictest (Debian
rt-tests) measures how late this computer wakes a C thread of the same priority at the same interval, one
thread on each core, its moments half an interval away from the engine's so that neither disturbs the other.
Once idle, once with stress-ng on both cores and the disk.

A second yardstick says whose a stall is: a bare C loop of higher priority than the engine's, one thread on
each core, which asks to be woken 0.3 ms before each clock. Where it too was late on the engine's core, no
program on that core could have been on time.

    python tests/bench/engine.py --seconds 120 --write
"""

from __future__ import annotations

import argparse
import compileall
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from measure import (
    LOADED,
    ODD_INTERVAL_NS,
    ODD_TEMPO,
    PRIORITY,
    Cyclictest,
    RollingTake,
    Series,
    Take,
    Witness,
    figure_cells,
    figures,
    load,
    machine,
    measured_on,
    ratio_interval,
    seconds_without_steal,
    session_text,
    wake_program,
)
from timing_page import DOCS, put_table

WITNESS_EARLY_NS = 300_000
LEAST_SECONDS = 20  #: 1,000 moments, of which the 99.9th percentile is the worst but one
WORST = 50  #: so many stalls are kept with all that is known of them
STALL_US = 1000.0  #: what is later than this is looked into one by one


def one_run(seconds: float, program: str | None, tree: str = "", ports: int = 4) -> dict[str, Any]:
    """Roll one take beside the yardsticks; return all that was measured."""
    with RollingTake(seconds, ports, tree, tempo=ODD_TEMPO) as rolling:
        anchor = rolling.wait_rolling()
        left = seconds - 2
        yard = Cyclictest(anchor + ODD_INTERVAL_NS // 2, left, interval_ns=ODD_INTERVAL_NS)
        early = anchor - WITNESS_EARLY_NS
        witness = Witness(program, early, left, PRIORITY + 5, ODD_INTERVAL_NS) if program else None
        rolling.sample_to_end()
        take, beside = rolling.take(), yard.series()
        rows = None if witness is None else witness.rows()
    within = (take.series.due_ns >= beside.due_ns.min()) & (take.series.due_ns <= beside.due_ns.max())
    ours = Series(take.series.due_ns[within], take.series.late_us[within])
    result: dict[str, Any] = {
        **against(ours, beside),
        "steal_ms": take.steal[-1][1] - take.steal[0][1],
        **without_steal(ours, beside, take),
        "verdict": take.summary["verdict"],
        "sent": take.summary["clock"]["sent"],
        "missing": take.summary["clock"]["missing"],
        "cpu": take.cpu,
        "rss_mb": take.rss_mb,
    }
    if rows is not None:
        result["c_loop"] = figures(np.maximum(0, rows[:, 2]) / 1e3)
        found = stalls(ours, take, rows)
        result["stalls"] = len(found)
        result["stalls_of_the_c_loop_too"] = sum(stall["same"] for stall in found)
        result["worst_stalls"] = sorted(found, key=lambda stall: -stall["late_us"])[:WORST]
    return result


def against(ours: Series, beside: Series) -> dict[str, Any]:
    """Return the figures of the engine and of cyclictest, and the ratio of their 99.9th percentiles."""
    return {
        "engine": ours.figures(),
        "cyclictest": beside.figures(),
        "ratio": ours.figures()["p999"] / max(1.0, beside.figures()["p999"]),
        "ratio_interval": ratio_interval(ours, beside),
    }


def without_steal(ours: Series, beside: Series, take: Take) -> dict[str, Any]:
    """Return the same figures for the seconds in which the host took no core away, if they are enough."""
    spans = seconds_without_steal(take.steal)
    if len(spans) < LEAST_SECONDS:
        return {}
    return {"without_steal": {"seconds": len(spans), **against(ours.within(spans), beside.within(spans))}}


def stalls(ours: Series, take: Take, rows: np.ndarray) -> list[dict[str, Any]]:
    """Return each clock that went out over 1 ms late, with how late the C loop was then.

    The engine's core is sampled ten times a second and it may have moved since, so each core's loop counts.
    """
    found: dict[int, float] = {}
    for due, late in zip(ours.due_ns, ours.late_us, strict=True):
        if late > STALL_US:
            found[int(due)] = max(found.get(int(due), 0.0), float(late))
    result = []
    for due, late in sorted(found.items()):
        near = rows[np.abs(rows[:, 1] + WITNESS_EARLY_NS - due) < ODD_INTERVAL_NS // 2]
        if len(near):
            beyond = {str(core): (late_ns - WITNESS_EARLY_NS) / 1e3 for core, _, late_ns in near.tolist()}
            row = {"t_s": (due - take.anchor_ns) / 1e9, "late_us": late, "core": take.core_at(due)}
            result.append({**row, "c_loop_beyond_due_us": beyond, "same": max(beyond.values()) > late / 2})
    return result


def readiness(times: int) -> list[float]:
    """Return how long start-up takes until the engine is ready, `times` times, in a process of its own.

    The program is compiled before, as pip does when it installs one.
    """
    compileall.compile_dir(DOCS.parent / "runner", quiet=2)
    code = (
        "import sys,time\n"
        "from runner.desk.job import Job\nfrom runner.keeper.keeper import Keeper,new_run_name\n"
        "begin=float(sys.argv[2])\n"
        "def hear(report):\n"
        "    if report.kind=='ready':\n        print(time.time()-begin,flush=True)\n"
        "job=Job(session_file=sys.argv[1],run=new_run_name(),takes_folder=sys.argv[3],song='Slipway')\n"
        "Keeper(job,hear).run()\n"
    )
    found = []
    for _ in range(times):
        with tempfile.TemporaryDirectory() as folder:
            session = Path(folder) / "bench.yaml"
            session.write_text(session_text(2))
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
        f"{measured_on(results)}; "
        f"{results['seconds']:.0f} s for each row, four ports at 131.6 BPM, the desk writing the take.",
        "",
        "| load | who | p50 µs | p99 µs | p99.9 µs | max µs | p99.9 against cyclictest (95 % interval) |",
        "|---|---|---:|---:|---:|---:|---:|",
    ]
    for name, run in results["runs"].items():
        rows = _rows_of(run)
        if "c_loop" in run:
            rows.append(("bare C loop, each core", run["c_loop"], ""))
        lines += [_row_text(name, *row) for row in rows]
        if quiet := run.get("without_steal"):
            label = f"{name}, the {quiet['seconds']} s without steal"
            lines += [_row_text(label, *row) for row in _rows_of(quiet)]
    lines += ["", *_stall_lines(results["runs"]), "", _costs(results)]
    return "\n".join(lines)


def _rows_of(run: dict[str, Any]) -> list[tuple[str, dict[str, float], str]]:
    low, high = run["ratio_interval"]
    told = f"{run['ratio']:.2f} ({low:.2f} to {high:.2f})"
    return [("engine", run["engine"], told), ("cyclictest, each core", run["cyclictest"], "1")]


def _row_text(load_name: str, who: str, row: dict[str, float], told: str) -> str:
    return f"| {load_name} | {who} | {figure_cells(row)} | {told} |"


def _stall_lines(runs: dict[str, Any]) -> list[str]:
    lines = []
    for name, run in runs.items():
        worst = run["engine"]["max"] / max(1.0, run["cyclictest"]["max"])
        text = (
            f"- {name}: the worst moment was {worst:.2f} of cyclictest's worst (asked for over ten minutes: "
            f"1.5); the host kept the cores away for {run['steal_ms']:.0f} ms in all (steal)"
        )
        if "stalls" in run:
            same = run["stalls_of_the_c_loop_too"]
            text += (
                f"; {run['stalls']} clocks of the grid went out over 1 ms late, and at {same} of them the "
                "bare C loop, of higher priority than the engine, was late by as much"
            )
        lines.append(text + ".")
    return lines


def _costs(results: dict[str, Any]) -> str:
    idle, ready = results["runs"]["idle"], results["ready_s"]
    return (
        f"CPU of one core while rolling: engine {100 * idle['cpu']['engine']:.1f} %, "
        f"desk {100 * idle['cpu']['desk']:.1f} %, keeper {100 * idle['cpu']['keeper']:.1f} %. "
        f"Resident memory: {sum(idle['rss_mb'].values()):.0f} MB in all ("
        + ", ".join(f"{name} {value:.0f}" for name, value in idle["rss_mb"].items())
        + f"). Ready after {statistics.median(ready):.2f} s (median of {len(ready)})."
    )


def measure(seconds: float, starts: int = 10) -> dict[str, Any]:
    """Return the whole measurement; how long a start takes is tried `starts` times."""
    results: dict[str, Any] = {**machine(), "seconds": seconds, "runs": {}}
    with wake_program() as program:
        for name in ("idle", LOADED):
            with load(name):
                results["runs"][name] = one_run(seconds, program)
    results["ready_s"] = readiness(starts)
    return results


def compare(trees: list[str], seconds: float, rounds: int) -> dict[str, Any]:
    """Measure several checkouts in turn, so that each meets the same noise; return their pooled figures."""
    found: dict[str, Any] = {}
    with wake_program() as program:
        for _ in range(rounds):
            for name in ("idle", LOADED):
                for tree in trees:
                    label, _, path = tree.rpartition("=")
                    with load(name):
                        run = one_run(seconds, program, path)
                    found.setdefault(name, {}).setdefault(label or path, []).append(run)
                    short = {key: run[key] for key in ("engine", "cyclictest", "ratio")}
                    print(name, tree, json.dumps(short), flush=True)
    return {**machine(), "seconds": seconds, "rounds": rounds, "runs": found}


def compare_table(results: dict[str, Any]) -> str:
    """Return the comparison of checkouts as Markdown: the middle one of each figure's rounds."""
    lines = [
        f"{measured_on(results)}; in turn, "
        f"{results['rounds']} times {results['seconds']} s each; the medians of the rounds.",
        "",
        "| load | program | p50 µs | p99 µs | p99.9 µs | cyclictest beside it, p99.9 µs | engine, CPU |",
        "|---|---|---:|---:|---:|---:|---:|",
    ]
    for name, trees in results["runs"].items():
        for label, runs in trees.items():
            cells = [statistics.median(run["engine"][key] for run in runs) for key in ("p50", "p99", "p999")]
            cells.append(statistics.median(run["cyclictest"]["p999"] for run in runs))
            cpu = statistics.median(run["cpu"]["engine"] for run in runs if "cpu" in run)
            text = " | ".join(f"{cell:.0f}" for cell in cells)
            lines.append(f"| {name} | {label} | {text} | {100 * cpu:.1f} % |")
    return "\n".join(lines)


def main() -> int:
    """Run the bench; exit 1 if the engine's p99.9 is surely above cyclictest's."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    parser.add_argument(
        "--tree",
        action="append",
        default=[],
        metavar="LABEL=PATH",
        help="measure these checkouts in turn instead",
    )
    parser.add_argument("--table", default="compared", help="which table of docs/timing.md that is")
    parser.add_argument("--rounds", type=int, default=2, help="how often each checkout is measured")
    parser.add_argument("--starts", type=int, default=10, help="how often the time to be ready is tried")
    parser.add_argument("--only-starts", action="store_true", help="measure only those, keep the rest")
    given = parser.parse_args()
    if given.tree:
        compared = compare(given.tree, given.seconds, given.rounds)
        text = compare_table(compared)
        print(text)
        if given.write:
            put_table(given.table, text, compared, f"timing-{given.table}.json")
        return 0
    if given.only_starts:
        results = {**json.loads((DOCS / "timing.json").read_text()), "ready_s": readiness(given.starts)}
    else:
        results = measure(given.seconds, given.starts)
    text = table(results)
    print(text)
    if given.write:
        put_table("engine", text, results, "timing.json")
    return int(any(run["ratio_interval"][0] > 1 for run in results["runs"].values()))


if __name__ == "__main__":
    sys.exit(main())
