"""Takes a recorder through a take by machine control: locate, play, watch it record, stop. Pure.

It is told what was sent to the recorder and what came back, and gives what is to be sent; it never waits.
What it knows is what the recorder says (closed loop: MMA RP-013 v1.00, pp. 2-3, 6): each wait has an end, a
question has one answer outstanding at a time, and who does not answer within 2 s is taken to be in open loop,
where spans that the session states stand for answers. A recorder that does not obey is a finding, and where
the take would be recorded at another place or not at all, the take is refused.

The punches stand in the timeline, and so do the questions about them (`runner.plan.recorder`): while a take
rolls nothing is sent from here, and so nothing gets in the way of a clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from runner.errors import Severity
from runner.music import TimeCode
from runner.music.machine_control import (
    ALL_DEVICES,
    Field,
    Mmc,
    Motion,
    RecordStatus,
    Refusal,
    cell,
    command,
    locate,
    read,
    read_answers,
    read_commands,
)
from runner.play.recorder_report import (
    GRACE_NS,
    Complaint,
    Loop,
    PunchWatch,
    RecorderFinding,
    RecorderReport,
)

ANSWER_NS = 2_000_000_000  #: RP-013, p. 2: no answer within 2 s means open loop
POLL_NS = 200_000_000
ROLL_POLL_NS = 40_000_000  #: a take begins as soon as the recorder rolls
STOP_LIMIT_NS = 3_000_000_000
_ASKED = (Field.MOTION, Field.RECORD_STATUS, Field.TIME_CODE)


class RecorderState(StrEnum):
    """Where the recorder is taken to be in a take."""

    IDLE = "idle"
    LOCATING = "locating"
    READY = "ready"  #: in place; waits for the take
    STARTING = "starting"  #: Play was sent
    ROLLING = "rolling"
    STOPPING = "stopping"
    REFUSED = "refused"  #: it does not obey: no take with it


@dataclass(frozen=True, slots=True)
class RecorderSpec:
    """A recorder as the session has it. Times in ns.

    `plays`: it is told to play by machine control (it follows neither transport nor time code).
    `locate_wait_ns`, `start_wait_ns`: how long a locate and a start take, for one that does not answer;
    `locate_limit_ns`, `start_limit_ns`: what one that answers may take.
    """

    machine: str
    device: int = ALL_DEVICES
    plays: bool = True
    locate_wait_ns: int = 5_000_000_000
    start_wait_ns: int = 1_000_000_000
    locate_limit_ns: int = 60_000_000_000
    start_limit_ns: int = 10_000_000_000


class RecorderControl:
    """One recorder. Orders: `prepare`, `begin`, `finish`, `abort`; `due` gives what is to be sent."""

    def __init__(self, spec: RecorderSpec) -> None:
        self.spec = spec
        self.state = RecorderState.IDLE
        self.loop = Loop.UNKNOWN
        self.report = RecorderReport(spec.machine)
        self._punches = PunchWatch(self.report.punches)
        self._target: TimeCode | None = None
        self._outbox: list[bytes] = []
        self._findings: list[RecorderFinding] = []
        self._since_ns = 0  #: of the state
        self._asked_ns: int | None = None  #: a question waits for its answer since
        self._ask_at_ns: int | None = None  #: when to ask next
        self._told_open = False
        self._stop_sent = False
        self._moving: bool | None = None  #: as it last said
        self._locating = False
        self._here: TimeCode | None = None  #: where it last said it was
        self._unknown: set[int] = set()  #: fields of which it said in this take that it does not know them
        self._complained: set[str] = set()

    # ------------------------------------------------------------------ orders

    def prepare(self, target: TimeCode, now_ns: int) -> None:
        """Locate to where the take begins; `state` becomes READY, or REFUSED."""
        self.report = RecorderReport(self.spec.machine, self.loop, str(target))
        self._punches = PunchWatch(self.report.punches)
        self._complained, self._unknown = set(), set()
        self._target, self._here, self._moving = target, None, None
        self._stop_sent = False
        self._enter(RecorderState.LOCATING, now_ns)
        self._say(locate(target))
        self._ask(now_ns)  # also in open loop: once a take, whether it answers by now

    def begin(self, now_ns: int) -> None:
        """Let it play; `state` becomes ROLLING when it says that it rolls, or REFUSED."""
        if self.state is not RecorderState.READY:
            raise ValueError(f"recorder {self.spec.machine} is {self.state.value}, not ready")
        if not self.spec.plays:
            self._enter(RecorderState.ROLLING, now_ns)
            return
        self._enter(RecorderState.STARTING, now_ns)
        self._say(cell(Mmc.DEFERRED_PLAY))
        if self.loop is not Loop.OPEN:
            self._ask_at_ns = now_ns + ROLL_POLL_NS

    def finish(self, now_ns: int) -> None:
        """The take has ended: stop it, if the timeline has not, and see that it stops."""
        if self.state is RecorderState.ROLLING:
            self._punches.close(now_ns)
        self._enter(RecorderState.STOPPING, now_ns)
        if not self._stop_sent:
            self._say(cell(Mmc.STOP))
            self._stop_sent = True
        if self.loop is not Loop.OPEN:
            self._ask_at_ns = now_ns + POLL_NS

    def abort(self, now_ns: int) -> None:
        """Stop it, whatever it does, and forget the take."""
        self._say(cell(Mmc.STOP))
        self._enter(RecorderState.IDLE, now_ns)

    # ------------------------------------------------------------------ what was sent, what came

    def sent(self, data: bytes, t_ns: int) -> None:
        """Take a message of the timeline that went out on the recorder's port: punches, Stop, questions."""
        try:
            found = read_commands(data)
        except ValueError:
            return
        if found is None or found[0] not in (self.spec.device, ALL_DEVICES):
            return
        for each in found[1]:
            self._punches.sent(each, t_ns)
            if each.code == Mmc.STOP:
                self._stop_sent = True
            elif each.code == Mmc.READ and self._asked_ns is None:
                self._asked_ns = t_ns

    def feed(self, data: bytes, now_ns: int) -> None:
        """Take a message that came in by the recorder's port; what is no answer of its is passed over.

        So is an answer of which nothing is understood: who gives no other is in open loop.
        """
        found = read_answers(data)
        if found is None or not found[1] or self.spec.device not in (found[0], ALL_DEVICES):
            return
        self._asked_ns = None
        if self.loop is not Loop.CLOSED:
            self.loop = self.report.loop = Loop.CLOSED
            self._told_open = False
        for each in found[1]:
            if isinstance(each, Motion):
                self._on_motion(each, now_ns)
            elif isinstance(each, RecordStatus):
                self._on_status(each, now_ns)
            elif isinstance(each, TimeCode):
                self._here = each
            elif isinstance(each, Refusal):
                self._on_refusal(each, now_ns)
        self._settle(now_ns)
        if self._ask_at_ns is None and self.state in _ASKING:
            self._ask_at_ns = now_ns + (ROLL_POLL_NS if self.state is RecorderState.STARTING else POLL_NS)

    def due(self, now_ns: int) -> list[bytes]:
        """Return what is to be sent now, whole messages, and let waits end that are over."""
        self._time_out(now_ns)
        if self._ask_at_ns is not None and now_ns >= self._ask_at_ns and self._asked_ns is None:
            self._ask(now_ns)
        out, self._outbox = self._outbox, []
        return out

    def next_deadline_ns(self) -> int | None:
        """Return when `due` is next worth calling; None while nothing is to come by itself."""
        if self._outbox:
            return self._since_ns
        times = [self._limit_ns()]
        if self._asked_ns is not None:
            times.append(self._asked_ns + ANSWER_NS)
        elif self._ask_at_ns is not None:
            times.append(self._ask_at_ns)
        return min((t for t in times if t is not None), default=None)

    def take_findings(self) -> list[RecorderFinding]:
        """Return what there is to say since the last call."""
        findings, self._findings = self._findings, []
        return findings

    # ------------------------------------------------------------------ inside

    def _enter(self, state: RecorderState, now_ns: int) -> None:
        self.state, self._since_ns = state, now_ns
        self._ask_at_ns = None

    def _say(self, *cells: bytes) -> None:
        self._outbox.append(command(self.spec.device, *cells))

    def _ask(self, now_ns: int) -> None:
        self._ask_at_ns = None
        fields = [name for name in _ASKED if name not in self._unknown]
        if fields:
            self._say(read(*fields))
            self._asked_ns = now_ns

    def _complain(self, what: Complaint | None, t_ns: int) -> None:
        """Say something once in a take."""
        if what is None or what.code in self._complained:
            return
        self._complained.add(what.code)
        name = self.spec.machine
        self._findings.append(
            RecorderFinding(what.code, what.severity, t_ns, name, f"{name} {what.text}", what.evidence)
        )

    @property
    def _blind(self) -> bool:
        """Whether its answers cannot tell when what it was told to do is done: spans stand for them."""
        if self.loop is Loop.OPEN or Field.MOTION in self._unknown:
            return True
        locating = self.state is RecorderState.LOCATING and not self._locating
        return locating and Field.TIME_CODE in self._unknown

    def _limit_ns(self) -> int | None:
        """Return when the wait of the state is over."""
        spec, is_open = self.spec, self._blind
        spans = {
            RecorderState.LOCATING: spec.locate_wait_ns if is_open else spec.locate_limit_ns,
            RecorderState.STARTING: spec.start_wait_ns if is_open else spec.start_limit_ns,
            RecorderState.STOPPING: 0 if is_open else STOP_LIMIT_NS,
        }
        span = spans.get(self.state)
        return None if span is None else self._since_ns + span

    def _time_out(self, now_ns: int) -> None:
        if self._asked_ns is not None and now_ns >= self._asked_ns + ANSWER_NS:
            self._unanswered(now_ns)
        limit_ns = self._limit_ns()
        if limit_ns is None or now_ns < limit_ns:
            return
        if self._blind:
            self._open_loop_goes_on(now_ns)
        elif self.state is RecorderState.LOCATING:
            self._not_located(now_ns)
        elif self.state is RecorderState.STARTING:
            self.report.rolled = False
            self._complain(Complaint("recorder-not-rolling", "was told to play and does not"), now_ns)
            self._enter(RecorderState.REFUSED, now_ns)
        else:
            self.report.stopped = False
            what = Complaint("recorder-not-stopped", "was told to stop and still moves", "warning")
            self._complain(what, now_ns)
            self._enter(RecorderState.IDLE, now_ns)

    def _not_located(self, now_ns: int) -> None:
        self.report.located = False
        seconds = (now_ns - self._since_ns) / 1e9
        here = f", it stands at {self._here}" if self._here is not None else ""
        text = f"has not gone to {self._target} in {seconds:.1f} s{here}"
        evidence = {"target": str(self._target), "at": str(self._here or "")}
        self._complain(Complaint("recorder-not-located", text, evidence=evidence), now_ns)
        self._enter(RecorderState.REFUSED, now_ns)

    def _unanswered(self, now_ns: int) -> None:
        """RP-013, p. 2: go on in open loop; time-outs after the first must not be noticed."""
        self._asked_ns = self._ask_at_ns = None
        was, self.loop = self.loop, Loop.OPEN
        self.report.loop = Loop.OPEN
        if not self._told_open:
            self._told_open = True
            why = "no longer answers" if was is Loop.CLOSED else "does not answer"
            severity: Severity = "warning" if was is Loop.CLOSED else "note"
            text = f"{why}: it is believed to do as it is told"
            self._complain(Complaint("recorder-open-loop", text, severity), now_ns)

    def _open_loop_goes_on(self, now_ns: int) -> None:
        following = {
            RecorderState.LOCATING: RecorderState.READY,
            RecorderState.STARTING: RecorderState.ROLLING,
            RecorderState.STOPPING: RecorderState.IDLE,
        }
        self._enter(following[self.state], now_ns)

    def _on_motion(self, motion: Motion, now_ns: int) -> None:
        self._moving, self._locating = motion.playing, motion.locating
        if self.state is RecorderState.LOCATING and motion.locate_failed:
            self._not_located(now_ns)
        elif self.state is RecorderState.STARTING and motion.playing:
            self.report.rolled = True
            self._enter(RecorderState.ROLLING, now_ns)
        elif self.state is RecorderState.ROLLING:
            if motion.playing:
                self.report.rolled = True
            elif not self._stop_sent and now_ns - self._since_ns > GRACE_NS:
                if self.report.rolled is None:
                    self.report.rolled = False
                self._complain(Complaint("recorder-stopped", "does not play while the take rolls"), now_ns)

    def _on_refusal(self, refusal: Refusal, now_ns: int) -> None:
        """It does not know a field or a command: it is not asked again in this take."""
        if refusal.field == Field.RESPONSE_ERROR:
            self._unknown |= set(_ASKED) & set(refusal.data[1:])
        evidence = {"field": refusal.field, "data": refusal.data.hex(" ").upper()}
        text = "does not know what it was asked"
        self._complain(Complaint("recorder-refuses", text, "warning", evidence), now_ns)

    def _on_status(self, status: RecordStatus, now_ns: int) -> None:
        if self.state in (RecorderState.ROLLING, RecorderState.STOPPING):
            self._complain(self._punches.said(status, now_ns), now_ns)

    def _settle(self, now_ns: int) -> None:
        """Move on from a state whose end the recorder has told."""
        arrived = self._moving is False and not self._locating and self._here is not None
        if self.state is RecorderState.LOCATING and arrived and self._here is not None:
            assert self._target is not None
            if self._here.rate is not self._target.rate:
                text = f"counts at {self._here.rate.value}, and the session says {self._target.rate.value}"
                self._complain(Complaint("recorder-other-rate", text), now_ns)
                self.report.located = False
                self._enter(RecorderState.REFUSED, now_ns)
            elif abs(self._here.frames_since(self._target)) <= 1:
                self.report.located = True
                self._enter(RecorderState.READY, now_ns)
        elif self.state is RecorderState.STOPPING and self._moving is False:
            self.report.stopped = True
            self._enter(RecorderState.IDLE, now_ns)


_ASKING = frozenset((RecorderState.LOCATING, RecorderState.STARTING, RecorderState.STOPPING))
