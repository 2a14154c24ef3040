"""The recorders of a session between two takes: located before each, played, stopped, and their word kept.

A recorder takes part in a roll if it is of `kind: recorder` and the song has a `time-code`. One that follows
neither transport nor time code is told to play, and the take begins when it says that it rolls. Where
its own time code is the clock, the take is armed first and the recorder plays into it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from enum import Enum
from pathlib import Path

from runner.desk.roll import Roll
from runner.music import FrameRate, TimeCode
from runner.plan.recorder import locate_code
from runner.play.machine_control import RecorderControl, RecorderSpec
from runner.play.machine_control_crew import CrewMember, RecorderCrew
from runner.play.recorder_report import RecorderFinding
from runner.session.model import Session
from runner.session.model_rig import MachineSpec
from runner.takes.reader import RECORDER_FILE

AHEAD_NS = 3_000_000_000  #: that time code begins ahead of the roll, for those who follow it to lock
COMES_NS = 20_000_000_000  #: from Play until a leading recorder's time code must have come to the song
COMES_UNSEEN_NS = 300_000_000_000  #: the same for one that does not answer: it may be played by hand


class _Phase(Enum):
    OFF = "off"
    LOCATING = "locating"
    STARTING = "starting"
    GRANTED = "granted"  #: the roll may be ordered
    ROLLING = "rolling"
    STOPPING = "stopping"


class Recorders:
    """All of them. `send` takes rows of (port, machine, hex); `note` a finding for the open take."""

    def __init__(
        self,
        session: Session,
        send: Callable[[list[list[object]]], None],
        note: Callable[[RecorderFinding], None],
        warn: Callable[[str], None],
    ) -> None:
        self._send = send
        self._note = note
        self._warn = warn
        self._phase = _Phase.OFF
        self._wanted: dict[int, TimeCode] = {}
        self._held: list[RecorderFinding] = []  # for the take that is about to begin
        self._folder: Path | None = None
        self._armed_ns: int | None = None  # since when a take waits for a recorder to play into it
        self.roll_now: Callable[[], object] = lambda: None  #: called when a roll that waits may be ordered
        self.refuse: Callable[[str], object] = lambda _text: None  #: called when it may not
        self.stop_take: Callable[[str], object] = lambda _why: None
        self.take_session(session)

    def take_session(self, session: Session) -> None:
        """Take another session's recorders, between takes."""
        self._session = session
        numbers = {name: index for index, name in enumerate(session.ports)}
        self._leads = session.clock.source == "time-code"
        self._crew = RecorderCrew(
            [
                CrewMember(numbers[machine.port], index, RecorderControl(_spec(name, machine, session)))
                for index, (name, machine) in enumerate(session.machines.items())
                if machine.kind == "recorder"
            ]
        )

    # ------------------------------------------------------------------ a take

    def may_roll(self, roll: Roll, now_ns: int) -> bool:
        """Whether the roll may be ordered now; else the recorders are made ready for `roll_now`."""
        if self._phase is _Phase.GRANTED:
            return True
        wanted = targets_of(self._session, roll)
        if not wanted:
            return True
        self._wanted = wanted
        if self._phase is _Phase.OFF:
            self._prepare(now_ns)
        return False

    def begun(self, now_ns: int) -> None:
        """The take has begun (or is armed): what was found before belongs to it."""
        for finding in self._held:
            self._note(finding)
        self._held = []
        if self._phase is not _Phase.GRANTED:
            return
        self._phase = _Phase.ROLLING
        if self._leads:
            self._crew.begin(now_ns)
            self._armed_ns = now_ns if self._leaders else None

    def sounds(self) -> None:
        """The armed take has begun to roll: the recorder's time code has come to it."""
        self._armed_ns = None

    def ended(self, folder: Path | None, now_ns: int) -> None:
        """The take has ended; its report goes into `folder` when the recorders have stopped."""
        self._armed_ns = None
        if self._phase is _Phase.ROLLING:
            self._folder = folder
            self._crew.finish(now_ns)
            self._phase = _Phase.STOPPING
            self._flush(now_ns)
            self._keep_report()  # whatever happens until they have stopped

    def abort(self, now_ns: int) -> None:
        """What was to be rolled is not: stop them."""
        self._wanted = {}
        if self._phase in (_Phase.LOCATING, _Phase.STARTING, _Phase.GRANTED):
            self._crew.abort(now_ns)
            self._phase = _Phase.OFF
            self._flush(now_ns)

    def sent(self, port: int, data: bytes, t_ns: int) -> None:
        """Take a message that the engine sent."""
        self._crew.sent(port, data, t_ns)

    def heard(self, port: int, data: bytes, t_ns: int) -> None:
        """Take a message that came in."""
        self._crew.received(port, data, t_ns)

    @property
    def stopping(self) -> bool:
        """Whether a take has ended and its recorders are still being stopped: at most some seconds."""
        return self._phase is _Phase.STOPPING

    @property
    def waiting_for(self) -> str:
        """What is waited for, for people; empty if nothing is."""
        return self._crew.waiting_for if self._phase is not _Phase.OFF else ""

    def wait_s(self, now_ns: int, most_s: float) -> float:
        """Return how long the desk may sleep, at most `most_s`."""
        due = self._crew.next_deadline_ns() if self._phase is not _Phase.OFF else None
        return most_s if due is None else min(most_s, max(0.0, (due - now_ns) / 1e9))

    def tick(self, now_ns: int) -> None:
        """Do what is due."""
        if self._phase is _Phase.OFF:
            return
        self._flush(now_ns)
        crew, phase = self._crew, self._phase
        if phase in (_Phase.LOCATING, _Phase.STARTING) and crew.refused:
            self._refused(now_ns)
        elif phase is _Phase.LOCATING and crew.ready:
            if self._leads:
                self._grant()
            else:
                crew.begin(now_ns)
                self._phase = _Phase.STARTING
                self.tick(now_ns)
        elif phase is _Phase.STARTING and crew.rolling:
            self._grant()
        elif phase is _Phase.ROLLING and crew.refused:
            self.stop_take(f"{', '.join(crew.refused)} does not roll")
        elif self._armed_ns is not None and now_ns - self._armed_ns >= self._patience_ns:
            self._never_came(now_ns)
        elif phase is _Phase.STOPPING and crew.idle:
            self._keep_report()
            self._folder = None
            self._phase = _Phase.OFF
            if self._wanted:
                self._prepare(now_ns)

    # ------------------------------------------------------------------ inside

    def _prepare(self, now_ns: int) -> None:
        self._phase = _Phase.LOCATING
        self._crew.prepare(self._wanted, now_ns)
        self._flush(now_ns)

    def _grant(self) -> None:
        self._phase = _Phase.GRANTED
        self._wanted = {}
        self.roll_now()

    def _refused(self, now_ns: int) -> None:
        text = "; ".join(finding.text for finding in self._held if finding.severity == "error")
        names = ", ".join(self._crew.refused)
        self._held = []
        self._wanted = {}
        self._crew.finish(now_ns)
        self._phase = _Phase.STOPPING
        self._flush(now_ns)
        self.refuse(text or f"{names} does not obey")

    @property
    def _leaders(self) -> list[str]:
        """The recorders whose time code is the clock."""
        clock = self._session.clock
        machines = self._session.machines.items() if clock.source == "time-code" else ()
        return [name for name, each in machines if each.kind == "recorder" and each.port == clock.port]

    @property
    def _patience_ns(self) -> int:
        return COMES_UNSEEN_NS if set(self._leaders) & set(self._crew.in_open_loop) else COMES_NS

    def _never_came(self, now_ns: int) -> None:
        """It was told to play, and perhaps it did: an armed take must not wait for ever."""
        waited_s = self._patience_ns / 1e9
        self._armed_ns = None
        for name in self._leaders:
            text = f"time code of {name} has not come to the song {waited_s:g} s after it was told to play"
            self._note(RecorderFinding("recorder-not-rolling", "error", now_ns, name, text))
            self._warn(text)
            self.stop_take(f"time code of {name} has not come to the song")

    def _flush(self, now_ns: int) -> None:
        rows: list[list[object]] = [
            [each.port, each.machine, each.data.hex()] for each in self._crew.due(now_ns)
        ]
        if rows:
            self._send(rows)
        for finding in self._crew.take_findings():
            if finding.severity != "note":
                self._warn(finding.text)
            if self._phase is _Phase.ROLLING:
                self._note(finding)
            elif self._phase is not _Phase.STOPPING:
                self._held.append(finding)

    def _keep_report(self) -> None:
        """Put the recorders' own words into the take's folder; a disk that does not take it is told of."""
        folder = self._folder
        if folder is None:
            return
        try:
            text = json.dumps({"format": 1, "recorders": self._crew.reports()}, indent=1)
            (folder / RECORDER_FILE).write_text(text + "\n", encoding="utf-8")
        except OSError as error:
            self._folder = None
            self._warn(f"{folder / RECORDER_FILE} cannot be written: {error.strerror or error}")


def targets_of(session: Session, roll: Roll) -> dict[int, TimeCode]:
    """Return where each recorder has to stand when a roll begins, by machine number; those that take part."""
    song = next((each for each in session.songs if each.song == roll.song), None)
    if song is None or song.time_code is None:
        return {}
    first_ns = roll.course.legs[0].timeline.start_ns
    ahead_ns = AHEAD_NS if session.clock.source == "time-code" else 0
    targets: dict[int, TimeCode] = {}
    for index, machine in enumerate(session.machines.values()):
        if machine.kind == "recorder":
            rate = FrameRate.parse(machine.frame_rate)
            targets[index] = locate_code(song.time_code, rate, first_ns - ahead_ns)
    return targets


def _spec(name: str, machine: MachineSpec, session: Session) -> RecorderSpec:
    clock = session.clock
    leads = clock.source == "time-code" and machine.port == clock.port
    follows = bool({"transport", "time-code"} & set(machine.follows))
    device = {} if machine.device_id is None else {"device": machine.device_id}
    return RecorderSpec(name, plays=leads or not follows, locate_wait_ns=machine.locate_ns, **device)


__all__ = ["Recorders", "targets_of"]
