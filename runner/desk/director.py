"""The director: carries out what the show decides, with the engine on one side and the takes on the other."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Protocol

from runner.desk.actions import Order, Outcome
from runner.desk.board import Board
from runner.desk.job import Job
from runner.desk.preflight import preflight_quick
from runner.desk.prepare import Prepared, read_session, rig_of
from runner.desk.recorders import Recorders
from runner.desk.recording import Beat, Begun, Ended, Happening, Heard, Presence, Recording, SentOut
from runner.desk.roll import Roll, compile_roll, unloaded
from runner.desk.series import Series
from runner.desk.show import Directive, Do, Mode, Phase, Place, Show, places_of
from runner.desk.status import Status
from runner.errors import ExitCode, TakeFormatError, TakewrightError
from runner.plan.compile import opening_messages
from runner.plan.rehearsal import Rehearsal
from runner.plan.timeline import NO_MACHINE
from runner.play.commands import Answer, Command, RollOrder
from runner.session.model import OrderItem, Session
from runner.takes.format import Record
from runner.takes.names import take_number
from runner.takes.rating import Mark, add_mark, rate
from runner.takes.store import NewTake

QUIET_NS = 2_000_000_000  #: after a song: what still rings is not cut by the next song's programs
RETRY_NS = 2_000_000_000  #: how often the engine is asked again to open a rig that was not there


@dataclass(slots=True)
class Director:
    """One run of a session, from the desk's side. `exit` is set when there is nothing left to do."""

    job: Job
    link: Link
    recording: Recording
    tell: Tell
    prepared: Prepared
    show: Show
    board: Board
    rehearsal: Rehearsal
    heard: Callable[[Heard], None] = lambda _heard: None  #: what comes in, for whoever maps controls
    presence: Callable[[Presence], None] = lambda _event: None
    new_rig: Callable[[], None] = lambda: None  #: called when an engine has opened the ports
    new_session: Callable[[Session], None] = lambda _session: None
    recorders: Recorders = field(init=False)
    now_ns: Callable[[], int] = time.monotonic_ns
    exit: ExitCode | None = None
    stopping: str = ""
    _configured: bool = False
    _roll: Roll | None = None  #: what rolls, or rolled last
    _call: _Call | None = None
    _ready: dict[tuple[str, ...], Roll] = field(default_factory=dict)
    _prepare_at_ns: int | None = None
    _retry_at_ns: int | None = None
    _last_end_ns: int = 0
    _told_trouble: str = ""
    _rating: str = ""

    def __post_init__(self) -> None:
        self.recorders = Recorders(
            self.prepared.session,
            lambda rows: self.link.command(Command.SEND, {"messages": rows}),
            lambda each: self.link.command(Command.NOTE, {"t_ns": each.t_ns, "data": each.to_dict()}),
            self.tell.warn,
        )
        self.recorders.roll_now = self._order_roll
        self.recorders.refuse = lambda text: self._cannot_roll(text, ExitCode.NOT_CLEAN)
        self.recorders.stop_take = lambda why: self.link.command(Command.STOP, {"why": why})

    @classmethod
    def of_job(
        cls,
        job: Job,
        prepared: Prepared,
        link: Link,
        recording: Recording,
        tell: Tell,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> Director:
        """Return the director of a job, at the place where the job says."""
        session = prepared.session
        show = Show(
            places=places_of_job(job, prepared),
            songs=tuple(song.song for song in session.songs),
            mode=Mode(job.mode),
            gap_ns=job.gap_ns,
            machines=tuple(session.machines),
            follows=session.clock.source != "internal",
            at=job.place,
            done=job.done,
            clean=job.clean,
            series=Series.from_dict(job.series),
        )
        rehearsal = Rehearsal.from_dict(job.rehearsal)
        return cls(job, link, recording, tell, prepared, show, Board(session), rehearsal, now_ns=now_ns)

    # ------------------------------------------------------------------ life

    def start(self) -> None:
        """Compile the first roll, so that what is wrong is said before anything moves, and open the rig.

        Raises:
            TakewrightError: the first song cannot be played.
        """
        self._compile(tuple(place.song for place in self.show.chain))
        for notice in self.prepared.loaded.notices:
            self.tell.warn(str(notice))
        self.configure()

    def resume(self, left_over: Sequence[Record]) -> None:
        """Go on where a dead desk was: with its open take, or with the next roll."""
        keeper = self.recording.keeper
        closed, clean = keeper.closed_takes(self.job.run, self.show.done + 20)
        if closed > self.show.done:  # closed, and the dead desk could not say so any more
            if self.show.series is not None:
                self.show.series = self.show.series.begun()
            elif self.show.mode is not Mode.STAY:
                self.show.at += closed - self.show.done
            self.show.done, self.show.clean = closed, clean
        header = keeper.resume(self.job.run)
        self._roll = self._compile_or_none()  # a take that was ordered may be about to begin
        if header is not None:
            self.show.begun()
            self.board.begin_take(header.number)
        self.recording.rolling = keeper.open
        if keeper.ended:  # all was written down; only the closing is left to do
            self.recording.rolling = False
            self.show.ended("complete")
            keeper.end()
        self.on_records(left_over)
        self.tell.warn("the desk process died and was started again; nothing is lost")
        if self.recording.rolling or keeper.closing:
            self._configured = True
        elif self.show.mode is not Mode.STAY and self.show.at >= len(self.show.places):
            self.exit = self._code_of_all()
        else:
            self.configure()  # what the dead desk had told the engine is not known; its answer tells

    def tick(self, now_ns: int) -> None:
        """Do what is due by the time, and take up takes that are closed."""
        self.recording.keeper.tick()
        self._tell_log_trouble()
        self._collect(now_ns)
        if self._retry_at_ns is not None and now_ns >= self._retry_at_ns:
            self._retry_at_ns = None
            self.configure()
        if self._prepare_at_ns is not None and now_ns >= self._prepare_at_ns:
            self._prepare_at_ns = None
            self._send_opening()
        self.recorders.tick(now_ns)
        if not self.stopping and self._configured:
            self._carry_out(self.show.tick(now_ns))

    def stop(self, why: str) -> None:
        """End the run: stop what rolls, close its take, then exit."""
        self.stopping = why
        self.recorders.abort(self.now_ns())
        self._call = None if self._call is not None and self._call.take is None else self._call
        if self.recording.rolling or self._call is not None:
            self.link.command(Command.STOP, {"why": why})
        elif not self.recording.keeper.closing:
            self._leave_now()

    def _leave_now(self) -> None:
        by_service = self.show.mode is Mode.STAY and self.stopping != "stopped by the user"
        self.exit = ExitCode.OK if by_service else ExitCode.INTERRUPTED

    def _code_of_all(self) -> ExitCode:
        if self.show.mode is Mode.STAY:
            return ExitCode.OK
        return ExitCode.OK if self.show.clean == self.show.done else ExitCode.NOT_CLEAN

    # ------------------------------------------------------------------ orders

    def obey(self, order: Order, now_ns: int) -> Outcome:
        """Carry out an order, or refuse it; either is told."""
        outcome, directives = self.show.order(order, now_ns)
        for directive in directives if outcome.done else ():
            said = self._do(directive, now_ns)
            outcome = said if said is not None else outcome
        self._progress()
        data = {"order": str(order), "from": order.origin, "done": outcome.done, "text": outcome.text}
        self.tell("order", data)
        return outcome

    def begin_series(
        self, song: str, takes: int, gap_ns: int, limit_ns: int | None, origin: str, now_ns: int
    ) -> Outcome:
        """Roll takes of a song by themselves, none begun after `limit_ns`; or refuse it. Either is told."""
        trouble = "" if self._configured else "the rig is not open yet"
        trouble = trouble or self.board.trouble or self.stopping
        outcome, directives = Outcome(False, f"{song}: {trouble}"), list[Directive]()
        if not trouble:
            until_ns = None if limit_ns is None else now_ns + limit_ns
            outcome, directives = self.show.begin_series(song, takes, gap_ns, until_ns)
        for directive in directives:
            outcome = self._do(directive, now_ns) or outcome
        self._progress()
        data = {"order": f"roll {song}", "from": origin, "done": outcome.done, "text": outcome.text}
        self.tell("order", data)
        return outcome

    def _carry_out(self, directives: Sequence[Directive]) -> None:
        for directive in directives:
            outcome = self._do(directive, self.now_ns())
            if outcome is not None and not outcome.done:
                self.tell.warn(outcome.text)
        if directives:
            self._progress()

    def _do(self, directive: Directive, now_ns: int) -> Outcome | None:
        """Carry out one directive; an outcome is returned where only the doing shows it."""
        value = directive.value
        if directive.do is Do.ROLL:
            return self._begin_call()
        if directive.do is Do.STOP:
            self._stop_take(value)
        elif directive.do is Do.PANIC:
            self.link.command(Command.PANIC, {"why": value})
        elif directive.do is Do.GO:
            self.link.command(Command.GO, {})
        elif directive.do in (Do.MUTE, Do.UNMUTE, Do.SOLO):
            self._mute(directive.do, value)
        elif directive.do is Do.PREPARE:
            self._prepare_at_ns = max(now_ns, self._last_end_ns + QUIET_NS if self._last_end_ns else 0)
            self.tell("standing", {"song": str(self.show.up), "for": self.show.waiting_for})
        elif directive.do in (Do.MARK, Do.RATE):
            return self._rate(directive, now_ns)
        elif directive.do is Do.CHECK:
            return self.check()
        elif directive.do is Do.RELOAD:
            return self._reload()
        elif directive.do is Do.LEAVE:
            self._leave(value)
        return None

    def _leave(self, why: str) -> None:
        if why == "quit":
            self.stop("told to quit")
        else:
            self.exit = self.exit or self._code_of_all()

    def _stop_take(self, why: str) -> None:
        if self._call is not None and self._call.take is None:
            self._call = None  # nothing was rolled yet: what was called is forgotten
            self.recorders.abort(self.now_ns())
            self.show.refused("roll")
        else:
            self.link.command(Command.STOP, {"why": why})

    def _mute(self, do: Do, name: str) -> None:
        machines = list(self.prepared.session.machines)
        if do is Do.SOLO:
            with_parts = {part.machine for song in self.prepared.session.songs for part in song.parts}
            self.board.muted = with_parts - {name}
        elif do is Do.MUTE:
            self.board.muted.add(name)
        else:
            self.board.muted.discard(name)
        for index, machine in enumerate(machines):
            if do is Do.SOLO or machine == name:
                self._send_mute(index, machine in self.board.muted)

    def _send_mute(self, index: int, muted: bool) -> None:
        self.link.command(Command.MUTE, {"machine": index, "muted": muted})

    def _rate(self, directive: Directive, now_ns: int) -> Outcome:
        folder = self.recording.keeper.folder
        if folder is None:
            return Outcome(False, "there is no take yet to be rated")
        name = f"{folder.parent.parent.name}, {folder.parent.name}, take {take_number(folder.name)}"
        try:
            if directive.do is Do.RATE:
                rate(folder, directive.value)
                return Outcome(True, f"{name}: {directive.value}")
            at = (
                str(self.board.position(self._roll, self.recording.keeper.text).get("at", ""))
                if self._roll
                else ""
            )
            add_mark(folder, Mark(now_ns - self.recording.keeper.anchor_ns, at, directive.value))
        except (OSError, TakewrightError) as error:
            return Outcome(False, f"{name}: {error}")
        return Outcome(True, f"marked at {at or 'the beginning'}")

    def _where(self) -> str:
        if self._roll is None:
            return ""
        return str(self.board.position(self._roll, self.recording.keeper.text).get("at", ""))

    def check(self) -> Outcome:
        """Say whether the rig is ready for a take, and what is to be said of it besides."""
        ready, texts = preflight_quick(self.status(), self.recording.keeper.store)
        return Outcome(ready, "; ".join(["the rig is ready", *texts] if ready else texts))

    def _reload(self) -> Outcome:
        """Read the session anew and swap it; a bad one is refused, and the old one kept."""
        try:
            prepared = read_session(self.job.session_file)
            show = self.show.with_session(
                places_of_job(self.job, prepared),
                tuple(song.song for song in prepared.session.songs),
                tuple(prepared.session.machines),
            )
            for name in sorted({place.song for place in show.places}):
                compile_roll(prepared, (name,), unloaded(self.rehearsal), pass_name="", run=self.job.run)
        except TakewrightError as error:
            return Outcome(False, f"the session file was read again and is not taken: {error}")
        self.prepared, self.show = prepared, show
        self.board.session = prepared.session
        self.new_session(prepared.session)
        self.recorders.take_session(prepared.session)
        self._ready = {}
        self.configure()
        return Outcome(True, "the session file was read again")

    # ------------------------------------------------------------------ records

    def on_records(self, records: Sequence[Record]) -> None:
        """Write records down, and act on what they say."""
        for happened in self.recording.take(records, self._call.roll if self._call else self._roll):
            self._on_happening(happened)

    def _on_happening(self, event: Happening) -> None:
        if isinstance(event, Begun):
            number = int(event.key.rpartition("-")[2] or 0)
            self.board.begin_take(number)
            self.show.begun()
            self._call = None
            self.recorders.begun(self.now_ns())
            self._progress()
        elif isinstance(event, Ended):
            self._on_end(event)
        elif isinstance(event, SentOut):
            self.recorders.sent(event.port, event.data, event.t_ns)
        elif isinstance(event, Heard):
            self.recorders.heard(event.port, event.data, event.t_ns)
            self.heard(event)
        else:
            self.board.see(event, _utc())
            if isinstance(event, Presence):
                self.presence(event)
                self._see_missing()
            if isinstance(event, Beat) and self.recording.rolling and self._roll is not None:
                self.tell("position", self.board.position(self._roll, self.recording.keeper.text))

    def _on_end(self, event: Ended) -> None:
        self._last_end_ns = self.now_ns()
        self.recorders.ended(self.recording.keeper.folder if event.logged else None, self._last_end_ns)
        self.board.state = "ready"
        if event.logged:
            self.show.ended(event.outcome)
        else:
            self.tell.warn(f"this take has no log: {self.recording.keeper.problem}")
            self.show.ended(event.outcome)
            self._after_take("failed", self.now_ns())

    def _collect(self, now_ns: int) -> None:
        try:
            closed = self.recording.keeper.collect()
        except (OSError, TakeFormatError) as error:
            self.tell.warn(f"the take could not be closed, the next start will: {error}")
            self._after_take("failed", now_ns)
            return
        if closed is None:
            return
        folder, summary = closed
        self.board.add_take(summary, str(folder))
        keys = ("song", "pass", "number", "verdict", "clock", "findings")
        self.tell("take", {"folder": str(folder), **{key: summary.get(key) for key in keys}})
        self._after_take(str(summary.get("verdict")), now_ns)

    def _after_take(self, verdict: str, now_ns: int) -> None:
        directives = self.show.closed(verdict, now_ns)
        self._progress()
        if self.stopping:
            self._leave_now()
        else:
            self._carry_out(directives)

    def _progress(self) -> None:
        """Tell the keeper where a desk that is started again has to go on."""
        series = self.show.series_to_resume
        data = {
            "done": self.show.done,
            "clean": self.show.clean,
            "place": self.show.place_to_resume,
            "standing": self.show.phase is Phase.STANDING and self._configured,
            "order": list(self.show.changed_order),
            "series": series.to_dict() if series is not None else {},
        }
        self.tell("progress", data)

    def _tell_log_trouble(self) -> None:
        trouble = self.recording.keeper.log_trouble
        if trouble and trouble != self._told_trouble:
            self.tell.warn(f"the take's log has stopped, the music goes on: {trouble}")
            self.board.alarm(_utc(), "error", f"the take's log has stopped: {trouble}")
        self._told_trouble = trouble

    def status(self) -> Status:
        """Return what there is to see."""
        keeper = self.recording.keeper
        status = self.board.status(self.show, self._roll, keeper.text, keeper.log_trouble)
        return replace(status, waiting_for=self.recorders.waiting_for or status.waiting_for)
