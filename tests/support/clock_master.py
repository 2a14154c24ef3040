"""A clock master of its own: a process with one virtual JACK output that plays a schedule of clocks.

It is written on python-rtmidi alone and shares no code with the program that follows it.

``python clock_master.py CLIENT PORT`` prints ``ready`` once the port is there, reads one line of JSON, waits
for a second line (the order to begin), plays, and prints a line of JSON: when each message was sent, in
monotonic ns. The schedule: ``interval_ns`` between clocks, ``lead`` clocks before Start and ``clocks`` after
it, ``missing`` counts from Start that are never sent, ``sigma_ns`` of Gaussian jitter from ``seed``.
"""

from __future__ import annotations

import gc
import json
import os
import random
import sys
import time
from contextlib import suppress
from typing import Any

import rtmidi

CLOCK, START, STOP = 0xF8, 0xFA, 0xFC
SPIN_NS = 300_000
MOST_SIGMAS = 3.0
PRIORITY = 30


def schedule(order: dict[str, Any]) -> list[tuple[int, int]]:
    """Return (ns from the beginning, status byte) of every message, in order."""
    rng = random.Random(order["seed"])
    interval, sigma = order["interval_ns"], order["sigma_ns"]
    missing = set(order["missing"])
    rows: list[tuple[int, int]] = []
    for count in range(-order["lead"], order["clocks"]):
        jitter = max(-MOST_SIGMAS, min(MOST_SIGMAS, rng.gauss(0, 1))) * sigma
        at = round((count + order["lead"]) * interval + jitter + MOST_SIGMAS * sigma)
        if count == 0:
            rows.append((at - 1_500_000, START))
        if count not in missing:
            rows.append((at, CLOCK))
    rows.append((round((order["lead"] + order["clocks"]) * interval + order["stop_after_ns"]), STOP))
    return rows


def play(midi: Any, rows: list[tuple[int, int]]) -> list[int]:
    """Send each message at its time; return when each was begun to be sent."""
    begin = time.monotonic_ns() + 50_000_000
    sent: list[int] = []
    for at, status in rows:
        due = begin + at
        while (left := due - time.monotonic_ns()) > 0:
            if left > SPIN_NS:
                time.sleep((left - SPIN_NS) / 1e9)
        sent.append(time.monotonic_ns())  # before: nothing arrives earlier, whoever is stopped in between
        midi.send_message([status])
    return sent


def main() -> None:
    """Serve one schedule."""
    client, port = sys.argv[1:]
    midi = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=client)
    midi.open_virtual_port(port)
    print("ready", flush=True)
    rows = schedule(json.loads(sys.stdin.readline()))
    sys.stdin.readline()
    gc.disable()
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    sent = play(midi, rows)
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    time.sleep(0.2)
    print(json.dumps({"sent_ns": sent, "status": [status for _, status in rows]}), flush=True)
    sys.stdin.readline()
    midi.close_port()
    midi.delete()


if __name__ == "__main__":
    main()
