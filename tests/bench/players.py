"""The engine against what one would write without it: mido's file player, and bare sleeping loops.

mido's `MidiFile.play` is the ordinary way to play a Standard MIDI File from Python. It plays the same file as
the engine does, to the same kind of port (an object in the same process that takes everything and leads
nowhere), at the same time, under the same load; once as a plain script, and once more with the engine's
real-time priority. Beside them a bare loop that sleeps until each moment with clock_nanosleep, in Python and
in C.

    python tests/bench/players.py --seconds 60 --write
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import io
import json
import os
import subprocess
import sys
import time
from typing import Any

import mido
import numpy as np
from measure import (
    INTERVAL_NS,
    LOADED,
    PRIORITY,
    RollingTake,
    Witness,
    figures,
    load,
    machine,
    measured_on,
    wake_program,
)
from timing_page import put_table

LEAST_S = 10
START_S = 4  #: what a take needs to be rolling, and its end to be written, within its time
TIMES = 20  #: how many times smaller the engine's p99.9 has to be than that of mido's plain player


def part(seconds: float) -> bytes:
    """Return an SMF of sixteenths at 125 BPM, two notes each, for so long."""
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=480_000, time=0))
    for step in range(int(seconds * 125 / 60 * 4)):
        keys = (48 + step % 12, 60 + step % 7)
        for number, key in enumerate(keys):
            track.append(
                mido.Message("note_on", note=key, velocity=90, time=12 if step and not number else 0)
            )
        for number, key in enumerate(keys):
            track.append(mido.Message("note_off", note=key, velocity=64, time=108 if not number else 0))
    file = mido.MidiFile(type=0, ticks_per_beat=480)
    file.tracks.append(track)
    held = io.BytesIO()
    file.save(file=held)
    return held.getvalue()


class Taker:
    """The port of the plain player: takes everything, and notes when."""

    def __init__(self) -> None:
        self.times: list[int] = []

    def send(self, _message: mido.Message) -> None:
        """Take one message."""
        self.times.append(time.monotonic_ns())


def play_mido(data: bytes) -> list[float]:
    """Play a file as mido's manual shows; return how late each message went out, in us."""
    file = mido.MidiFile(file=io.BytesIO(data))
    port, due, gone = Taker(), [], 0.0
    for message in file:
        gone += message.time
        if not message.is_meta:
            due.append(gone)
    begun = time.monotonic_ns()
    for message in file.play():
        port.send(message)
    return [(at - begun) / 1e3 - 1e6 * moment for at, moment in zip(port.times, due, strict=True)]


def play_loop(seconds: float) -> list[float]:
    """Sleep until each moment of a grid of 20 ms; return how late each wake-up was, in us."""

    class Timespec(ctypes.Structure):
        _fields_ = (("tv_sec", ctypes.c_long), ("tv_nsec", ctypes.c_long))

    sleep = ctypes.CDLL(None).clock_nanosleep
    moment, late = Timespec(), []
    due = time.monotonic_ns() + INTERVAL_NS
    for _ in range(int(seconds * 1e9 / INTERVAL_NS)):
        moment.tv_sec, moment.tv_nsec = divmod(due, 1_000_000_000)
        sleep(1, 1, ctypes.byref(moment), None)  # CLOCK_MONOTONIC, TIMER_ABSTIME (Linux: time.h)
        late.append((time.monotonic_ns() - due) / 1e3)
        due += INTERVAL_NS
    return late


def in_process(what: str, seconds: float, real_time: bool) -> subprocess.Popen[str]:
    """Start one player in a process of its own."""
    words = [sys.executable, __file__, "--play", what, "--seconds", str(seconds)]
    return subprocess.Popen(
        [*words, *(["--real-time"] if real_time else [])], stdout=subprocess.PIPE, text=True
    )


def outcome(process: subprocess.Popen[str]) -> dict[str, float]:
    """Return the figures that a player printed."""
    out, _ = process.communicate()
    result: dict[str, float] = json.loads(out)
    return result


def measure(seconds: float) -> dict[str, Any]:
    """Return the figures of all, under load."""
    rows: dict[str, Any] = {}
    data = part(seconds)
    with load(LOADED), wake_program() as program:
        with RollingTake(seconds, part=data) as rolling:
            rolling.wait_rolling()
            plain = in_process("mido", seconds - START_S, False)
            rolling.sample_to_end()
            take = rolling.take()
            rows["mido"] = outcome(plain)
        assert take.notes is not None
        rows["engine"] = figures(np.concatenate([take.notes.late_us, take.series.late_us]))
        rows["mido real-time"] = outcome(in_process("mido", seconds / 2, True))
        rows["python loop"] = outcome(in_process("loop", seconds / 2, True))
        if program:
            rows["c loop"] = figures(Witness(program, 0, seconds / 2, PRIORITY).rows()[:, 2] / 1e3)
    return {
        **machine(),
        "seconds": seconds,
        "load": LOADED,
        "rows": rows,
        "times": rows["mido"]["p999"] / rows["engine"]["p999"],
    }


def table(results: dict[str, Any]) -> str:
    """Return the results as Markdown."""
    names = {
        "engine": "engine, four ports, notes and clocks",
        "mido": "mido's `MidiFile.play`, one port, notes",
        "mido real-time": "the same with the engine's real-time priority",
        "python loop": "bare loop on clock_nanosleep, Python, real-time priority",
        "c loop": "bare loop on clock_nanosleep, C, real-time priority",
    }
    lines = [
        f"{measured_on(results)}, under `{results['load']}`; {results['seconds']:.0f} s.",
        "",
        "| who | messages | p50 µs | p99 µs | p99.9 µs | max µs |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    for key, row in results["rows"].items():
        cells = " | ".join(f"{row[name]:.0f}" for name in ("count", "p50", "p99", "p999", "max"))
        lines.append(f"| {names[key]} | {cells} |")
    lines += [
        "",
        f"p99.9 of mido's player is {results['times']:.1f} times the engine's (asked for: {TIMES}).",
    ]
    return "\n".join(lines)


def main() -> int:
    """Run the bench; exit 1 if mido's player is not late enough by comparison."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    parser.add_argument("--play", choices=("mido", "loop"), help=argparse.SUPPRESS)
    parser.add_argument("--real-time", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.play:
        if given.real_time:
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        gc.disable()
        late = play_mido(part(given.seconds)) if given.play == "mido" else play_loop(given.seconds)
        print(json.dumps(figures(late)))
        return 0
    if given.seconds < LEAST_S:
        parser.error(f"--seconds: at least {LEAST_S}, for mido's player gets what the start leaves of them")
    results = measure(given.seconds)
    text = table(results)
    print(text)
    if given.write:
        put_table("players", text, results, "timing-players.json")
    return int(results["times"] < TIMES)


if __name__ == "__main__":
    sys.exit(main())
