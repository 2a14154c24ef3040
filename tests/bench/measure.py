"""What the benches share: a take on ports that lead nowhere, yardsticks beside it, and their figures."""

from __future__ import annotations

import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import psutil

INTERVAL_NS = 20_000_000  #: a clock at 125 BPM: 60 s / 125 / 24
#: A clock each 19 ms, a little more often than at 125 BPM. At 125 BPM every fifth clock falls at the same
#: moment of a tenth of a second, and that is how a host that allots processors deals them out (seen): who is
#: hit would be decided by the phase at which a run began.
ODD_INTERVAL_NS = 19_000_000
ODD_TEMPO = "131.578947368421"  #: 60 s / 24 / 19 ms
#: of the engine and of each yardstick while they are compared; the engine's own is 70: other engines that
#: happen to run on this computer must not be what is measured
PRIORITY = 80
LOADED = "stress-ng --cpu 2 --io 1"
HERE = Path(__file__).resolve().parent
START_S = 90.0  #: a computer that is fully busy needs its time to start three processes
SLICE_NS = 1_000_000_000


def machine() -> dict[str, str]:
    """Return what the figures were measured on."""
    return {
        "date": time.strftime("%Y-%m-%d"),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, Linux {platform.release()}",
        "python": platform.python_version(),
    }


def measured_on(results: dict[str, Any]) -> str:
    """Return how the line above a table begins; `results` hold what `machine` gave."""
    return f"Measured {results['date']} on {results['machine']}, Python {results['python']}"


def figure_cells(row: dict[str, float]) -> str:
    """Return p50, p99, p99.9 and maximum as cells of a Markdown table."""
    return " | ".join(f"{row[key]:.0f}" for key in ("p50", "p99", "p999", "max"))


def session_text(seconds: float, ports: int = 4, *, part: bool = False, tempo: str = "125") -> str:
    """Return a session of `ports` clocked ports for about `seconds`; with `part` each plays part.mid."""
    bars = max(2, round(seconds * float(tempo) / 240))  # a bar of 4/4 has 240 / tempo s
    lines = ["session: Lantern Quay, bench", "format: 1", "ports:"]
    lines += [f"  port{n}: {{simulate: sink}}" for n in range(ports)]
    lines += ["machines:"]
    lines += [
        f"  machine{n}: {{port: port{n}, channel: 1, follows: [clock, transport]}}" for n in range(ports)
    ]
    lines += [
        "songs:",
        "  - song: Slipway",
        f"    tempo: {tempo}",
        "    meter: 4/4",
        f"    length: {bars} bars",
    ]
    lines += ["    lead: 1 s", "    pre-roll: 1 bar", "    tail: 1 beat"]
    if part:
        lines += ["    parts:", *(f"      - {{file: part.mid, machine: machine{n}}}" for n in range(ports))]
    lines += ["order: [Slipway]"]
    return "\n".join(lines) + "\n"


@contextmanager
def load(name: str) -> Iterator[None]:
    """Keep both cores and the disk busy for the block, or not."""
    if name == "idle":
        yield
        return
    with tempfile.TemporaryDirectory(prefix="takewright-load-") as folder:
        process = subprocess.Popen([*name.split(), "--quiet", "--temp-path", folder])
        try:
            time.sleep(1.0)
            yield
        finally:
            process.terminate()
            process.wait(20)


def figures(late_us: Sequence[float] | np.ndarray) -> dict[str, float]:
    """Return count, p50, p99, p99.9 and maximum of latenesses in us."""
    late = np.asarray(late_us, dtype=float)
    quantiles = np.quantile(late, (0.5, 0.99, 0.999, 1.0))
    names = ("p50", "p99", "p999", "max")
    return {"count": len(late), **{n: float(q) for n, q in zip(names, quantiles, strict=True)}}


@dataclass(slots=True)
class Series:
    """Latenesses in us, each with the moment in ns at which it fell due."""

    due_ns: np.ndarray
    late_us: np.ndarray

    def figures(self) -> dict[str, float]:
        """Return count, p50, p99, p99.9 and maximum."""
        return figures(self.late_us)

    def within(self, spans: Sequence[tuple[int, int]]) -> Series:
        """Return what fell due in one of the spans of (begin, end) in ns."""
        keep = np.zeros(len(self.due_ns), dtype=bool)
        for begin, end in spans:
            keep |= (self.due_ns >= begin) & (self.due_ns < end)
        return Series(self.due_ns[keep], self.late_us[keep])

    def by_second(self) -> dict[int, np.ndarray]:
        """Return the latenesses by second: stalls come in heaps, and a heap is one event."""
        number = self.due_ns // SLICE_NS
        return {int(n): self.late_us[number == n] for n in np.unique(number)}


def ratio(ours_us: np.ndarray, yard_us: np.ndarray, quantile: float) -> float:
    """Return a quantile of one over that of the other, which counts as a microsecond at least."""
    return float(np.quantile(ours_us, quantile) / max(1.0, np.quantile(yard_us, quantile)))


def drawn_ratios(
    ours: Series, yard: Series, quantile: float, rng: np.random.Generator, times: int
) -> np.ndarray:
    """Return `ratio` of so many bootstrap draws.

    Whole seconds are drawn, the same ones for both: they shared what the computer did in them.
    """
    a, b = ours.by_second(), yard.by_second()
    both = sorted(a.keys() & b.keys())
    found = []
    for _ in range(times):
        drawn = [both[i] for i in rng.integers(len(both), size=len(both))]
        found.append(ratio(*(np.concatenate([s[n] for n in drawn]) for s in (a, b)), quantile))
    return np.array(found)


def interval_95(drawn: np.ndarray) -> tuple[float, float]:
    """Return the 95 % interval of what was drawn."""
    return float(np.quantile(drawn, 0.025)), float(np.quantile(drawn, 0.975))


def ratio_interval(ours: Series, yard: Series, times: int = 1000, seed: int = 1) -> tuple[float, float]:
    """Return the 95 % bootstrap interval of the ratio of the 99.9th percentiles."""
    return interval_95(drawn_ratios(ours, yard, 0.999, np.random.default_rng(seed), times))


class Cyclictest:
    """cyclictest, one thread on each core, at `phase_ns` in each interval; its figures with their moments."""

    def __init__(
        self, phase_ns: int, seconds: float, priority: int = PRIORITY, interval_ns: int = INTERVAL_NS
    ) -> None:
        self._interval_ns = interval_ns
        cores = str(os.cpu_count())
        # a full second, the offset, and one interval: that is when the first wake-up is due
        first_ns = (time.monotonic_ns() // 1_000_000_000 + 1) * 1_000_000_000 + interval_ns
        offset_ns = (phase_ns - first_ns) % interval_ns // 1000 * 1000
        self._first_ns = first_ns + offset_ns
        self._process = subprocess.Popen(
            [
                *("cyclictest", "-m", "-v", "-p", str(priority), "-i", str(interval_ns // 1000), "-d", "0"),
                *("-t", cores, "-a", f"--secaligned={offset_ns // 1000}"),
                *("-l", str(int(seconds * 1e9 / interval_ns))),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )

    def series(self) -> Series:
        """Wait for its end and return what it noted."""
        out, _ = self._process.communicate()
        found = re.findall(r"^\s*(\d+):\s*(\d+):\s*(\d+)\s*$", out, re.M)
        rows = np.array(found, dtype=np.int64)
        due = self._first_ns + rows[:, 1] * self._interval_ns
        return Series(due, rows[:, 2].astype(float))

    def stop(self) -> None:
        """End it, if it has not ended."""
        self._process.terminate()
        self._process.wait(5)


@contextmanager
def wake_program() -> Iterator[str | None]:
    """Compile the bare C loop; None where there is no compiler."""
    compiler = shutil.which("cc")
    with tempfile.TemporaryDirectory(prefix="takewright-wake-") as folder:
        path = f"{folder}/wake"
        if compiler is not None:
            subprocess.run([compiler, "-O2", "-pthread", "-o", path, str(HERE / "wake.c")], check=True)
        yield path if compiler else None


class Witness:
    """The bare C loop on each core; rows of (core, due in ns, late in ns)."""

    def __init__(
        self, program: str, phase_ns: int, seconds: float, priority: int, interval_ns: int = INTERVAL_NS
    ) -> None:
        self._file = Path(program).parent / f"rows-{phase_ns}"
        self._process = subprocess.Popen(
            [
                program,
                *(str(phase_ns % interval_ns), str(interval_ns), str(priority)),
                *(str(int(seconds)), str(self._file)),
            ]
        )

    def rows(self) -> np.ndarray:
        """Wait for its end and return what it noted."""
        if self._process.wait() != 0:
            raise RuntimeError("the C loop failed")
        return np.fromfile(self._file, dtype=np.int64).reshape(-1, 3)


def steal_ms() -> float:
    """Return how long the host has kept this machine's cores from it so far, all cores, in ms."""
    with open("/proc/stat", encoding="ascii") as file:
        return int(file.readline().split()[8]) * 1000 / os.sysconf("SC_CLK_TCK")


def seconds_without_steal(samples: Sequence[tuple[int, float]]) -> list[tuple[int, int]]:
    """Return the seconds, each (begin, end) in monotonic ns, in which the host took no core away.

    `samples` are (monotonic ns, steal of all cores so far in ms). The kernel tells it in steps of 10 ms, at
    a core's next tick: so a second may hold shorter absences, and the half second after it is looked at too.
    """
    moments = np.array([moment for moment, _ in samples], dtype=np.int64)
    stolen_ms = np.array([ms for _, ms in samples])

    def told_at(moment: int) -> float:
        return float(stolen_ms[max(0, int(np.searchsorted(moments, moment, "right")) - 1)])

    last = int(moments[-1]) - SLICE_NS * 3 // 2
    begins = range(int(moments[0]), last, SLICE_NS)
    return [(b, b + SLICE_NS) for b in begins if told_at(b) == told_at(b + SLICE_NS * 3 // 2)]


@dataclass(slots=True)
class Take:
    """One rolled take as it was measured.

    `cores` are (monotonic ns, core of the engine) samples, `steal` (monotonic ns, steal so far in ms).
    """

    series: Series
    notes: Series | None  #: the messages of the parts, if there are any
    summary: dict[str, Any]
    anchor_ns: int
    cores: list[tuple[int, int]] = field(default_factory=list)
    steal: list[tuple[int, float]] = field(default_factory=list)
    cpu: dict[str, float] = field(default_factory=dict)
    rss_mb: dict[str, float] = field(default_factory=dict)

    def core_at(self, moment_ns: int) -> int:
        """Return on which core the engine was last seen at a moment."""
        times = np.array([t for t, _ in self.cores])
        return self.cores[max(0, int(np.searchsorted(times, moment_ns)) - 1)][1]


class RollingTake:
    """`takewright run` on a bench session, in processes of its own, for as long as the block lasts."""

    def __init__(
        self, seconds: float, ports: int = 4, tree: str = "", part: bytes = b"", tempo: str = "125"
    ) -> None:
        """`tree` is another checkout whose program is to run, `part` an SMF that every machine plays."""
        self._seconds, self._folder = seconds, Path(tempfile.mkdtemp(prefix="takewright-bench-"))
        session = self._folder / "bench.yaml"
        session.write_text(session_text(seconds, ports, part=bool(part), tempo=tempo))
        (self._folder / "part.mid").write_bytes(part)
        environment = {**os.environ, "PYTHONPATH": tree} if tree else dict(os.environ)
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-m", "runner.cli", "run", str(session), "--song", "Slipway"),
                *("--takes-folder", str(self._folder / "takes")),
            ],
            stdout=subprocess.DEVNULL,
            env=environment,
            cwd=tree or None,
        )
        self._processes: dict[str, psutil.Process] = {}
        self._cores: list[tuple[int, int]] = []
        self._steal: list[tuple[int, float]] = []
        self._spent: dict[str, tuple[float, float]] = {}
        self._rss: dict[str, float] = {}

    def __enter__(self) -> RollingTake:
        return self

    def __exit__(self, *_details: object) -> None:
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(START_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
        shutil.rmtree(self._folder, ignore_errors=True)

    def wait_rolling(self) -> int:
        """Wait until the take has begun; return its anchor in monotonic ns."""
        end = time.monotonic() + START_S
        while time.monotonic() < end and self._process.poll() is None:
            for file in self._folder.glob("takes/*/*/*/take-*/events.jsonl"):
                with suppress(ValueError, IndexError):
                    first = json.loads(file.read_text().splitlines()[0])
                    self._find_processes()
                    os.sched_setscheduler(
                        self._processes["engine"].pid, os.SCHED_FIFO, os.sched_param(PRIORITY)
                    )
                    return int(_find(first, "anchor_ns"))
            time.sleep(0.02)
        raise RuntimeError("no take began")

    def _find_processes(self) -> None:
        keeper = psutil.Process(self._process.pid)
        self._processes = {"keeper": keeper}
        for child in keeper.children():
            words = child.cmdline()
            for name in ("engine", "desk"):
                if f"runner.{name}" in words:
                    self._processes["spare" if "--spare" in words else name] = child

    def pid(self, name: str) -> int:
        """Return the process id of engine, desk or keeper."""
        return self._processes[name].pid

    def sample_to_end(self) -> None:
        """Sample the processes until the take is closed."""
        begun = time.monotonic()
        while self._process.poll() is None:
            if time.monotonic() > begun + self._seconds + 60:
                raise RuntimeError("the take did not end")
            with suppress(psutil.Error, FileNotFoundError):
                self._sample()
            time.sleep(0.1)

    def _sample(self) -> None:
        self._steal.append((time.monotonic_ns(), steal_ms()))
        self._cores.append((time.monotonic_ns(), self._processes["engine"].cpu_num()))
        if len(self._cores) % 10 != 1:
            return
        for name, process in self._processes.items():
            times = process.cpu_times()
            self._rss[name] = max(self._rss.get(name, 0.0), process.memory_info().rss / 1e6)
            self._spent.setdefault(f"{name} from", (time.monotonic(), times.user + times.system))
            self._spent[name] = (time.monotonic(), times.user + times.system)

    def take(self) -> Take:
        """Return the closed take."""
        (summary,) = self._folder.glob("takes/*/*/*/take-*/take.json")
        cpu = {}
        for name in self._processes:
            (begun, first), (ended, last) = self._spent[f"{name} from"], self._spent[name]
            cpu[name] = (last - first) / max(1e-9, ended - begun)
        has_part = (self._folder / "part.mid").stat().st_size > 0
        return Take(
            ticks_of(summary.parent),
            notes_of(summary.parent) if has_part else None,
            json.loads(summary.read_text()),
            self._anchor(summary.parent),
            self._cores,
            self._steal,
            cpu,
            self._rss,
        )

    def _anchor(self, folder: Path) -> int:
        return int(_find(json.loads((folder / "events.jsonl").read_text().splitlines()[0]), "anchor_ns"))


def _find(data: Any, key: str) -> Any:
    """Return the value of a key anywhere in nested objects; KeyError if it is nowhere."""
    if isinstance(data, dict):
        if key in data:
            return data[key]
        for value in data.values():
            with suppress(KeyError):
                return _find(value, key)
    raise KeyError(key)


def ticks_of(folder: Path) -> Series:
    """Return when each clock of a take was due (monotonic ns) and how late it went out."""
    from runner.takes.reader import read_take

    take = read_take(folder)
    anchor = take.header.anchor_ns
    due, late = [], []
    for track in take.tracks.values():
        if track.direction == "out":
            due.append(np.array(track.due_ns, dtype=np.int64) + anchor)
            late.append((np.array(track.t_ns, dtype=np.int64) - np.array(track.due_ns, dtype=np.int64)) / 1e3)
    return Series(np.concatenate(due), np.concatenate(late))


def notes_of(folder: Path) -> Series:
    """Return when each message of the parts was due (monotonic ns) and how late it went out."""
    from runner.takes.reader import read_take

    take = read_take(folder)
    rows = [e for e in take.events if e.kind == "sent" and e.due_ns is not None and e.data[0] & 0xE0 == 0x80]
    due = np.array([event.due_ns for event in rows], dtype=np.int64)
    sent = np.array([event.t_ns for event in rows], dtype=np.int64)
    return Series(due + take.header.anchor_ns, (sent - due) / 1e3)
