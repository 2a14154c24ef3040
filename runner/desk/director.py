"""The director: carries out what the show decides, with the engine on one side and the takes on the other."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from runner.desk.actions import Order, Outcome
from runner.desk.attendance import Attendance, Change
from runner.desk.board import Board
from runner.desk.calling import Calling
from runner.desk.job import Job
from runner.desk.phases import Directive, Do, Phase
from runner.desk.preflight import preflight_quick
from runner.desk.prepare import Prepared
from runner.desk.recorders import Recorders
from runner.desk.recording import Beat, Begun, Ended, Happening, Heard, Presence, Recording, SentOut, Told
from runner.desk.reloading import folder_not_taken, keep_absent, read_anew
from runner.desk.resuming import catch_up, tell_of_death
from runner.desk.run_state import Link, RunState, Tell, utc_text
from runner.desk.show import Show
from runner.desk.status import Status
from runner.errors import ExitCode, TakeFormatError, TakewrightError
from runner.play.commands import Command
from runner.play.states import PlayState
from runner.session.model import Session
from runner.takes.format import Record
from runner.takes.names import take_number
from runner.takes.rating import Mark, add_mark, rate

#: states in which an armed take has begun
_SOUNDS = (PlayState.LEAD, PlayState.PRE_ROLL, PlayState.ROLLING, PlayState.TAIL)
QUIET_NS = 2_000_000_000  #: after a song: what still rings is not cut by the next song's programs


class Director:
    """One run of a session, from the desk's side. `exit` is set when there is nothing left to do."""

    def __init__(
        self,
        state: RunState,
        link: Link,
        recording: Recording,
        tell: Tell,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.state = state
        self.link = link
        self.recording = recording
        self.tell = tell
        self.now_ns = now_ns
        self.heard: Callable[[Heard], None] = lambda _heard: None  #: what comes in, for who maps controls
        self.presence: Callable[[Presence], None] = lambda _event: None
        self.new_session: Callable[[Session], None] = lambda _session: None
        #: a session is in force from now on
        self.accepted: Callable[[Prepared], None] = lambda _prepared: None
        self.recorders = Recorders(
            state.prepared.session,
            lambda rows: link.command(Command.SEND, {"messages": rows}),
            lambda each: link.command(Command.NOTE, {"t_ns": each.t_ns, "data": each.to_dict()}),
            tell.warn,
        )
        self.calling = Calling(state, link, recording, tell, self.recorders, now_ns, self._carry_out)
        self.recorders.roll_now = self.calling.order_roll
        self.recorders.refuse = lambda text: self.calling.cannot_roll(text, ExitCode.NOT_CLEAN)
        self.recorders.stop_take = lambda why: link.command(Command.STOP, {"why": why})
        self.attendance = Attendance(state.prepared.session)
        self.silent: Callable[[str, bool], None] = lambda _port, _silent: None  #: for who maps controls
        self._last_end_ns = 0
        self._to_close: Ended | None = None  # a take whose recorders are stopping
        self._told: object = None  #: the sign of the board that the keeper was told of

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
        return cls(RunState.of_job(job, prepared), link, recording, tell, now_ns)

    @property
    def show(self) -> Show:
        """What rolls when."""
        return self.state.show

    @property
    def board(self) -> Board:
        """What there is to see."""
        return self.state.board

    @property
    def prepared(self) -> Prepared:
        """The session as it was read last."""
        return self.state.prepared

    @property
    def stopping(self) -> str:
        """Why the run is to end; empty while it is not."""
        return self.state.stopping

    @property
    def exit(self) -> ExitCode | None:
        """The exit code, once there is nothing left to do."""
        return self.state.exit

    @property
    def idle(self) -> bool:
        """Whether nothing is due by the time: it waits for an order, and no take is being closed."""
        keeper = self.recording.keeper
        standing = self.show.phase is Phase.STANDING and not (keeper.open or keeper.closing)
        return standing and self.calling.prepare_at_ns is None

    @property
    def sign(self) -> object:
        """Something that is another when there is something new to see."""
        show, board = self.show, self.board
        seen = (board.state, board.obstacle, board.lock, len(board.alarms), len(board.takes))
        return (show.phase, show.at, show.waiting_for, *seen, frozenset(board.muted))

    # ------------------------------------------------------------------ life

    def start(self) -> None:
        """Compile the first roll, so that what is wrong is said before anything moves, and open the rig.

        Raises:
            TakewrightError: the first song cannot be played.
        """
        self.calling.compile_songs(tuple(place.song for place in self.show.chain))
        for notice in self.prepared.loaded.notices:
            self.tell.warn(str(notice))
        self.calling.configure()

    def resume(self, left_over: Sequence[Record]) -> None:
        """Go on where a dead desk was: with its open take, or with the next roll."""
        keeper = self.recording.keeper
        catch_up(self.state, keeper)
        self.attendance.take_over(self.board.away, self.board.silent)
        keep_absent(self.board, self.attendance)
        self.calling.engine = self.state.job.engine
        header = keeper.resume(self.state.job.run)
        self.calling.roll = self.calling.compile_or_none()  # a take that was ordered may be about to begin
        if header is not None:
            self.show.begun()
            self.board.take_number = header.number
            if self.calling.roll is not None:
                keeper.write_plan(self.calling.roll)
        self.recording.rolling = keeper.open
        died = keeper.engine_died or tell_of_death(left_over)
        if keeper.engine_died:
            self._carry_out(self.show.rig_fell_silent())
        if keeper.ended and not self.recording.begins_in_open_take(left_over):
            self._close_what_ended()
        self.on_records(left_over)  # what is known of them already is left out by the log's writer
        if keeper.ended and self._to_close is None:
            self._close_what_ended()
        self.recording.gone_on_with = self.recording.rolling
        self.tell.warn("the desk process died and was started again; no record is lost")
        in_take = self.recording.rolling or keeper.open or keeper.closing
        if in_take and not died:
            self.calling.configured = True
        elif not in_take and not self.state.stays and self.show.at >= len(self.show.places):
            self.state.exit = self.state.code_of_all
        else:
            self.calling.configure()  # what the dead desk had told the engine is not known; its answer tells

    def _close_what_ended(self) -> None:
        """All of the take was written down by a desk that died; only the closing is left to do."""
        self.recording.rolling = False
        self.show.ended(self.recording.keeper.outcome)
        self.recording.keeper.end()

    def tick(self, now_ns: int) -> None:
        """Do what is due by the time, and take up takes that are closed."""
        self.recording.keeper.tick()
        self._tell_log_trouble()
        self._collect(now_ns)
        self.calling.tick(now_ns)
        if self.stopping and self.exit is None and not self._unfinished:
            self._leave_now()  # what was to be stopped first never began
        self.recorders.tick(now_ns)
        self._close_take()
        self._see_who_is_there(now_ns)
        self._tell_board()
        if not self.stopping and self.calling.configured:
            self._carry_out(self.show.tick(now_ns))

    def _see_who_is_there(self, now_ns: int) -> None:
        """Ask the machines that answer, between takes; act on who is away, or there again."""
        resting = self.idle and self.calling.configured and not (self.stopping or self.board.halted)
        if rows := self.attendance.due(now_ns, resting, self.board.there):
            self.link.command(Command.SEND, {"messages": rows})
        for change in self.attendance.changes(now_ns, self.recording.ticked, self.board.there):
            self._on_change(change, now_ns)

    def _on_change(self, change: Change, now_ns: int) -> None:
        """A machine is away or there again, a wire silent or not: tell it, send anew what was missed."""
        self.tell.warn(change.text)
        if change.what in ("silent", "speaks"):
            self.silent(change.name, change.what == "silent")
            if change.what == "speaks":
                self.board.put_out(self.board.silent.pop(change.name, ""))
                return
            self.board.silent[change.name] = change.text
            self.board.alarm(utc_text(), "warning", change.text)
            data = {"code": "active-sensing-lost", "severity": "warning", "port": change.name}
            if self.recording.rolling:
                self.link.command(Command.NOTE, {"t_ns": now_ns, "data": {**data, "text": change.text}})
            return
        self.board.put_out(self.board.away.get(change.name, ""))
        self.board.away = self.attendance.away
        if change.what == "away":
            required = self.prepared.session.machines[change.name].required
            self.board.alarm(utc_text(), "error" if required else "warning", change.text)
        elif self.show.phase is Phase.STANDING:
            self.calling.prepare_at_ns = now_ns
        self.calling.see_missing()

    def stop(self, why: str) -> None:
        """End the run: stop what rolls, close its take, then exit."""
        self.state.stopping = why
        self.recorders.abort(self.now_ns())
        self.calling.forget_call()
        if self.recording.rolling or self.calling.call is not None:
            self.link.command(Command.STOP, {"why": why})
        elif not self._unfinished:
            self._leave_now()

    @property
    def _unfinished(self) -> bool:
        """Whether something rolls, is about to, or is being closed."""
        recording = self.recording
        busy = recording.rolling or recording.keeper.closing or self._to_close is not None
        return busy or self.calling.call is not None

    def halt(self, why: str) -> None:
        """The keeper says that nothing may roll, and why; an empty `why` ends that.

        What was called or was to roll by itself is given up: it must not begin when nobody expects it.
        """
        self.board.halt(utc_text(), why)
        if why:
            self.calling.drop_call()
            if self.show.phase is Phase.DUE:
                self.show.refused("roll")
            self.calling.progress()

    def _leave_now(self) -> None:
        by_service = self.state.stays and self.stopping != "stopped by the user"
        self.state.exit = ExitCode.OK if by_service else ExitCode.INTERRUPTED

    # ------------------------------------------------------------------ orders

    def obey(self, order: Order, now_ns: int) -> Outcome:
        """Carry out an order, or refuse it; either is told."""
        outcome, directives = self.show.order(order, now_ns)
        for directive in directives if outcome.done else ():
            said = self._do(directive, now_ns)
            outcome = said if said is not None else outcome
        self.calling.progress()
        data = {"order": str(order), "from": order.origin, "done": outcome.done, "text": outcome.text}
        self.tell("order", data)
        return outcome

    def begin_series(
        self, song: str, takes: int, gap_ns: int, limit_ns: int | None, origin: str, now_ns: int
    ) -> Outcome:
        """Roll takes of a song by themselves, none begun after `limit_ns`; or refuse it. Either is told."""
        trouble = "" if self.calling.configured else "the rig is not open yet"
        trouble = trouble or self.board.obstacle or self.stopping
        outcome, directives = Outcome(False, f"{song}: {trouble}"), list[Directive]()
        if not trouble:
            until_ns = None if limit_ns is None else now_ns + limit_ns
            outcome, directives = self.show.begin_series(song, takes, gap_ns, until_ns)
        for directive in directives:
            outcome = self._do(directive, now_ns) or outcome
        self.calling.progress()
        data = {"order": f"roll {song}", "from": origin, "done": outcome.done, "text": outcome.text}
        self.tell("order", data)
        return outcome

    def _carry_out(self, directives: Sequence[Directive]) -> None:
        for directive in directives:
            outcome = self._do(directive, self.now_ns())
            if outcome is not None and not outcome.done:
                self.tell.warn(outcome.text)
        if directives:
            self.calling.progress()

    def _do(self, directive: Directive, now_ns: int) -> Outcome | None:
        """Carry out one directive; an outcome is returned where only the doing shows it."""
        value = directive.value
        if directive.do is Do.ROLL:
            return self.calling.begin()
        if directive.do is Do.STOP:
            self._stop_take(value)
        elif directive.do is Do.PANIC:
            self.link.command(Command.PANIC, {"why": value})
        elif directive.do is Do.GO:
            return self._go()
        elif directive.do in (Do.MUTE, Do.UNMUTE, Do.SOLO):
            self._mute(directive.do, value)
        elif directive.do is Do.PREPARE:
            self.calling.prepare_at_ns = max(now_ns, self._last_end_ns + QUIET_NS if self._last_end_ns else 0)
            self.calling.tell_standing()
        elif directive.do in (Do.MARK, Do.RATE):
            return self._rate(directive, now_ns)
        elif directive.do is Do.CHECK:
            return self.check()
        elif directive.do is Do.RELOAD:
            return self._reload()
        elif directive.do is Do.LEAVE:
            self._leave(value)
        return None

    def _go(self) -> Outcome | None:
        """End a hold; what has none is told at once, the rest the engine knows."""
        roll = self.calling.roll
        if roll is not None and all(leg.repeats for leg in roll.course.legs):
            return Outcome(False, f"go: {roll.song} has no hold that it could end")
        self.link.command(Command.GO, {})
        return None

    def _leave(self, why: str) -> None:
        if why == "quit":
            self.stop("told to quit")
        else:
            self.state.exit = self.exit or self.state.code_of_all

    def _stop_take(self, why: str) -> None:
        if self.calling.forget_call():  # nothing was rolled yet
            self.recorders.abort(self.now_ns())
            self.show.refused("roll")
        else:
            self.link.command(Command.STOP, {"why": why})

    def _mute(self, do: Do, name: str) -> None:
        machines = list(self.prepared.session.machines)
        if do is Do.SOLO:
            songs = self.prepared.session.songs
            self.board.muted = set().union(*(song.sounding for song in songs)) - {name}
        elif do is Do.MUTE:
            self.board.muted.add(name)
        else:
            self.board.muted.discard(name)
        for index, machine in enumerate(machines):
            if do is Do.SOLO or machine == name:
                self.calling.send_mute(index, machine in self.board.muted)
        self.calling.progress()

    def _rate(self, directive: Directive, now_ns: int) -> Outcome:
        folder = self.recording.keeper.folder
        if folder is None:
            return Outcome(False, "there is no take yet to be rated")
        name = f"{folder.parent.parent.name}, {folder.parent.name}, take {take_number(folder.name)}"
        try:
            if directive.do is Do.RATE:
                rate(folder, directive.value)
                return Outcome(True, f"{name}: {directive.value}")
            at = self._where()
            add_mark(folder, Mark(now_ns - self.recording.keeper.anchor_ns, at, directive.value))
        except (OSError, TakewrightError) as error:
            return Outcome(False, f"{name}: {error}")
        return Outcome(True, f"marked at {at or 'the beginning'}")

    def _where(self) -> str:
        if self.calling.roll is None:
            return ""
        return str(self.board.position(self.calling.roll, self.recording.keeper.text).get("at", ""))

    def check(self) -> Outcome:
        """Say whether the rig is ready for a take, and what is to be said of it besides."""
        ready, texts = preflight_quick(self.status(), self.recording.keeper.store)
        return Outcome(ready, "; ".join(["the rig is ready", *texts] if ready else texts))

    def _reload(self) -> Outcome:
        """Read the session anew and swap it; a bad one is refused, and the old one kept."""
        try:
            prepared, show = read_anew(self.state)
        except TakewrightError as error:
            return Outcome(False, f"the session file was read again and is not taken: {error}")
        self.state.prepared, self.state.show = prepared, show
        self.accepted(prepared)
        self.board.session = prepared.session
        self.attendance = self.attendance.with_session(prepared.session)
        keep_absent(self.board, self.attendance)
        self.new_session(prepared.session)
        self.recorders.take_session(prepared.session)
        self.calling.forget_compiled()
        self.calling.configure()
        if folder := folder_not_taken(self.state.job, prepared, self.recording.keeper.store.folder):
            self.tell.warn(folder)
        return Outcome(True, "the session file was read again" + (f"; {folder}" if folder else ""))

    # ------------------------------------------------------------------ records

    def on_records(self, records: Sequence[Record]) -> None:
        """Write records down, and act on what they say."""
        roll = self.calling.call.roll if self.calling.call else self.calling.roll
        for happened in self.recording.take(records, roll):
            self._on_happening(happened)
        self._tell_board()  # before these records are given up

    def _on_happening(self, event: Happening) -> None:
        if isinstance(event, Begun):
            number = int(event.key.rpartition("-")[2] or 0)
            self.board.begin_take(number)
            self.show.begun()
            self.calling.call = None
            self.recorders.begun(self.now_ns())
            self.calling.progress()
        elif isinstance(event, Ended):
            self._on_end(event)
        elif isinstance(event, SentOut):
            self.recorders.sent(event.port, event.data, event.t_ns)
        elif isinstance(event, Heard):
            self.recorders.heard(event.port, event.data, event.t_ns)
            self.attendance.hear(event.port, event.data, event.t_ns)
            self.heard(event)
        else:
            self.board.see(event, utc_text())
            if isinstance(event, Told) and event.data.get("code") == "engine-restarted":
                # the engine's answer may have gone to a dead desk
                self._carry_out(self.show.rig_fell_silent())
            if isinstance(event, Told) and event.data.get("state") in _SOUNDS:
                self.recorders.sounds()
            if isinstance(event, Presence):
                self.presence(event)
                self.calling.see_missing()
            if isinstance(event, Beat) and self.recording.rolling and self.calling.roll is not None:
                self.tell("position", self.board.position(self.calling.roll, self.recording.keeper.text))

    def _on_end(self, event: Ended) -> None:
        self._last_end_ns = self.now_ns()
        self.recorders.ended(self.recording.keeper.folder if event.logged else None, self._last_end_ns)
        self.board.state = "ready"
        self.show.ended(event.outcome)
        if event.long_ago:
            self._carry_out(self.show.rig_fell_silent())
        if event.logged:
            self._to_close = event
            self._close_take()
        else:
            self.tell.warn(f"this take has no log: {self.recording.keeper.problem}")
            self._after_take("failed", self.now_ns())

    def _close_take(self) -> None:
        """Close the take that has ended, once its recorders have stopped or had their time for it."""
        if self._to_close is not None and not self.recorders.stopping:
            ended, self._to_close = self._to_close, None
            self.recording.keeper.end(ended.why, ended.outcome)

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
        self.calling.progress()
        if self.stopping:
            self._leave_now()
        else:
            self._carry_out(directives)

    def _tell_log_trouble(self) -> None:
        keeper = self.recording.keeper
        if news := self.board.alarms.see_log(utc_text(), keeper.log_trouble, writing=keeper.writing):
            self.tell.warn(news)

    def _tell_board(self) -> None:
        """Tell the keeper what there is to see, for the next desk, when it is another."""
        if (sign := self.board.sign) != self._told:
            self._told = sign
            self.tell("progress", {"board": self.board.to_keep()})

    def status(self) -> Status:
        """Return what there is to see."""
        keeper = self.recording.keeper
        status = self.board.status(self.show, self.calling.roll, keeper.text, keeper.log_trouble)
        return replace(status, waiting_for=self.recorders.waiting_for or status.waiting_for)
