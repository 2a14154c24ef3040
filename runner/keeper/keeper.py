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
import sys
import time
import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import replace

from runner.desk.job import Job, Report
from runner.errors import ExitCode
from runner.keeper import engines, restarts
from runner.keeper.child import Child, hurry
from runner.keeper.notify import Notifier
from runner.keeper.pipes import Pipes
from runner.keeper.status import StatusLine

ENGINE_SILENT_S = 5.0  #: an engine without a beat for this long hangs, and is killed
DESK_SILENT_S = 20.0  #: the desk may compile a long song or wait for a slow disk
FIRST_SIGN_S = 60.0  #: a child that has only been started may have to wait for a very busy processor
END_S = 3.0  #: how long each step of ending a child may take
SILENCE_S = 2.0  #: from Ctrl-C until the engine is told directly, if the desk has not ended it
STOP_S = 15.0  #: from Ctrl-C to the end of the desk: machines stopped and the take closed
RELOAD_S = 20.0  #: a reload that is not answered by then is over for systemd
DEATHS_ALLOWED = restarts.ALLOWED
DEATHS_SPAN_S = restarts.SPAN_S
TURN_S = 0.25

Listener = Callable[[Report], None]


def new_run_name() -> str:
    """Return a name for a run that no other run has."""
    return uuid.uuid4().hex[:12]


class Keeper:
    """Runs one job with its two children; `listener` hears every report of the desk."""

    def __init__(self, job: Job, listener: Listener, notifier: Notifier | None = None) -> None:
        self._job = job
        self._listener = listener
        self._notifier = notifier or Notifier()
        self._status = StatusLine(self._notifier)
        self._pipes = Pipes.open()
        self._selector = selectors.DefaultSelector()
        self._engine: Child | None = None
        self._desk: Child | None = None
        self._spare: engines.Spare | None = None
        self._told: Child | None = None  #: an engine that was told to end
        self._last: Child | None = None  #: one that was started only to silence the rig
        self._restarts = {
            name: restarts.Restarts(DEATHS_ALLOWED, DEATHS_SPAN_S) for name in ("engine", "desk", "spare")
        }
        self._due: dict[str, float] = {}  #: when a child that died is to be started again
        self._heard = {"engine": time.monotonic(), "desk": time.monotonic()}
        self._turning: set[str] = set()  #: which loops have gone round at all
        self._ready = False
        self._line = b""
        self._exit: ExitCode | None = None
        self._stop_at: float | None = None
        self._silence_at: float | None = None
        self._reload_until: float | None = None
        self._signals: deque[int] = deque()

    @property
    def pids(self) -> tuple[int, int]:
        """Process ids of engine and desk, for tests and reports."""
        return (self._engine.pid if self._engine else 0, self._desk.pid if self._desk else 0)

    def run(self) -> ExitCode:
        """Run the job to its end and return its exit code."""
        wake_read, wake_write = os.pipe2(os.O_NONBLOCK)
        old_fd = signal.set_wakeup_fd(wake_write, warn_on_full_buffer=False)
        numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
        old = {number: signal.signal(number, self._on_signal) for number in numbers}
        try:
            for fd, name in (
                (wake_read, "signal"),
                (self._pipes.report[0], "report"),
                (self._pipes.beat[0], "beat"),
            ):
                os.set_blocking(fd, False)
                self._selector.register(fd, selectors.EVENT_READ, name)
            os.set_blocking(self._pipes.control[1], False)
            hurry()  # it sleeps nearly always; when the engine dies, seconds count
            self._start_engine()
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
            self._notifier.close()
        return self._exit

    # ------------------------------------------------------------------ one turn

    def _turn(self, wake_read: int) -> None:
        ready = {key.data for key, _ in self._selector.select(TURN_S)}
        if "engine" in ready:  # before all else: its notes hang
            self._on_engine_death()
        if "signal" in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(wake_read, 4096)
        while self._signals:
            self._on_signal_read(self._signals.popleft())
        if "beat" in ready:
            self._read_beats()
        if "report" in ready:
            self._read_reports()
        if self._exit is None and "desk" in ready:
            self._on_desk_death()
        if "spare" in ready:
            self._on_spare_death()
        if self._exit is None:
            self._watch()

    def _read_beats(self) -> None:
        with contextlib.suppress(BlockingIOError):
            beats = os.read(self._pipes.beat[0], 4096)
            if self._spare is not None and engines.STANDS_BY in beats:
                self._spare.ready = True
            if beats.strip(engines.STANDS_BY):
                self._alive("engine")
                self._turns("engine")

    def _alive(self, name: str) -> None:
        now = time.monotonic()
        self._heard[name] = now
        if self._restarts[name].lives(now):
            self._trouble("")

    def _turns(self, name: str) -> None:
        """The loop of a child goes round; when both do, the daemon takes orders."""
        self._turning.add(name)
        if not self._ready and len(self._turning) == 2:
            self._ready = True
            self._notifier.ready()

    def _on_signal(self, number: int, _frame: object) -> None:
        self._signals.append(number)

    def _on_signal_read(self, number: int) -> None:
        """First stop signal: stop in good order. A second one: the engine stops and silences at once.

        SIGHUP is a service's order to read its session anew; at a terminal it means that that is gone.
        """
        if number == signal.SIGHUP and not _at_terminal():
            self._reload()
        elif self._stop_at is None:
            now = time.monotonic()
            self._stop_at, self._silence_at = now + STOP_S, now + SILENCE_S
            self._notifier.stopping()
            # systemd's stop is a SIGINT too (KillSignal=), with no hand on Ctrl-C
            by_hand = number == signal.SIGINT and not self._notifier.asked
            self._order("stop", why="stopped by the user" if by_hand else "told to end")
        else:
            self._end_engine()

    def _order(self, what: str, **more: str) -> None:
        """Tell the desk something; there is always one, or there will be."""
        with contextlib.suppress(BlockingIOError):  # a full pipe: no desk has read for thousands of orders
            os.write(self._pipes.control[1], json.dumps({"do": what, **more}).encode() + b"\n")

    def _reload(self) -> None:
        if self._reload_until is None:
            self._notifier.reloading()
        self._reload_until = time.monotonic() + RELOAD_S
        self._order("reload")

    def _read_reports(self) -> None:
        try:
            data = os.read(self._pipes.report[0], 1 << 16)
        except BlockingIOError:
            return
        self._alive("desk")
        *lines, self._line = (self._line + data).split(b"\n")
        for line in lines:
            self._on_report(Report.from_line(line))

    def _on_report(self, report: Report) -> None:
        if report.kind == "progress":
            self._job = self._job.carried_on(report.data)
        elif report.kind in ("done", "error") and "exit" in report.data:
            self._exit = ExitCode(report.data["exit"])
        elif report.kind == "order" and str(report.data.get("order", "")) == "reload":
            self._end_reload()
        elif report.kind == "up":
            self._turns("desk")
        if report.kind not in ("beat", "progress", "up"):
            self._tell(report)

    def _tell(self, report: Report) -> None:
        self._status.take(report)
        self._listener(report)

    def _warn(self, text: str) -> None:
        self._tell(Report("warning", {"text": text}))

    def _end_reload(self) -> None:
        if self._reload_until is not None:
            self._reload_until = None
            self._notifier.ready()

    # ------------------------------------------------------------------ children

    def _start_engine(self, *words: str) -> None:
        self._engine_is(engines.start_engine(self._pipes, *words, urgent=bool(words)))

    def _engine_is(self, child: Child) -> None:
        self._engine = child
        child.started_s = self._heard["engine"] = time.monotonic()
        self._selector.register(child.exit_fd, selectors.EVENT_READ, "engine")

    def _rescue(self) -> None:
        """Have an engine silence the rig and take over: the spare, if there is one."""
        self._read_beats()
        spare = self._spare
        if spare is None or not spare.ready:
            # one that still starts is not waited for: nobody knows whether it will come up
            self._start_engine("--rescue")
            return
        self._spare = None
        self._selector.unregister(spare.child.exit_fd)
        self._engine_is(spare.promote())
        self._heard["engine"] += 0.001  # it has come up long ago: it has no longer than any other

    def _start_desk(self) -> None:
        arguments, fds = self._pipes.desk_arguments()
        self._desk = Child("runner.desk", [*arguments, "--job", self._job.to_json()], fds)
        self._desk.started_s = self._heard["desk"] = time.monotonic()
        self._selector.register(self._desk.exit_fd, selectors.EVENT_READ, "desk")

    def _on_engine_death(self) -> None:
        """An engine that died: the next one stops and silences what it left, before anything else."""
        assert self._engine is not None
        dead = self._engine
        if dead.code == 0:
            self._read_reports()  # the desk may have told it to quit, and us before
        over = dead is self._last or (dead.code == 0 and (dead is self._told or self._ending))
        wait_s = 0.0 if over else self._restarts["engine"].died(time.monotonic())
        looping = self._restarts["engine"].looping and not over
        self._engine = None
        self._selector.unregister(dead.exit_fd)
        if not over and not looping:
            self._rescue()
        self._read_reports()
        how = dead.how_it_ended()
        dead.close()
        if self._exit is not None or over:
            return
        self._warn(f"the engine process died ({how})")
        if looping:
            self._on_engine_loop(wait_s)

    def _end_engine(self) -> None:
        """Tell the engine to stop and silence the rig, and to go; nobody takes its place."""
        if self._engine is not None:
            self._told = self._engine
            engines.end_now(self._engine)

    @property
    def _ending(self) -> bool:
        """Whether the run is on its way to its end."""
        return self._exit is not None or self._stop_at is not None

    def _on_engine_loop(self, wait_s: float) -> None:
        """It dies again and again: the rig is silenced once more, and left alone."""
        self._start_engine("--rescue", "--only")
        self._last = self._engine
        if self._job.mode == "stay" and self._stop_at is None:
            self._wait_with("engine", wait_s)
            return
        self._give_up("the engine process dies again and again")
        self._order("stop", why="the engine process died again and again")

    def _on_desk_death(self) -> None:
        """A desk that died without a last word: the engine plays on, and a new desk goes on with the log."""
        assert self._desk is not None
        self._read_reports()
        if self._exit is not None:
            return
        how = self._desk.how_it_ended()
        self._selector.unregister(self._desk.exit_fd)
        self._desk.close()
        self._desk = None
        self._line = b""  # a line that it could not finish must not spoil the next desk's first
        self._warn(f"the desk process died ({how})")
        wait_s = self._restarts["desk"].died(time.monotonic())
        self._job = replace(self._job, resumed=True)
        if not self._restarts["desk"].looping:
            self._due["desk"] = time.monotonic() + wait_s
        elif self._job.mode == "stay" and self._stop_at is None:
            self._wait_with("desk", wait_s)
            self._end_engine()  # nobody is there to say what comes next: the rig is to stand
        else:
            self._give_up("the desk process dies again and again")
        self._start_due()

    def _on_spare_death(self) -> None:
        """A spare that died costs nothing but the next rescue's half second."""
        spare, self._spare = self._spare, None
        if spare is not None:
            self._selector.unregister(spare.child.exit_fd)
            spare.forget()
            self._due["spare"] = time.monotonic() + max(
                engines.CALM_S, self._restarts["spare"].died(time.monotonic())
            )

    def _wait_with(self, name: str, wait_s: float) -> None:
        self._due[name] = time.monotonic() + wait_s
        text = f"the {name} process dies again and again: the rig is silenced and stands"
        self._trouble(f"{text}; next attempt in {wait_s:.0f} s")
        self._warn(f"{text}; it is tried again in {wait_s:.0f} s")

    def _trouble(self, text: str) -> None:
        self._status.trouble = text
        self._order("trouble", text=text)

    def _start_due(self) -> None:
        """Start what is due to be started again, and a spare once all is calm."""
        if self._exit is not None:
            return
        now = time.monotonic()
        if self._desk is None and now >= self._due.get("desk", now):
            self._due.pop("desk", None)
            self._start_desk()
            if self._status.trouble:  # the dead one may have read it, and this one knows nothing
                self._order("trouble", text=self._status.trouble)
            self._try_again("desk")
            if self._stop_at is not None:
                self._order("stop", why="told to end")
        engine_due = self._due.get("engine")
        if self._engine is None and self._desk is not None and now >= (engine_due or now):
            self._due.pop("engine", None)
            if not self._ending:
                self._drain_link()
                self._rescue()
                self._try_again("engine")
        if (
            self._spare is None
            and not self._ending
            and "engine" not in self._due
            and now >= self._due.get("spare", 0.0)
            and self._calm(now)
        ):
            self._spare = engines.Spare(self._pipes)
            self._selector.register(self._spare.child.exit_fd, selectors.EVENT_READ, "spare")

    def _try_again(self, name: str) -> None:
        """Let the desk take orders again, now that what died again and again is tried once more."""
        if self._restarts[name].looping:
            self._order("trouble", text="")

    def _calm(self, now: float) -> bool:
        """Whether engine and desk have been up for a while: a start takes a processor for half a second."""
        pair = (self._engine, self._desk)
        return self._ready and all(c is not None and now - c.started_s > engines.CALM_S for c in pair)

    def _drain_link(self) -> None:
        """Throw away what the desk told an engine that was not there: it must not be obeyed minutes later."""
        with contextlib.suppress(OSError):
            while self._pipes.link_engine.recv(1 << 16, _DONTWAIT):
                pass

    def _give_up(self, why: str) -> None:
        self._exit = ExitCode.INTERNAL
        self._tell(Report("error", {"text": f"{why}: the run is given up", "exit": int(self._exit)}))

    def _watch(self) -> None:
        """Kill what hangs (its death is then handled like any other), see to deadlines, feed the watchdog."""
        now = time.monotonic()
        for name, child, silent_s in (
            ("engine", self._engine, ENGINE_SILENT_S),
            ("desk", self._desk, DESK_SILENT_S),
        ):
            if child is not None and child.started_s >= self._heard[name]:
                silent_s = max(silent_s, FIRST_SIGN_S)
            if child is not None and now - self._heard[name] > silent_s:
                self._warn(f"the {name} process gave no sign of life for {silent_s:.0f} s: it is killed")
                self._heard[name] = now
                child.signal(signal.SIGKILL)
        if self._silence_at is not None and now > self._silence_at:
            self._silence_at = None  # whatever the desk does: the machines stop now
            self._end_engine()
        if self._stop_at is not None and now > self._stop_at and self._exit is None:
            self._exit = ExitCode.INTERRUPTED
        if self._reload_until is not None and now > self._reload_until:
            self._end_reload()
        self._start_due()
        # both loops beat, or else were killed above; one that is down on purpose is told of in the status
        self._notifier.alive(now)

    def _wind_up(self) -> None:
        """End all children: the desk has told the engine to quit, or is not there to do so."""
        self._notifier.stopping()
        if self._spare is not None:
            self._selector.unregister(self._spare.child.exit_fd)
            self._spare.dismiss(END_S)
            self._spare = None
        if self._desk is None:
            self._end_engine()
        for child in (self._desk, self._engine):
            if child is not None:
                child.end(END_S)
                self._selector.unregister(child.exit_fd)
                child.close()


_DONTWAIT = 0x40  # MSG_DONTWAIT on Linux


def _at_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()
