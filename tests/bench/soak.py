"""An hour of a real take on a real JACK server, under load: no drift, no growth, no lost record.

The dummy driver of JACK keeps the time of a sound card; an independent python-rtmidi client in a process of
its own (tests/support/ear.py) notes every clock that arrives. stress-ng keeps both cores and the disk busy.
Every ten seconds the memory of all processes is noted: what they wrote themselves (anonymous memory), which
is what a leak makes grow; and their share of what is resident (PSS), since JACK's own memory is shared by its
clients. That share grows by itself when other programs that use the same libraries end.

    python tests/bench/soak.py --minutes 60 --write

Passes if no clock is missing or extra at the listener, tempo by least squares is within 0.001 % of the file's
and one JACK period, anonymous memory after the first fifth grows by less than 1 MB an hour and process, and
the record is complete.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from measure import LOADED, load, machine, measured_on
from timing_page import put_table

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from jack_server import start_jack_server  # noqa: E402
from live_run import listening, running  # noqa: E402

BPM = 125
CLOCK = b"\xf8"  #: MIDI 1.0 Detailed Specification 4.2.1, Timing Clock
TEMPO_LIMIT_PERCENT = 0.001
GROWTH_LIMIT_MB = 1.0
EVERY_S = 10.0


def session_text(bars: int) -> str:
    """Return a session with one clocked port of the system, and notes of a part's density."""
    return f"""
session: Lantern Quay, soak
format: 1
ports:
  box: {{match: "quay-ear:ear", direction: out}}
machines:
  drums: {{port: box, channel: 10, follows: [clock, transport]}}
songs:
  - {{song: Long Watch, tempo: {BPM}, meter: 4/4, length: {bars} bars, pre-roll: 0 bars}}
order: [Long Watch]
"""


def measure(minutes: float, loaded: bool) -> dict[str, Any]:
    """Play for so long; return what was found."""
    bars = max(2, round(minutes * 60 / 1.92))
    server = start_jack_server()
    os.environ.update(server.environment)
    memory: dict[str, list[tuple[float, float]]] = {}
    try:
        with (
            tempfile.TemporaryDirectory(prefix="takewright-soak-") as name,
            load(LOADED if loaded else "idle"),
        ):
            folder = Path(name)
            session = folder / "soak.yaml"
            session.write_text(session_text(bars))
            words = [str(session), "--song", "Long Watch"]
            with (
                listening("quay", ("ear",), server.child_environment()) as ear,
                running(words, folder / "takes", server.child_environment()) as run,
            ):
                end = time.monotonic() + minutes * 60 + 120
                noted = 0.0
                while run.process.poll() is None and time.monotonic() < end:
                    run.let_pass(0.5)
                    if time.monotonic() - noted >= EVERY_S:
                        noted = time.monotonic()
                        _note_memory(run.process.pid, memory)
                code = run.process.wait(30)
                (take,) = run.takes()
                summary = json.loads((take / "take.json").read_text())
            clocks = [entry.t_ns for entry in ear.heard() if entry.data == CLOCK]
    finally:
        server.stop()
    return {
        **machine(),
        "minutes": minutes,
        "load": LOADED if loaded else "the other work of the computer",
        "exit": code,
        "verdict": summary["verdict"],
        "findings": [finding["code"] for finding in summary["findings"]],
        "planned": bars * 96,
        "heard": len(clocks),
        "sent": summary["clock"]["sent"],
        "lateness_us": summary["clock"]["lateness_us"],
        "tempo_off_percent": tempo_off_percent(clocks),
        "records": summary["log"],
        "growth_mb_an_hour": {name: growth([own for own, _ in rows]) for name, rows in memory.items()},
        "pss_growth_mb_an_hour": {
            name: growth([share for _, share in rows]) for name, rows in memory.items()
        },
        "pss_mb": {name: max(share for _, share in rows) for name, rows in memory.items()},
        "anonymous_mb": {name: [round(own, 2) for own, _ in rows[::12]] for name, rows in memory.items()},
    }


def _note_memory(pid: int, memory: dict[str, list[tuple[float, float]]]) -> None:
    with suppress(psutil.Error, OSError, KeyError):
        keeper = psutil.Process(pid)
        for process in (keeper, *keeper.children()):
            words = process.cmdline()
            name = next((w.removeprefix("runner.") for w in words if w.startswith("runner.")), "keeper")
            name = "spare" if "--spare" in words else "keeper" if name == "cli" else name
            memory.setdefault(name, []).append(_sizes_mb(process.pid))


def _sizes_mb(pid: int) -> tuple[float, float]:
    """Return a process's anonymous memory and its share of what is resident, in MB."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    size = {words[0]: int(words[1]) * 1024 / 1e6 for line in text.splitlines()[1:] if (words := line.split())}
    return size["Anonymous:"], size["Pss:"]


def growth(rows: list[float]) -> float:
    """Return by how many MB an hour memory grew after the first fifth, by least squares."""
    settled = rows[len(rows) // 5 :]
    if len(settled) < 3:
        return 0.0
    slope = np.polyfit(np.arange(len(settled)), settled, 1)[0]
    return float(slope * 3600 / EVERY_S)


def tempo_off_percent(clocks: list[int]) -> float:
    """Return by how much the tempo by least squares is off the file's, in percent."""
    if len(clocks) < 100:
        return float("nan")
    interval = np.polyfit(np.arange(len(clocks)), np.array(clocks, dtype=float) - clocks[0], 1)[0]
    return float(100 * (60e9 / BPM / 24 / interval - 1))


def table(results: dict[str, Any]) -> str:
    """Return the results as Markdown."""
    late = results["lateness_us"]
    grown = ", ".join(f"{name} {value:+.2f}" for name, value in results["growth_mb_an_hour"].items())
    shared = ", ".join(f"{name} {value:+.2f}" for name, value in results["pss_growth_mb_an_hour"].items())
    sizes = ", ".join(f"{name} {value:.0f}" for name, value in results["pss_mb"].items())
    return "\n".join(
        [
            f"{measured_on(results)}: {results['minutes']:g} minutes on JACK under {results['load']}.",
            "",
            "| what | found |",
            "|---|---|",
            f"| clocks planned, sent, heard by an independent client | {results['planned']}, "
            f"{results['sent']}, {results['heard']} |",
            f"| tempo at the client, by least squares | {results['tempo_off_percent']:+.5f} % "
            "off the file's |",
            f"| lateness p50, p99, p99.9, max | {late['p50']:.0f}, {late['p99']:.0f}, {late['p999']:.0f}, "
            f"{late['max']:.0f} µs |",
            f"| records lost | {results['records']['dropped']} of {results['records']['records']} |",
            f"| growth of anonymous memory | {grown} MB an hour |",
            f"| growth of the share of what is resident (PSS) | {shared} MB an hour |",
            f"| memory (PSS) | {sizes} MB |",
            f"| verdict of the take | {results['verdict']} {', '.join(results['findings'])} |",
        ]
    )


def failed(results: dict[str, Any]) -> list[str]:
    """Return what is not as it must be."""
    found = []
    if not results["planned"] == results["sent"] == results["heard"]:
        found.append("clocks are missing or extra")
    period_percent = 100 * 64 / 48_000 / (60 * results["minutes"])
    if not abs(results["tempo_off_percent"]) <= TEMPO_LIMIT_PERCENT + period_percent:
        found.append("the tempo drifts")
    if results["records"]["dropped"] or not results["records"]["complete"]:
        found.append("records are lost")
    if results["minutes"] >= 20:  # in a shorter time a page more or less looks like growth
        found += [f"{n} grows" for n, v in results["growth_mb_an_hour"].items() if v > GROWTH_LIMIT_MB]
    return found


def main() -> int:
    """Run the soak; exit 1 if anything is not as it must be."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--quiet", action="store_true", help="without a load of its own")
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    given = parser.parse_args()
    results = measure(given.minutes, not given.quiet)
    text = table(results)
    print(text)
    for what in failed(results):
        print(f"NOT PASSED: {what}")
    if given.write:
        put_table("soak", text, results, "timing-soak.json")
    return int(bool(failed(results)))


if __name__ == "__main__":
    sys.exit(main())
