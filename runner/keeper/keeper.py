"""The keeper: starts engine and desk, starts them again when they die, ends them in good order.

It reads no session and touches no port, so that there is little in it that could fail. Signals only
wake the loop; all decisions are made there.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import time
import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import replace

from runner.desk.job import Job, Report
from runner.errors import ExitCode
from runner.keeper.child import Child
from runner.keeper.pipes import Pipes

ENGINE_SILENT_S = 5.0  #: an engine without a beat for this long hangs, and is killed
DESK_SILENT_S = 20.0  #: the desk may compile a long song or wait for a slow disk
END_S = 3.0  #: how long each step of ending a child may take
STOP_S = 15.0  #: from Ctrl-C to the end of the desk: machines stopped and the take closed
DEATHS_ALLOWED = 5  #: deaths of one kind of child within `DEATHS_SPAN_S`; more, and the run is given up
DEATHS_SPAN_S = 30.0

Listener = Callable[[Report], None]


def new_run_name() -> str:
    """Return a name for a run that no other run has."""
    return uuid.uuid4().hex[:12]


class Keeper:
    """Runs one job with its two children; `listener` hears every report of the desk."""

    def __init__(self, job: Job, listener: Listener) -> None:
        self._job = job
        self._listener = listener
        self._pipes = Pipes.open()
        self._selector = selectors.DefaultSelector()
        self._engine: Child | None = None
        self._desk: Child | None = None
        self._deaths: dict[str, deque[float]] = {"engine": deque(), "desk": deque()}
        self._heard = {"engine": time.monotonic(), "desk": time.monotonic()}
        self._line = b""
        self._exit: ExitCode | None = None
        self._stop_at: float | None = None
        self._signals: deque[int] = deque()

    @property
    def pids(self) -> tuple[int, int]:
        """Process ids of engine and desk, for tests and reports."""
        return (self._engine.pid if self._engine else 0, self._desk.pid if self._desk else 0)

    def run(self) -> ExitCode:
        """Run the job to its end and return its exit code."""
        wake_read, wake_write = os.pipe2(os.O_NONBLOCK)
        old_fd = signal.set_wakeup_fd(wake_write, warn_on_full_buffer=False)
        old = {number: signal.signal(number, self._on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            for fd, name in (
                (wake_read, "signal"),
                (self._pipes.report[0], "report"),
                (self._pipes.beat[0], "beat"),
            ):
                os.set_blocking(fd, False)
                self._selector.register(fd, selectors.EVENT_READ, name)
            self._start_engine(rescue=False)
            self._start_desk()
            while self._exit is None:
                self._turn(wake_read)
            self._wind_up()
        finally:
            for number, handler in old.items():
                signal.signal(number, handler)
            signal.set_wakeup_fd(old_fd)
            os.close(wake_read)
            os.close(wake_write)
            self._selector.close()
            self._pipes.close()
        return self._exit

    # ------------------------------------------------------------------ one turn

    def _turn(self, wake_read: int) -> None:
        ready = {key.data for key, _ in self._selector.select(0.25)}
        if "signal" in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(wake_read, 4096)
        while self._signals:
            self._on_stop_signal(self._signals.popleft())
        if "beat" in ready:
            self._heard["engine"] = time.monotonic()
            with contextlib.suppress(BlockingIOError):
                os.read(self._pipes.beat[0], 4096)
        if "report" in ready:
            self._read_reports()
        if self._exit is None and "desk" in ready:
            self._on_desk_death()
        if self._exit is None and "engine" in ready:
            self._on_engine_death()
        self._watch()

    def _on_signal(self, number: int, _frame: object) -> None:
        self._signals.append(number)

    def _on_stop_signal(self, number: int) -> None:
        """First signal: stop in good order. A second one: the engine stops and silences at once."""
        if self._stop_at is None:
            self._stop_at = time.monotonic() + STOP_S
            why = "stopped by the user" if number == signal.SIGINT else "told to end"
            self._order_stop(why)
        elif self._engine is not None:
            self._engine.signal(signal.SIGTERM)

    def _order_stop(self, why: str) -> None:
        """Tell the desk to stop; there is always one, or there will be."""
        os.write(self._pipes.control[1], json.dumps({"do": "stop", "why": why}).encode() + b"\n")

    def _read_reports(self) -> None:
        try:
            data = os.read(self._pipes.report[0], 1 << 16)
        except BlockingIOError:
            return
        self._heard["desk"] = time.monotonic()
        *lines, self._line = (self._line + data).split(b"\n")
        for line in lines:
            report = Report.from_line(line)
            if report.kind == "progress":
                self._job = self._job.carried_on(report.data)
            elif report.kind in ("done", "error"):
                self._exit = ExitCode(report.data["exit"])
            if report.kind not in ("beat", "progress"):
                self._listener(report)

    # ------------------------------------------------------------------ children

    def _start_engine(self, *, rescue: bool) -> None:
        arguments, fds = self._pipes.engine_arguments()
        if rescue:
            arguments.append("--rescue")
        self._engine = Child("runner.engine", arguments, fds)
        self._heard["engine"] = time.monotonic()
        self._selector.register(self._engine.exit_fd, selectors.EVENT_READ, "engine")

    def _start_desk(self) -> None:
        arguments, fds = self._pipes.desk_arguments()
        self._desk = Child("runner.desk", [*arguments, "--job", self._job.to_json()], fds)
        self._heard["desk"] = time.monotonic()
        self._selector.register(self._desk.exit_fd, selectors.EVENT_READ, "desk")

    def _on_engine_death(self) -> None:
        """An engine that died: the next one stops and silences what it left, before anything else."""
        assert self._engine is not None
        self._read_reports()
        if self._exit is not None:
            return
        how = self._engine.how_it_ended()
        self._let_go(self._engine)
        self._listener(Report("warning", {"text": f"the engine process died ({how})"}))
        if self._too_many("engine"):
            self._give_up("the engine process dies again and again")
            self._order_stop("the engine process died again and again")
        self._start_engine(rescue=True)

    def _on_desk_death(self) -> None:
        """A desk that died without a last word: the engine plays on, and a new desk goes on with the log."""
        assert self._desk is not None
        self._read_reports()
        if self._exit is not None:
            return
        how = self._desk.how_it_ended()
        self._let_go(self._desk)
        self._desk = None
        self._line = b""  # a line that it could not finish must not spoil the next desk's first
        self._listener(Report("warning", {"text": f"the desk process died ({how})"}))
        if self._too_many("desk"):
            self._give_up("the desk process dies again and again")
            return
        self._job = replace(self._job, resumed=True)
        self._start_desk()
        if self._stop_at is not None:
            self._order_stop("told to end")

    def _let_go(self, child: Child) -> None:
        self._selector.unregister(child.exit_fd)
        child.close()

    def _too_many(self, name: str) -> bool:
        deaths, now = self._deaths[name], time.monotonic()
        deaths.append(now)
        while deaths and now - deaths[0] > DEATHS_SPAN_S:
            deaths.popleft()
        return len(deaths) > DEATHS_ALLOWED

    def _give_up(self, why: str) -> None:
        self._exit = ExitCode.INTERNAL
        self._listener(Report("error", {"text": f"{why}: the run is given up", "exit": int(self._exit)}))

    def _watch(self) -> None:
        """Kill what hangs; its death is then handled like any other."""
        now = time.monotonic()
        for name, child, silent_s in (
            ("engine", self._engine, ENGINE_SILENT_S),
            ("desk", self._desk, DESK_SILENT_S),
        ):
            if child is not None and now - self._heard[name] > silent_s:
                text = f"the {name} process gave no sign of life for {silent_s:.0f} s: it is killed"
                self._listener(Report("warning", {"text": text}))
                self._heard[name] = now
                child.signal(signal.SIGKILL)
        if self._stop_at is not None and now > self._stop_at and self._exit is None:
            self._exit = ExitCode.INTERRUPTED

    def _wind_up(self) -> None:
        """End both children: the desk has told the engine to quit, or is not there to do so."""
        if self._desk is None and self._engine is not None:
            self._engine.signal(signal.SIGTERM)  # it stops and silences the rig, and goes
        for child in (self._desk, self._engine):
            if child is not None:
                child.end(END_S)
                self._let_go(child)
