"""The delay of a relayed clock, measured against a bare python-rtmidi echo in the same run.

On a JACK server of its own (dummy driver, 48 kHz, 64 frames: a period is 1.33 ms) one process sends clocks at
125 BPM to two others: to `takewright run`, which follows them and relays them straight, and to an echo, a
callback of python-rtmidi that does nothing but send on what came in. Both come back to the sender, which
notes for each clock how long each of them took. The clocks fall anywhere in a period, by a seeded draw.
Prints a table and, with --write, puts it into docs/timing-relay.json and docs/timing.md.

    python tests/bench/relay.py --seconds 60 --write
"""

from __future__ import annotations

import argparse
import gc
import os
import platform
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import rtmidi
from timing_page import put_table

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from jack_server import JackServer, start_jack_server  # noqa: E402
from live_run import PATIENCE_S, Run, running  # noqa: E402

BPM = 125
INTERVAL_NS = 20_000_000
PERIOD_NS = 64 * 1_000_000_000 // 48_000
LEAD = 48
WINDOW_NS = 18_000_000  #: what comes later than this belongs to the next clock
LIMIT_US = 500.0  #: how much later than the echo's the relay's 99th percentile may be
CLOCK, START, STOP = 0xF8, 0xFA, 0xFC
PRIORITY = 30


def session_text(bars: int) -> str:
    """Return a session that follows the clock and relays it straight to one port."""
    return f"""
session: Lantern Quay, relay bench
format: 1
ports:
  tape: {{match: "quay-probe:out", direction: in}}
  box: {{match: "quay-relay:in", direction: out}}
machines:
  drums: {{port: box, channel: 10, follows: [clock, transport], starts: pre-roll, relay: straight}}
clock: {{source: beat-clock, port: tape}}
songs:
  - {{song: Slipway, tempo: {BPM}, meter: 4/4, length: {bars} bars, pre-roll: 0 bars}}
order: [Slipway]
"""


def echo() -> None:
    """Send on what comes in, and nothing else, until standard input is closed."""
    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="quay-echo-out")
    into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="quay-echo-in")
    into.ignore_types(sysex=False, timing=False, active_sense=False)
    out.open_virtual_port("out")
    into.open_virtual_port("in")
    into.set_callback(lambda event, _data: out.send_message(event[0]))
    gc.disable()
    print("ready", flush=True)
    sys.stdin.readline()
    into.cancel_callback()
    time.sleep(0.05)
    for client in (into, out):
        client.close_port()
        client.delete()


class Probe:
    """Sends the clocks and takes both answers, each with the time at which its callback was entered."""

    def __init__(self) -> None:
        self.out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="quay-probe")
        self.out.open_virtual_port("out")
        self.heard: dict[str, list[int]] = {"relay": [], "echo": []}
        self._inputs = {name: self._input(name) for name in self.heard}
        self.sent_ns: list[int] = []

    def _input(self, name: str) -> Any:
        into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"quay-{name}")
        into.ignore_types(sysex=False, timing=False, active_sense=False)
        into.open_virtual_port("in")
        times = self.heard[name]

        def take(event: tuple[list[int], float], _data: object) -> None:
            if event[0][0] == CLOCK:
                times.append(time.monotonic_ns())

        into.set_callback(take)
        return into

    def play(self, clocks: int, seed: int = 1) -> None:
        """Send a lead, Start, so many clocks, and Stop."""
        rng = random.Random(seed)
        begin = time.monotonic_ns() + 50_000_000
        for count in range(-LEAD, clocks):
            due = begin + (count + LEAD) * INTERVAL_NS + rng.randrange(PERIOD_NS)
            if count == 0:
                _wait_until(due - 5_000_000)
                self.out.send_message([START])
            _wait_until(due)
            self.sent_ns.append(time.monotonic_ns())
            self.out.send_message([CLOCK])
        _wait_until(begin + (clocks + LEAD) * INTERVAL_NS - 3_000_000)
        self.out.send_message([STOP])

    def delays_us(self, name: str) -> list[float]:
        """Return how long each clock took, of those in the song that came back."""
        heard, found, at = self.heard[name], [], 0
        for sent in self.sent_ns[LEAD:]:
            while at < len(heard) and heard[at] <= sent:
                at += 1
            if at < len(heard) and heard[at] - sent < WINDOW_NS:
                found.append((heard[at] - sent) / 1000)
        return found

    def close(self) -> None:
        """Leave the server in good order."""
        for into in self._inputs.values():
            into.cancel_callback()
            time.sleep(0.05)
        for client in (*self._inputs.values(), self.out):
            client.close_port()
            client.delete()


def _wait_until(due_ns: int) -> None:
    while (left := due_ns - time.monotonic_ns()) > 0:
        if left > 300_000:
            time.sleep((left - 300_000) / 1e9)


@contextmanager
def echoing(server: JackServer) -> Iterator[None]:
    """Run the echo, connected to the probe both ways, for the block."""
    process = subprocess.Popen(
        [sys.executable, __file__, "--echo"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=server.child_environment(), text=True,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        if process.stdout.readline().strip() != "ready":
            raise RuntimeError("the echo did not start")
        for source, target in (("quay-probe:out", "quay-echo-in:in"), ("quay-echo-out:out", "quay-echo:in")):
            subprocess.run(["jack_connect", "-s", server.name, source, target], check=True)
        yield
    finally:
        with suppress(BrokenPipeError):
            process.stdin.close()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def wait_armed(run: Run) -> None:
    """Wait until the take waits for the master's Start."""
    end = time.monotonic() + PATIENCE_S
    while not any(
        '"armed"' in (take / "events.jsonl").read_text()
        for take in run.takes()
        if (take / "events.jsonl").exists()
    ):
        if time.monotonic() > end or run.process.poll() is not None:
            raise RuntimeError(f"no take was armed:\n{run.output}")
        run.let_pass(0.05)


def measure(seconds: float) -> dict[str, Any]:
    """Run both ways side by side; return the delays' figures in us."""
    bars = max(2, round(seconds / 1.92))  # a bar of 4/4 at 125 BPM is 1.92 s
    server = start_jack_server()
    os.environ.update(server.environment)
    try:
        with tempfile.TemporaryDirectory(prefix="takewright-bench-") as name:
            folder = Path(name)
            session = folder / "bench.yaml"
            session.write_text(session_text(bars))
            probe = Probe()
            try:
                with (
                    echoing(server),
                    running([str(session), "--roll"], folder / "takes", server.child_environment()) as run,
                ):
                    wait_armed(run)
                    gc.disable()
                    with suppress(OSError):
                        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
                    probe.play(bars * 96)
                    with suppress(OSError):
                        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
                    gc.enable()
                    run.wait()
            finally:
                probe.close()
    finally:
        server.stop()
    return {
        "sent": bars * 96,
        "rows": {name: figures(probe.delays_us(name)) for name in ("echo", "relay")},
    }


def figures(delays_us: list[float]) -> dict[str, float]:
    """Return count, median, 99th percentile and maximum."""
    if len(delays_us) < 100:
        raise RuntimeError(f"only {len(delays_us)} clocks came back")
    hundredths = statistics.quantiles(delays_us, n=100, method="inclusive")
    return {
        "count": len(delays_us),
        "p50": hundredths[49],
        "p99": hundredths[98],
        "max": max(delays_us),
    }


def table(results: dict[str, Any]) -> str:
    """Return the results as Markdown."""
    rows = results["rows"]
    more = rows["relay"]["p99"] - rows["echo"]["p99"]
    lines = [
        f"Measured {results['date']} on {results['machine']}, Python {results['python']}, JACK at 48 kHz and "
        f"64 frames (a period is {PERIOD_NS / 1000:.0f} µs); {results['sent']} clocks at {BPM} BPM.",
        "",
        "| way | clocks back | p50 µs | p99 µs | max µs |",
        "|---|---:|---:|---:|---:|",
    ]
    for name, text in (("echo", "bare python-rtmidi echo"), ("relay", "Takewright, `relay: straight`")):
        row = rows[name]
        cells = " | ".join(f"{row[key]:.0f}" for key in ("count", "p50", "p99", "max"))
        lines.append(f"| {text} | {cells} |")
    verdict = "within" if more <= LIMIT_US else "beyond"
    lines += [
        "",
        f"The relay's 99th percentile is {more:+.0f} µs from the echo's, {verdict} the limit of "
        f"{LIMIT_US:.0f} µs.",
    ]
    return "\n".join(lines)


def main() -> int:
    """Run the bench; exit 1 if the relay is slower than the limit allows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    parser.add_argument("--echo", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.echo:
        echo()
        return 0
    results: dict[str, Any] = {
        "date": time.strftime("%Y-%m-%d"),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, Linux {platform.release()}",
        "python": platform.python_version(),
        **measure(given.seconds),
    }
    text = table(results)
    print(text)
    if given.write:
        put_table("relay", text, results, "timing-relay.json")
    rows = results["rows"]
    return 0 if rows["relay"]["p99"] - rows["echo"]["p99"] <= LIMIT_US else 1


if __name__ == "__main__":
    sys.exit(main())
