"""The real command in processes of its own, and a listener at its ports: for real runs and for faults."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil

EAR = Path(__file__).with_name("ear.py")
PATIENCE_S = 60.0  #: far beyond anything that a sound run takes; only a run that hangs meets it


@dataclass(frozen=True)
class Heard:
    """One message as it came to the listener; `t_ns` is monotonic."""

    port: str
    t_ns: int
    data: bytes


class Ear:
    """The process of `ear.py` with one virtual input for each name."""

    def __init__(self, client: str, ports: tuple[str, ...], environment: Mapping[str, str]) -> None:
        self._ports = ports
        self._changed = threading.Condition()
        self._heard: list[Heard] = []
        self._process = subprocess.Popen(
            [sys.executable, str(EAR), client, *ports],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=dict(environment),
            text=True,
        )
        assert self._process.stdout is not None
        if self._process.stdout.readline().strip() != "ready":
            raise RuntimeError(f"the listener did not start: exit code {self._process.wait()}")
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            port, t_ns, text = line.split()
            with self._changed:
                self._heard.append(Heard(self._ports[int(port)], int(t_ns), bytes.fromhex(text)))
                self._changed.notify_all()

    def heard(self, port: str = "") -> list[Heard]:
        """Return all that has come so far, on one port or on all."""
        with self._changed:
            return [entry for entry in self._heard if not port or entry.port == port]

    def clocks(self, port: str = "") -> int:
        """Return how many clocks have come."""
        return sum(entry.data == b"\xf8" for entry in self.heard(port))

    def wait_for(self, met: Callable[[], bool], what: str) -> None:
        """Wait until `met`, which is asked after each message; AssertionError when patience ends."""
        end = time.monotonic() + PATIENCE_S
        with self._changed:
            while not met():
                left = end - time.monotonic()
                assert left > 0, f"the listener waited {PATIENCE_S:.0f} s in vain for {what}"
                self._changed.wait(min(left, 0.5))

    def close(self) -> None:
        """End the process, having read all that it heard."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._reader.join(10)


@contextlib.contextmanager
def listening(client: str, ports: tuple[str, ...], environment: Mapping[str, str]) -> Iterator[Ear]:
    """Run a listener to the end of the block; what it heard can be read afterwards too."""
    ear = Ear(client, ports, environment)
    try:
        yield ear
    finally:
        ear.close()


@dataclass
class Run:
    """A `takewright` command that runs in a session of its own, so that all of its processes can be found."""

    process: subprocess.Popen[str]
    takes_folder: Path
    started_s: float
    lines: list[str] = field(default_factory=list)
    _changed: threading.Lock = field(default_factory=threading.Lock)
    _seen: dict[int, psutil.Process] = field(default_factory=dict)

    def read(self) -> None:
        """Collect output until it ends; runs in a thread."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._changed:
                self.lines.append(line.rstrip("\n"))

    @property
    def output(self) -> str:
        """All that was printed so far."""
        with self._changed:
            return "\n".join(self.lines)

    def wait_for_text(self, text: str, count: int = 1) -> None:
        """Wait until `count` lines with `text` were printed, or the command has ended."""
        self.wait_until(lambda: self.output.count(text) >= count or self.process.poll() is not None, text)

    def wait_for_file(self, path: Path) -> None:
        """Wait until a file is there."""
        self.wait_until(path.exists, str(path))

    def wait_for_takes(self, count: int = 1) -> None:
        """Wait until as many takes have begun: their logs are there."""
        self.wait_until(
            lambda: sum((take / "events.jsonl").exists() for take in self.takes()) >= count, f"{count} takes"
        )

    def wait_for_end_of_take(self) -> None:
        """Wait until the log of the latest take holds the roll's end."""
        log = self.takes()[-1] / "events.jsonl"
        self.wait_until(lambda: '"kind":"end"' in log.read_text(), "the end of the take")

    def wait_until(self, met: Callable[[], bool], what: str) -> None:
        """Wait until `met` is true of the processes or their files; they are real, and so is the time."""
        end = time.monotonic() + PATIENCE_S
        while not met():
            assert time.monotonic() < end, f"waited in vain for {what}:\n{self.output}"
            time.sleep(0.01)

    def let_pass(self, seconds: float) -> None:
        """Let the run go on for a while; for kills at moments that no output marks."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(seconds)

    def child(self, name: str) -> psutil.Process:
        """Return the child process `engine`, `desk` or `spare`; waits for it to be there."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            for process in self.family():
                with contextlib.suppress(psutil.Error, OSError):
                    if is_the(name, process) and process.status() != psutil.STATUS_ZOMBIE:
                        return process
            time.sleep(0.005)
        raise AssertionError(f"no {name} process came up:\n{self.output}")

    def kill(self, name: str) -> int:
        """Kill a child outright; return when, in monotonic ns."""
        process = self.child(name)
        process.send_signal(signal.SIGKILL)
        return time.monotonic_ns()

    def family(self) -> list[psutil.Process]:
        """Return the processes of this run's session that are there now, and remember them."""
        for process in psutil.process_iter():
            with contextlib.suppress(psutil.Error, ProcessLookupError):
                if os.getsid(process.pid) == self.process.pid:
                    self._seen[process.pid] = process
        return [process for process in self._seen.values() if process.is_running()]

    def wait(self, timeout_s: float = PATIENCE_S) -> int:
        """Wait for the command to end and return its exit code."""
        code = self.process.wait(timeout_s)
        self._reader.join(10)
        return code

    def left_over(self, patience_s: float = 15.0) -> list[str]:
        """Return the processes of the run that are still there after `patience_s`, as text."""
        end = time.monotonic() + patience_s
        while True:
            left = [p for p in self.family() if p.is_running() and _status(p) != psutil.STATUS_ZOMBIE]
            if not left or time.monotonic() > end:
                return [str(process) for process in left]
            time.sleep(0.02)

    def takes(self) -> list[Path]:
        """Return the folders of all takes, oldest first."""
        return sorted(path for path in self.takes_folder.glob("*/*/*/take-*") if path.is_dir())

    def summary(self, index: int = -1) -> dict[str, Any]:
        """Return the take.json of a take."""
        data = json.loads((self.takes()[index] / "take.json").read_text())
        assert isinstance(data, dict)
        return data

    def start_reader(self) -> None:
        """Begin to collect output."""
        self._reader = threading.Thread(target=self.read, daemon=True)
        self._reader.start()


def is_the(name: str, process: psutil.Process) -> bool:
    """Whether a process is the `engine`, the `desk`, or the `spare`: an engine that was not yet needed."""
    words = process.cmdline()
    if name == "desk" or "runner.engine" not in words:
        return f"runner.{name}" in words
    standing_by = "--spare" in words and Path(f"/proc/{process.pid}/comm").read_text() != "tw-engine\n"
    return standing_by == (name == "spare")


def _status(process: psutil.Process) -> str:
    try:
        return str(process.status())
    except psutil.Error:
        return psutil.STATUS_ZOMBIE


@contextlib.contextmanager
def running(
    arguments: list[str],
    takes_folder: Path,
    environment: Mapping[str, str] | None = None,
    *,
    before: str = "",
) -> Iterator[Run]:
    """Start `takewright run …` and see to it that no process of it outlives the block.

    `before` is Python that is executed in the keeper's process ahead of the command. At the end of the
    block it is asserted that the command and all of its children have gone by themselves.
    """
    code = f"{before}\nfrom runner.cli.main import main\nmain()"
    command = [sys.executable, "-c", code, "run", *arguments, "--takes-folder", str(takes_folder)]
    run = Run(
        subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env={**os.environ, **(environment or {}), "COLUMNS": "300"},
            text=True,
            start_new_session=True,
        ),
        takes_folder,
        time.monotonic(),
    )
    run.start_reader()
    try:
        yield run
        left = run.left_over()
        assert not left, f"processes were left over: {left}\n{run.output}"
    finally:
        for process in run.family():
            with contextlib.suppress(psutil.Error):
                process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            run.process.wait(5)
