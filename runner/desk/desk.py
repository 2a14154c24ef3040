"""The desk process: one thread and one selector around the director, the control socket and the clock.

It may die at any moment: the engine plays on, and the next desk of the same run goes on with the take's log
from where this one was.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import socket
import time
from pathlib import Path

from runner.cores import keep_off
from runner.desk.accepted import Accepted, AcceptedFile
from runner.desk.actions import read_order
from runner.desk.chores import Chores
from runner.desk.console import Console
from runner.desk.director import Director
from runner.desk.housekeeping import remove_beginnings
from runner.desk.job import Job
from runner.desk.link import EngineLink
from runner.desk.prepare import Prepared, prepare, read_session
from runner.desk.recording import Recording
from runner.desk.reporter import Reporter
from runner.desk.run_state import utc_text
from runner.desk.server import ControlServer
from runner.desk.spare import spare_folders
from runner.desk.spool import RecordSpool
from runner.desk.taking import TakeKeeper
from runner.errors import ExitCode, TakeFormatError, TakesFolderError, TakewrightError
from runner.play.commands import Answer, Command
from runner.session.load import load_session
from runner.takes.format import KEEPER_GONE
from runner.takes.reader import EVENTS_FILE
from runner.takes.store import Store

TICK_S = 0.1
IDLE_TICK_S = 0.5  #: while it waits for an order; whatever comes in wakes it at once
BEAT_NS = 400_000_000  #: how often the keeper is told that the desk is alive


class Desk:
    """One desk process from start to exit; `run` returns the exit code of the whole run."""

    def __init__(
        self, job: Job, link: socket.socket, spool: RecordSpool, accepted: AcceptedFile, report_fd: int
    ) -> None:
        self._job = job
        self._accepted = accepted
        self._link = EngineLink(link)
        self._spool = spool
        self._tell = Reporter(report_fd)
        self._cores = os.sched_getaffinity(0)
        self._beat_at_ns = 0

    # ------------------------------------------------------------------ life

    def run(self, lifeline: int, control: int) -> ExitCode:
        """Serve until the job is done; 4 if the keeper is gone."""
        os.set_blocking(control, False)
        try:
            director = self._start()
            console = self._open_console(director)
            chores = Chores(director, director.recording.keeper.store.folder, state=self._job.schedule)
        except TakewrightError as error:
            return self._fail(error)
        except OSError as error:
            return self._fail(TakesFolderError(f"takes folder: {error}"))
        with selectors.DefaultSelector() as selector:
            selector.register(self._spool.fd, selectors.EVENT_READ, "records")
            selector.register(self._link.fileno(), selectors.EVENT_READ, "link")
            selector.register(lifeline, selectors.EVENT_READ, "lifeline")
            selector.register(control, selectors.EVENT_READ, "control")
            console.register(selector)
            self._tell("up")
            while director.exit is None:
                now_ns = time.monotonic_ns()
                tick_s = IDLE_TICK_S if director.idle else TICK_S
                wait_s = console.wait_s(now_ns, director.recorders.wait_s(now_ns, tick_s))
                ready = {key.data for key, _ in selector.select(wait_s)}
                if "lifeline" in ready:
                    return self._abandoned(director)
                if "control" in ready and not self._read_control(director, control):
                    selector.unregister(control)
                self._turn(director, console)
                chores.turn(time.monotonic_ns())
        console.close()
        show = director.show
        self._tell("done", {"exit": int(director.exit), "takes": show.done, "clean": show.clean})
        self._link.command(Command.QUIT)
        return director.exit

    def _turn(self, director: Director, console: Console) -> None:
        """One turn of the loop: answers, records, what is due."""
        self._link.push()
        for answer, data in self._link.answers():
            if answer == Answer.READY and data.get("core") is not None:
                keep_off(int(data["core"]), self._cores)
            director.calling.on_answer(answer, data)
        records = self._spool.read()
        while records:
            director.on_records(records)
            self._spool.used(director.recording.keeper.safe)
            records = self._spool.read()
        now_ns = time.monotonic_ns()
        director.tick(now_ns)
        if director.exit is None:
            console.turn(director.status, director.sign, director.recording.rolling, now_ns)
        if now_ns >= self._beat_at_ns:
            self._beat_at_ns = now_ns + BEAT_NS
            self._tell("beat")

    def _start(self) -> Director:
        """Read the session and take up the job; raises what makes it impossible."""
        job = self._job
        prepared, folder = self._session_in_force()
        store = Store(folder)
        spares = [Store(folder) for folder in spare_folders(os.environ, store.folder)]
        recording = Recording(TakeKeeper(store, spares))
        director = Director.of_job(job, prepared, self._link, recording, self._tell)
        director.accepted = lambda changed: self._accept(changed, folder)
        if job.resumed:
            director.resume(self._spool.left_over())
            self._spool.used(recording.keeper.safe)
            return director
        closed = store.why_closed() or ""
        short = "" if closed else store.why_short() or ""
        trouble = closed or short
        if trouble and job.mode != "stay":
            raise TakesFolderError(trouble)
        if trouble:  # on stage the music comes first, and the disk may be plugged in later
            self._tell.warn(trouble)
        director.board.alarms.see_folder(utc_text(), closed, short=short)
        for each in (store, *spares):
            remove_beginnings(each.folder)
            for recovered in each.recover_all(job.run):
                if recovered.summary is None and not (recovered.folder / EVENTS_FILE).exists():
                    continue  # it was made and never began; it goes away with time
                text = f"recovered a take that was left open: {recovered.folder}"
                self._tell.warn(text + (f" ({recovered.error})" if recovered.error else ""))
        director.start()
        return director

    def _session_in_force(self) -> tuple[Prepared, str]:
        """Return the session and the takes folder: as the dead desk had accepted them, if there was one."""
        path = Path(self._job.session_file)
        held = self._accepted.read() if self._job.resumed else None
        if held is not None:
            return prepare(path, load_session(held.text, str(path)), held.parts), held.takes_folder
        prepared = read_session(path, hold=True)
        folder = self._job.takes_folder or str(path.parent / prepared.session.takes.folder)
        self._accept(prepared, folder)
        return prepared, folder

    def _accept(self, prepared: Prepared, takes_folder: str) -> None:
        """Keep a session for the next desk, should this one die, and say what it is called."""
        self._tell("session", {"session": prepared.session.session})
        self._accepted.write(Accepted(prepared.loaded.text, takes_folder, prepared.held))

    def _open_console(self, director: Director) -> Console:
        """Open the control socket, and connect pedals and lamps; raises if a live daemon has the socket."""
        session = director.prepared.session
        server = self._open_socket(session.session)

        def send(rows: list[list[object]]) -> None:
            self._link.command(Command.SEND, {"messages": rows})

        console = Console(session, director.obey, send, self._tell.warn, server)
        director.heard = lambda heard: console.hear(heard, time.monotonic_ns())
        director.presence = lambda event: console.presence(event, time.monotonic_ns())
        director.silent = lambda port, silent: console.silent(port, silent, time.monotonic_ns())
        director.calling.new_rig = lambda: console.rig_is_new(time.monotonic_ns())
        director.new_session = console.take_session
        return console

    def _open_socket(self, session: str) -> ControlServer | None:
        """Return the control socket; a run that ends by itself does without one that another run has."""
        if not self._job.socket:
            return None
        try:
            return ControlServer(self._job.socket, self._job.socket_group, session)
        except TakewrightError as error:
            if self._job.mode == "stay":
                raise
            self._tell.warn(f"no control socket for this run: {error}")
            return None

    def _fail(self, error: TakewrightError) -> ExitCode:
        self._tell("error", {"text": str(error), "exit": int(error.exit_code)})
        self._link.command(Command.QUIT)
        return error.exit_code

    def _abandoned(self, director: Director) -> ExitCode:
        """The keeper is gone: the engine stops and silences by itself; write down its last records."""
        deadline = time.monotonic() + 2.0
        keeper = director.recording.keeper
        while time.monotonic() < deadline and director.recording.rolling:
            director.on_records(self._spool.read())
            self._spool.used()
            time.sleep(0.01)
        keeper.end(KEEPER_GONE, "failed")
        while keeper.closing and time.monotonic() < deadline + 8.0:
            time.sleep(0.02)
            with contextlib.suppress(OSError, TakeFormatError):
                keeper.collect()
        return ExitCode.INTERNAL

    # ------------------------------------------------------------------ the keeper

    def _read_control(self, director: Director, fd: int) -> bool:
        """Read orders of the keeper; False when it has closed its end."""
        try:
            data = os.read(fd, 65_536)
        except BlockingIOError:
            return True
        for line in data.splitlines():
            order = json.loads(line)
            if order.get("do") == "stop":
                director.stop(str(order.get("why", "stopped by the user")))
            elif order.get("do") == "trouble":
                director.halt(str(order.get("text", "")))
            else:
                with contextlib.suppress(ValueError):
                    director.obey(read_order(str(order.get("do")), "the keeper"), time.monotonic_ns())
        return bool(data)
