"""Calls rolls: brings songs into the engine, lets them roll when all is ready, takes its answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from zlib import crc32

from runner.desk.actions import Outcome
from runner.desk.phases import Directive, Do, Mode, Phase
from runner.desk.places import rows_of
from runner.desk.prepare import rig_of
from runner.desk.recorders import Recorders
from runner.desk.recording import Recording
from runner.desk.roll import Roll, compile_roll, unloaded
from runner.desk.run_state import Link, RunState, Tell, utc_text
from runner.errors import ExitCode, TakewrightError, UsageError
from runner.music.rehearsal import Rehearsal
from runner.plan.compile import opening_messages
from runner.plan.timeline import NO_MACHINE
from runner.play.commands import Answer, Command, RollOrder
from runner.takes.store import NewTake

#: what a rig that is not there is told with: at a desk the session can be tried all the same
WITHOUT_PORTS = (
    "to try the session without its machines, write `simulate: drum-machine` in place of `match: ...`; "
    "others are synthesizer, recorder, master and sink"
)
RETRY_NS = 2_000_000_000  #: how often the engine is asked again to open a rig that was not there


@dataclass(slots=True)
class Call:
    """A roll that was called: compiled, perhaps with the engine already, perhaps with its take made."""

    roll: Roll
    take: NewTake | None = None
    ordered: bool = False  #: whether the engine was told to let it roll


@dataclass(slots=True)
class Calling:
    """The engine's side of a run. `carry_out` is the director's, for what the show decides."""

    state: RunState
    link: Link
    recording: Recording
    tell: Tell
    recorders: Recorders
    now_ns: Callable[[], int]
    carry_out: Callable[[Sequence[Directive]], None]
    new_rig: Callable[[], None] = lambda: None  #: called when an engine has opened the ports
    configured: bool = False
    roll: Roll | None = None  #: what rolls, or rolled last
    call: Call | None = None
    prepare_at_ns: int | None = None  #: when the programs of the song that is up are to be sent
    _retry_at_ns: int | None = None
    _stands: bool = False  #: whether it was said what the daemon waits for
    engine: int = 0  #: process id of the engine whose taking over, if it did, was seen to
    _rescued: bool = False  #: whether a new engine has taken over since the last turn
    _rescuer: int = 0  #: its process id
    _ask: bool = False  #: whether the rig is to be asked for once no take is in the way
    _course: int = 0  #: check sum of the course that was sent last
    _ready: dict[tuple[tuple[str, ...], Rehearsal], Roll] = field(default_factory=dict)

    def tick(self, now_ns: int) -> None:
        """Do what is due by the time, and what an engine's death has left to do."""
        if self._rescued:
            self._rescued = False
            self._stand_after_rescue()
        if self._ask and not self._busy:
            self._ask = False
            if self._retry_at_ns is None:
                self.configure()
        if self._retry_at_ns is not None and now_ns >= self._retry_at_ns:
            self._retry_at_ns = None
            self.configure()
        if self.prepare_at_ns is not None and now_ns >= self.prepare_at_ns:
            self.prepare_at_ns = None
            self._send_opening()

    def progress(self) -> None:
        """Tell the keeper where a desk that is started again would have to go on."""
        show, board = self.state.show, self.state.board
        series = show.series_to_resume
        data = {
            "done": show.done,
            "clean": show.clean,
            "place": show.place_to_resume,
            "standing": show.phase is Phase.STANDING and self.configured,
            "order": rows_of(show.changed_order),
            "waiting_for": show.waiting_for,
            "last": {
                "song": show.last_song,
                "rehearsal": show.last_rehearsal.to_dict(),
                "folder": str(self.recording.keeper.folder or ""),
            },
            "series": series.to_dict() if series is not None else {},
            "engine": self.engine,
            "muted": sorted(board.muted),
            "realtime": board.realtime,
        }
        self.tell("progress", data)

    def forget_compiled(self) -> None:
        """The session is another one: nothing that was compiled holds."""
        self._ready = {}

    def forget_call(self) -> bool:
        """Forget a roll that was called, if its take was not made yet; return whether there was one."""
        if self.call is None or self.call.take is not None:
            return False
        self.call = None
        return True

    def drop_call(self) -> None:
        """Give up a roll that was called, however far it had come; nothing of it has sounded."""
        if self.call is not None:
            self.call = None
            self.recorders.abort(self.now_ns())
            self.state.show.refused("roll")

    @property
    def _busy(self) -> bool:
        return bool(self.state.stopping) or self.recording.rolling or self.recording.keeper.closing

    def _send_course(self, roll: Roll) -> None:
        course = roll.course.pack()
        self._course = crc32(course)
        self.link.command(Command.COURSE, course)

    def configure(self) -> None:
        """Have the engine open the rig; its answer says how that went."""
        rig = rig_of(self.state.prepared.session, wait=self.state.stays)
        self.link.command(Command.CONFIGURE, rig.to_dict())

    # ------------------------------------------------------------------ rolling

    def compile_songs(self, names: tuple[str, ...]) -> Roll:
        """Return the songs compiled, as they were the last time if nothing has changed."""
        state = self.state
        rehearsal = state.rehearsal if state.show.mode is Mode.SONG else unloaded(state.rehearsal)
        if not state.show.rehearsal.is_plain:
            rehearsal = unloaded(rehearsal).asking(state.show.rehearsal)
        roll = self._ready.get((names, rehearsal))
        if roll is None:
            pass_name = state.job.pass_name or state.prepared.session.takes.pass_
            roll = compile_roll(state.prepared, names, rehearsal, pass_name=pass_name, run=state.job.run)
            for problem in roll.problems:
                self.tell.warn(str(problem))
            self._ready = {(names, rehearsal): roll}
            self.tell("beat")  # of a long song on a busy computer each step may take its time
            self.state.board.new_roll()
        return roll

    def compile_or_none(self) -> Roll | None:
        """Return the songs that are up, compiled; None, and a warning, if they cannot be played."""
        try:
            return self.compile_songs(tuple(place.song for place in self.state.show.chain))
        except TakewrightError as error:
            self.tell.warn(str(error))
            return None

    def begin(self) -> Outcome | None:
        """Bring the songs that are up into the engine; the answer to it gives the order to roll."""
        if self.state.stopping or self.recording.rolling:
            return None
        if self.state.board.obstacle:
            return self._wait_for_rig()
        try:
            roll = self.compile_songs(tuple(place.song for place in self.state.show.chain))
        except TakewrightError as error:
            asked = isinstance(error, UsageError)  # for what there is not, by whoever gets the answer
            return self.cannot_roll(str(error), error.exit_code, alarm=not asked)
        self.call = Call(roll)
        self.prepare_at_ns = None
        if self.configured:
            self._send_course(roll)
        else:
            self.configure()
        return None

    def see_missing(self) -> None:
        """Say once what is missing that a roll needs, and once that it is all there."""
        board, machines = self.state.board, self.state.prepared.session.machines
        texts = [f"port {port.name}: {port.text or 'not there'}" for port in board.gone]
        texts += [text for name, text in board.away.items() if machines[name].required]
        trouble = "; ".join(texts)
        if trouble == board.trouble:
            return
        board.trouble = trouble
        # told at the beginning only: a cable that goes later is no reason to simulate
        begins = not self._stands and not self.recording.rolling
        hint = f"; {WITHOUT_PORTS}" if board.gone and begins else ""
        self.tell.warn(trouble + hint if trouble else "all that a roll needs is there again")
        if self._stands and self.state.show.phase is Phase.STANDING:
            self.tell_standing()

    def tell_standing(self) -> None:
        """Say which song is up and what it waits for, first of all what the rig lacks."""
        waits = filter(None, [self.state.board.lacking, self.state.show.waiting_for])
        self._stands = True
        self.tell("standing", {"song": str(self.state.show.up), "for": ", then ".join(waits)})

    def _wait_for_rig(self) -> Outcome | None:
        """A port that is needed is not there: an order is refused, an unattended run tries again."""
        text = f"{self.state.show.up} cannot roll: {self.state.board.obstacle}"
        if self.state.stays:
            self.state.show.refused("roll")
            return Outcome(False, text)
        self.state.show.later(self.now_ns() + RETRY_NS)
        return None

    def cannot_roll(self, text: str, code: ExitCode, *, alarm: bool = True) -> Outcome:
        """Give up a roll that was called: the daemon stands, a run by itself ends with `code`."""
        self.call = None
        if self.state.stays:
            self.state.show.refused("roll")
            if alarm:
                self.state.board.alarm(utc_text(), "error", text)
            self.tell_standing()
        else:
            self.tell("error", {"text": text, "exit": int(code)})
            self.state.exit = code
        return Outcome(False, text)

    def order_roll(self) -> None:
        """The engine has the course: make the take, and let it roll."""
        call = self.call
        if self.state.stopping or call is None or call.ordered or self._rescued:
            return
        if call.take is None and not self.recorders.may_roll(call.roll, self.now_ns()):
            self.tell("standing", {"song": str(self.state.show.up), "for": self.recorders.waiting_for})
            return  # it is called again when they are where the take begins
        keeper = self.recording.keeper
        if call.take is None:
            call.take = keeper.create(call.roll)
            self.tell("beat")
            if keeper.elsewhere:  # the music rolls in any case
                self.tell.warn(keeper.elsewhere)
            short = "" if keeper.elsewhere else keeper.store.why_short() or ""
            self.state.board.alarms.see_folder(utc_text(), elsewhere=keeper.elsewhere, short=short)
        self.roll, call.ordered = call.roll, True
        self.link.command(Command.ROLL, RollOrder(call.take.key, call.roll.song).to_dict())
        data = {"song": call.roll.song, "number": call.take.number, "pass": call.roll.pass_name}
        self.tell("rolling", {**data, "folder": str(call.take.folder), "songs": list(call.roll.names)})

    def _send_opening(self) -> None:
        """Send what the song that is up needs at its bar 1, so that it has its sounds before it rolls."""
        if not self.configured or self.state.show.phase not in (Phase.STANDING, Phase.DUE):
            return
        roll = self.compile_or_none()
        messages = opening_messages(roll.songs[0]) if roll is not None else []
        if messages:
            rows = [[port, NO_MACHINE, data.hex()] for port, data in messages]
            self.link.command(Command.SEND, {"messages": rows})

    # ------------------------------------------------------------------ the engine's answers

    def on_answer(self, answer: int, data: Mapping[str, Any]) -> None:
        """Take an answer of the engine."""
        if answer == Answer.READY:
            self._on_ready(data)
        elif answer == Answer.LOADED:
            # what a dead engine had not read, the next one may have loaded: no other song is to roll for that
            if data.get("course", self._course) == self._course:
                self.order_roll()
        elif answer == Answer.FAULT:
            self._on_fault(data)

    def _on_ready(self, data: Mapping[str, Any]) -> None:
        for text in data.get("warnings", ()):
            self.tell.warn(text)
        self.state.board.realtime = bool(data.get("realtime"))
        rights = {name: data.get(name) for name in ("realtime", "memory_locked")}
        self.recording.keeper.rights = {name: given for name, given in rights.items() if given is not None}
        process = int(data.get("pid", 0))
        if data.get("rescued"):
            self._rescuer = process
            self._after_rescue(bool(data.get("configured")))
            return
        known, self.engine = self.engine, process
        if known not in (0, process) and not self._rescued:
            self.tell.warn(
                "the engine process died while no desk was there; the rig was stopped and silenced"
            )
            self.carry_out(self.state.show.rig_fell_silent())
        self.progress()
        self.configured = True
        self.state.board.open_ports(data.get("ports", ()), data.get("missing", ()))
        self.see_missing()
        self.new_rig()
        self.state.board.state = "ready" if self.state.board.state == "starting" else self.state.board.state
        self._send_mutes()
        self.tell("ready", {"ports": data.get("ports", []), "realtime": data.get("realtime")})
        if data.get("moving"):
            return  # the record of the take's begin is on its way
        if self.call is not None:
            self._send_course(self.call.roll)
        elif self.state.show.phase is Phase.STANDING:
            if self.state.job.standing or self.state.show.waiting_for:  # the rig was only opened anew
                self.carry_out([Directive(Do.PREPARE)])
            else:
                self.carry_out(self.state.show.begin(self.now_ns()))

    def _after_rescue(self, configured: bool) -> None:
        """A new engine has silenced the rig; what the dead one did is in records that are read first."""
        self.tell.warn("the engine process died; the rig was stopped and silenced")
        self.link.forget()
        self.configured, self._rescued = configured, True

    def _stand_after_rescue(self) -> None:
        """Let nothing begin that was called or to follow; a run that goes through its takes alone goes on.

        All records of the dead engine have been read by now: what is still called has not begun.
        """
        if self.state.stopping:
            self.call = None
        elif self.state.stays:
            self._give_up_what_was_to_roll()
        elif self.call is not None and not self._busy:
            self.call.ordered = False
        self.carry_out(self.state.show.rig_fell_silent())
        self.engine = self._rescuer
        self.progress()
        if self.configured and not self.state.stopping:
            # the dead engine may have been told of another rig, and not have got so far; a roll that was
            # called goes on with the answer
            self._send_mutes()
            self.configured = False
            self.configure()
        else:
            self._ask = True

    def _give_up_what_was_to_roll(self) -> None:
        show = self.state.show
        if self.call is not None:
            self.recorders.abort(self.now_ns())
            text = f"{self.call.roll.song} has not begun, for the engine process died; order it anew"
            self.tell.warn(text)
            self.cannot_roll(text, ExitCode.NOT_CLEAN)
            self.carry_out([Directive(Do.PREPARE)])
        elif show.phase is Phase.DUE:
            self.tell.warn(f"{show.up} does not roll by itself any more, for the engine process died")

    def _send_mutes(self) -> None:
        for index, name in enumerate(self.state.prepared.session.machines):
            if name in self.state.board.muted:
                self.send_mute(index, True)

    def _on_fault(self, data: Mapping[str, Any]) -> None:
        text = str(data.get("text", "the engine reported a fault"))
        kind = data.get("kind")
        if kind == "rescue":
            self.configured, self._rescued, self._rescuer = False, True, int(data.get("pid", 0))
        if self.recording.rolling or kind == "state":
            self.tell.warn(text)
            return
        code = ExitCode(data.get("exit", int(ExitCode.NOT_CLEAN)))
        if not self.state.stays:
            if code is ExitCode.RIG_MISSING:
                text = f"{text}\n{WITHOUT_PORTS}"
            self.tell("error", {"text": text, "exit": int(code)})
            self.state.exit = code
            return
        if text != self.state.board.trouble:
            self.tell.warn(text)
        if self.call is not None:
            self.cannot_roll(text, code)
        self.configured, self.state.board.trouble = False, text
        self._retry_at_ns = self.now_ns() + RETRY_NS

    def send_mute(self, index: int, muted: bool) -> None:
        """Have the engine keep a machine's notes back, or let them through."""
        self.link.command(Command.MUTE, {"machine": index, "muted": muted})
