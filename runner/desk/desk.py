"""The desk: reads the session, tells the engine what to play, keeps the record of each take.

One thread and one selector. It may die at any moment: the engine plays on, and the next desk of the
same run goes on with the take's log from where this one was.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import selectors
import socket
import time
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from runner.desk.job import Job, Report
from runner.desk.link import EngineLink
from runner.desk.prepare import Prepared, read_session, rig_of
from runner.desk.spool import RecordSpool
from runner.desk.taking import TakeKeeper, TakePlan
from runner.errors import ExitCode, TakeFormatError, TakesFolderError, TakewrightError
from runner.play.commands import Answer, Command, RollOrder
from runner.takes.format import Kind, Record
from runner.takes.lines import TakeHeader
from runner.takes.store import NewTake, Store

TICK_S = 0.1
REPORT_WAIT_S = 1.0


class Desk:
    """One desk process from start to exit; `run` returns the exit code of the whole run."""

    def __init__(self, job: Job, link: socket.socket, spool: RecordSpool, report_fd: int) -> None:
        self._job = job
        self._link = EngineLink(link)
        self._spool = spool
        self._report_fd = report_fd
        self._prepared: Prepared | None = None
        self._plan: TakePlan | None = None
        self._keeper: TakeKeeper | None = None
        self._songs: list[str] = []
        self._done = job.done
        self._clean = job.clean
        self._configured = False  #: whether the engine has the ports open
        self._rolling = False
        self._ordered: NewTake | None = None  #: a take that was ordered and has not begun
        self._roll_at_ns: int | None = None
        self._stopping = ""
        self._exit: ExitCode | None = None
        self._told_trouble = ""

    # ------------------------------------------------------------------ life

    def run(self, lifeline: int, control: int) -> ExitCode:
        """Serve until the job is done; 4 if the keeper is gone."""
        os.set_blocking(control, False)
        try:
            self._start()
        except TakewrightError as error:
            return self._fail(error)
        except OSError as error:
            return self._fail(TakesFolderError(f"takes folder: {error}"))
        with selectors.DefaultSelector() as selector:
            selector.register(self._spool.fd, selectors.EVENT_READ, "records")
            selector.register(self._link.fileno(), selectors.EVENT_READ, "link")
            selector.register(lifeline, selectors.EVENT_READ, "lifeline")
            selector.register(control, selectors.EVENT_READ, "control")
            while self._exit is None:
                ready = {key.data for key, _ in selector.select(TICK_S)}
                if "lifeline" in ready:
                    return self._abandoned()
                if "control" in ready and not self._read_control(control):
                    selector.unregister(control)
                self._turn()
        self._tell("done", {"exit": int(self._exit), "takes": self._done, "clean": self._clean})
        self._link.command(Command.QUIT)
        return self._exit

    def _turn(self) -> None:
        """One turn of the loop: answers, records, what is due."""
        self._link.push()
        for answer, data in self._link.answers():
            self._on_answer(answer, data)
        records = self._spool.read()
        while records:
            self._on_records(records)
            self._spool.used()
            records = self._spool.read()
        if self._keeper is not None:
            self._keeper.tick()
            self._tell_trouble()
            self._collect()
        if self._roll_at_ns is not None and time.monotonic_ns() >= self._roll_at_ns:
            self._roll_at_ns = None
            self._prepare_roll()
        self._tell("beat", {})

    def _start(self) -> None:
        job = self._job
        self._prepared = prepared = read_session(job.session_file)
        session = prepared.session
        self._songs = [job.song] if job.song else [item.song for item in session.running_order]
        folder = job.takes_folder or str(prepared.file.parent / session.takes.folder)
        store = Store(folder)
        self._keeper = TakeKeeper(store)
        if job.resumed:
            self._resume()
            return
        trouble = store.check_writable()
        if trouble:
            raise TakesFolderError(trouble)
        for recovered in store.recover_all(job.run):
            text = f"recovered a take that was left open: {recovered.folder}"
            self._tell("warning", {"text": text + (f" ({recovered.error})" if recovered.error else "")})
        self._set_plan(self._songs[0])
        for notice in prepared.loaded.notices:
            self._tell("warning", {"text": str(notice)})
        self._configure()

    def _configure(self) -> None:
        assert self._prepared is not None
        self._link.command(Command.CONFIGURE, rig_of(self._prepared.session).to_dict())

    def _resume(self) -> None:
        """Go on where a dead desk was: with its open take, or with the next roll."""
        assert self._keeper is not None
        self._count_closed()
        header = self._keeper.resume(self._plan_of, self._job.run)
        self._set_plan(header.song if header is not None else self._song_of(self._done))
        self._rolling = self._keeper.open
        if self._keeper.ended:  # all was written down; only the closing is left to do
            self._rolling = False
            self._keeper.end()
        self._on_records(self._spool.left_over())
        self._spool.used()
        self._tell("warning", {"text": "the desk process died and was started again; nothing is lost"})
        if self._rolling or self._keeper.closing:
            self._configured = True
        elif self._done >= self._wanted:
            self._exit = self._code_of_all()
        else:
            self._configure()  # what the dead desk had told the engine is not known; its answer tells

    def _count_closed(self) -> None:
        """Count the takes that were closed, also one that the dead desk could not report any more."""
        assert self._keeper is not None
        closed, clean = self._keeper.closed_takes(self._job.run, self._wanted)
        if closed > self._done:
            self._done, self._clean = closed, clean
            self._tell("progress", {"done": self._done, "clean": self._clean})

    @property
    def _wanted(self) -> int:
        return len(self._songs) * self._job.takes

    def _code_of_all(self) -> ExitCode:
        return ExitCode.OK if self._clean == self._done else ExitCode.NOT_CLEAN

    def _plan_of(self, header: TakeHeader) -> TakePlan:
        self._set_plan(header.song)
        assert self._plan is not None
        return self._plan

    def _song_of(self, take: int) -> str:
        return self._songs[min(take // max(1, self._job.takes), len(self._songs) - 1)]

    def _set_plan(self, song: str) -> None:
        if self._plan is not None and self._plan.song == song:
            return
        assert self._prepared is not None
        compiled = self._prepared.compile(song, self._job.from_moment)
        for problem in compiled.problems:
            self._tell("warning", {"text": str(problem)})
        pass_name = self._job.pass_name or self._prepared.session.takes.pass_
        self._plan = TakePlan(self._prepared, song, pass_name, compiled, self._job.run)

    def _fail(self, error: TakewrightError) -> ExitCode:
        self._tell("error", {"text": str(error), "exit": int(error.exit_code)})
        self._link.command(Command.QUIT)
        return error.exit_code

    def _abandoned(self) -> ExitCode:
        """The keeper is gone: the engine stops and silences by itself; write down its last records."""
        deadline = time.monotonic() + 2.0
        while time.monotonic() < deadline and self._rolling:
            self._on_records(self._spool.read())
            self._spool.used()
            time.sleep(0.01)
        if self._keeper is not None:
            self._keeper.end("the keeper process is gone", "failed")
            while self._keeper.closing and time.monotonic() < deadline + 8.0:
                time.sleep(0.02)
                with contextlib.suppress(OSError, TakeFormatError):
                    self._keeper.collect()
        return ExitCode.INTERNAL

    # ------------------------------------------------------------------ the keeper

    def _tell(self, kind: str, data: Mapping[str, Any]) -> None:
        """Report to the keeper. One that does not read loses what is told all the time, not the take."""
        block = Report(kind, dict(data)).to_line()
        deadline = time.monotonic() + (0.0 if kind in ("beat", "position") else REPORT_WAIT_S)
        while block:
            try:
                block = block[os.write(self._report_fd, block) :]
            except BlockingIOError:
                if time.monotonic() >= deadline:
                    return
                time.sleep(0.005)
            except BrokenPipeError:
                return

    def _tell_trouble(self) -> None:
        assert self._keeper is not None
        trouble = self._keeper.log_trouble
        if trouble and trouble != self._told_trouble:
            self._tell("warning", {"text": f"the take's log has stopped, the music goes on: {trouble}"})
        self._told_trouble = trouble

    def _read_control(self, fd: int) -> bool:
        """Read orders of the keeper; False when it has closed its end."""
        try:
            data = os.read(fd, 65_536)
        except BlockingIOError:
            return True
        for line in data.splitlines():
            order = json.loads(line)
            if order.get("do") == "stop":
                self._stop(order.get("why", "stopped by the user"))
        return bool(data)

    def _stop(self, why: str) -> None:
        self._stopping = why
        self._roll_at_ns = None
        if self._rolling:
            self._link.command(Command.STOP, {"why": why})
        elif self._keeper is None or not self._keeper.closing:
            self._exit = ExitCode.INTERRUPTED

    # ------------------------------------------------------------------ the engine

    def _on_answer(self, answer: int, data: Mapping[str, Any]) -> None:
        if answer == Answer.READY:
            self._on_ready(data)
        elif answer == Answer.LOADED and not self._rolling:
            self._order_roll()
        elif answer == Answer.FAULT:
            text = str(data.get("text", "the engine reported a fault"))
            if data.get("kind") == "rescue":
                self._configured = False
            if self._rolling:
                self._tell("warning", {"text": text})
            else:
                code = ExitCode(data.get("exit", int(ExitCode.NOT_CLEAN)))
                self._tell("error", {"text": text, "exit": int(code)})
                self._exit = code

    def _on_ready(self, data: Mapping[str, Any]) -> None:
        for text in data.get("warnings", ()):
            self._tell("warning", {"text": text})
        if data.get("rescued"):
            self._tell("warning", {"text": "the engine process died; the rig was stopped and silenced"})
            self._link.forget()
            self._configured = bool(data.get("configured"))
            self._roll_after_rescue()
            return
        self._configured = True
        self._tell("ready", {"ports": data.get("ports", []), "realtime": data.get("realtime")})
        if not data.get("moving"):  # if it moves, the record of the take's begin is on its way
            self._roll()

    def _roll_after_rescue(self) -> None:
        """Tell the new engine again what the dead one may have heard and not done."""
        assert self._keeper is not None
        if self._stopping or self._rolling or self._keeper.closing:
            return  # the take ends first, and leads on to the next
        if self._roll_at_ns is None:
            self._roll_at_ns = time.monotonic_ns()

    def _prepare_roll(self) -> None:
        """Roll, by way of opening the ports if the engine has not got them."""
        if self._configured:
            self._roll()
        else:
            self._configure()

    def _roll(self) -> None:
        """Bring the next take's song into the engine; the answer to it gives the order to roll."""
        if self._stopping or self._rolling:
            return
        song = self._song_of(self._done)
        try:
            self._set_plan(song)
        except TakewrightError as error:
            self._tell("error", {"text": str(error), "exit": int(error.exit_code)})
            self._exit = error.exit_code
            return
        assert self._plan is not None
        self._link.command(Command.COURSE, self._plan.compiled.course.pack())

    def _order_roll(self) -> None:
        assert self._keeper is not None
        assert self._plan is not None
        if self._stopping:
            return
        try:
            new = self._ordered or self._keeper.create(self._plan)
        except OSError as error:
            self._tell("error", {"text": f"no take could be made: {error}", "exit": 1})
            self._exit = ExitCode.NOT_CLEAN
            return
        self._rolling = True
        self._ordered = new
        self._roll_at_ns = None
        self._link.command(Command.ROLL, RollOrder(new.key, self._plan.song).to_dict())
        data = {"song": self._plan.song, "number": new.number, "pass": self._plan.pass_name}
        self._tell("rolling", {**data, "folder": str(new.folder)})

    # ------------------------------------------------------------------ records

    def _on_records(self, records: list[Record]) -> None:
        """Sort records into takes; several takes may lie in one read."""
        assert self._keeper is not None
        waiting: list[Record] = []
        for record in records:
            if record.kind == Kind.BEAT:
                self._on_beat(record)
                waiting.append(record)  # it is not kept, but its number must not look lost
            elif record.kind == Kind.TAKE_BEGIN and self._plan is not None:
                self._keeper.feed(waiting)
                waiting = []
                self._keeper.begin(self._plan, record)
                self._rolling = True
                self._ordered = None
                self._roll_at_ns = None
            else:
                waiting.append(record)
                if record.kind == Kind.TAKE_END and self._rolling:
                    self._keeper.feed(waiting)
                    waiting = []
                    self._on_end(record)
        self._keeper.feed(waiting)

    def _on_beat(self, record: Record) -> None:
        if not self._rolling or self._plan is None:
            return
        data: dict[str, Any] = {"song": self._plan.song, "state": record.json().get("state", "")}
        if math.isfinite(record.quarters):
            song_time = self._plan.compiled.time
            quarters = Fraction(record.quarters).limit_denominator(24)
            left = song_time.tempo.ns_at(song_time.end_quarters) - song_time.tempo.ns_at(quarters)
            section = song_time.section_at(quarters)
            data.update(at=song_time.at_text(quarters), left_s=max(0, left) / 1e9, section=section or "")
        self._tell("position", data)

    def _on_end(self, record: Record) -> None:
        assert self._keeper is not None
        self._rolling = False
        end = record.json()
        if self._keeper.open:
            self._keeper.end(end.get("why", ""), end.get("outcome", ""))
        elif self._ordered is not None and not self._stopping:
            # the engine died with the order in its hands: nothing has sounded, the same take rolls again
            self._roll_at_ns = time.monotonic_ns()
        else:
            self._tell("warning", {"text": f"this take has no log: {self._keeper.problem}"})
            self._after_take("failed")

    def _collect(self) -> None:
        assert self._keeper is not None
        try:
            closed = self._keeper.collect()
        except (OSError, TakeFormatError) as error:
            self._tell("warning", {"text": f"the take could not be closed, the next start will: {error}"})
            self._after_take("failed")
            return
        if closed is None:
            return
        folder, summary = closed
        keys = ("song", "pass", "number", "verdict", "clock", "findings")
        self._tell("take", {"folder": str(folder), **{key: summary.get(key) for key in keys}})
        self._after_take(str(summary.get("verdict")))

    def _after_take(self, verdict: str) -> None:
        self._done += 1
        self._clean += verdict == "clean"
        self._tell("progress", {"done": self._done, "clean": self._clean})
        if self._stopping:
            self._exit = ExitCode.INTERRUPTED
        elif self._done >= self._wanted:
            self._exit = self._code_of_all()
        else:
            self._roll_at_ns = time.monotonic_ns() + self._job.gap_ns
