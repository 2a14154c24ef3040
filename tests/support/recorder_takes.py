"""Automatic takes with a simulated recorder in virtual time: control, player and recorder, and no desk.

What the desk does between takes is done here in a dozen lines, so that a thousand takes last seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from runner.desk.prepare import Prepared, rig_of
from runner.music import FrameRate
from runner.plan.recorder import locate_code
from runner.play.machine_control import RecorderControl, RecorderSpec
from runner.play.machine_control_crew import CrewMember, RecorderCrew
from runner.play.player import Player
from runner.play.recorder_report import RecorderFinding
from runner.ports.recorder import Recorder, RecorderSettings
from runner.session.load import load_session

MS = 1_000_000
SECOND = 1_000_000_000

SESSION = """
session: Lantern Quay, takes by themselves
format: 1
ports: {{tape: {{simulate: sink, link: din}}}}
machines:
  deck: {{port: tape, device-id: 1, kind: recorder, frame-rate: {rate}}}
songs:
  - song: Net Loft
    tempo: 120
    length: 4 bars
    pre-roll: 1 bar
    time-code: "00:10:00:02"
    cues:
      - {{at: bar 2, machine: deck, record: true}}
      - {{at: bar 4, machine: deck, record: false}}
order: [Net Loft]
"""
IN_NS, OUT_NS = 2 * SECOND, 6 * SECOND  #: of the punches, in song time


@dataclass(slots=True)
class Kept:
    """What is on record of one take, and what the recorder really did."""

    refused: tuple[str, ...]
    report: dict[str, Any]
    findings: list[RecorderFinding]
    anchor_ns: int | None
    rolled_ns: int | None
    recordings: list[tuple[int, int]]
    ended_ns: int

    @property
    def codes(self) -> list[str]:
        return [finding.code for finding in self.findings]


@dataclass
class RecorderTakes:
    """A recorder on one port, a player, and a crew of one."""

    recorder: Recorder
    rate: str = "30"
    spec: RecorderSpec = field(default_factory=lambda: RecorderSpec("deck", 1))
    now_ns: int = SECOND
    sent: list[tuple[int, bytes]] = field(default_factory=list)
    text: str = SESSION

    def __post_init__(self) -> None:
        loaded = load_session(self.text.format(rate=self.rate))
        self.course = Prepared(Path("session.yaml"), loaded).compile("Net Loft").course
        self.player = Player(rig_of(loaded.session).machines, 1)
        self.control = RecorderControl(self.spec)
        self.crew = RecorderCrew([CrewMember(0, 0, self.control)])
        first_ns = self.course.legs[0].timeline.start_ns
        self.target = locate_code("00:10:00:02", FrameRate.parse(self.rate), first_ns)

    @classmethod
    def of(cls, settings: RecorderSettings, **more: Any) -> RecorderTakes:
        """Return the rig with a recorder of these settings."""
        return cls(Recorder(settings), **more)

    def until(self, ready: Any, limit_ns: int) -> bool:
        """Let time pass until `ready()`; False if the limit comes first."""
        limit = self.now_ns + limit_ns
        self._act()
        while not ready():
            times = (
                self.player.next_deadline_ns(),
                self.crew.next_deadline_ns(),
                self.recorder.next_deadline_ns(),
            )
            soonest = min((t for t in times if t is not None), default=limit + 1)
            if soonest > limit:
                self.now_ns = limit
                return False
            self.now_ns = max(self.now_ns, soonest)
            self._act()
        return True

    def _act(self) -> None:
        for send in self.player.due(self.now_ns):
            self._out(send.data)
            self.crew.sent(0, send.data, self.now_ns)
        for each in self.crew.due(self.now_ns):
            self._out(each.data)
        for said in self.recorder.due(self.now_ns):
            self.crew.received(0, said.data, self.now_ns)

    def _out(self, data: bytes) -> None:
        self.sent.append((self.now_ns, data))
        self.recorder.receive(data, self.now_ns)

    def take(self) -> Kept:
        """Roll one take as the desk does: locate, play, roll, stop. Never longer than two minutes."""
        limit = 120 * SECOND
        before = len(self.recorder.recordings)
        crew = self.crew
        anchor = rolled = None
        crew.prepare({0: self.target}, self.now_ns)
        assert self.until(lambda: crew.ready or crew.refused, limit)
        if not crew.refused:
            crew.begin(self.now_ns)
            assert self.until(lambda: crew.rolling or crew.refused, limit)
        refused = crew.refused
        if not refused:
            rolled = self.now_ns
            self.player.load(self.course)
            anchor = self.player.roll(self.now_ns)
            assert self.until(lambda: not self.player.moving, limit)
        crew.finish(self.now_ns)
        assert self.until(lambda: crew.idle, limit)
        (report,) = crew.reports()
        recordings = self.recorder.recordings[before:]
        if self.recorder.recording_since is not None:
            recordings = [*recordings, (self.recorder.recording_since, self.now_ns)]
        return Kept(refused, report, crew.take_findings(), anchor, rolled, recordings, self.now_ns)
