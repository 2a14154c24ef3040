"""A whole run in virtual time: the director on one side, the engine's loop on the other, no process between.

What is left out is what carries bytes from process to process. Takes are written and closed as on stage.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from zlib import crc32

from virtual_rig import VirtualRig

from runner.desk.actions import Outcome, read_order, with_rehearsal
from runner.desk.director import Director
from runner.desk.job import Job
from runner.desk.recording import Recording
from runner.desk.taking import TakeKeeper
from runner.errors import StateError
from runner.music.rehearsal import Rehearsal
from runner.plan.timeline import Course
from runner.play.commands import Answer, Command
from runner.takes.format import Kind, Record, RecordReader
from runner.takes.store import Store

STEP_NS = 50_000_000  #: how often the desk has its turn
PATIENCE_S = 60  #: real seconds for a take to be closed


@dataclass(slots=True)
class DirectLink:
    """Does at once what the engine's process would do for each command."""

    rig: VirtualRig
    answers: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    pid: int = 100  #: of the engine that lives now
    configured: list[dict[str, Any]] = field(default_factory=list)  #: what the engines were told of the rig
    unread: list[tuple[Command, Mapping[str, Any] | bytes]] | None = None  #: of an engine that reads nothing

    def command(self, command: Command, data: Mapping[str, Any] | bytes = b"") -> None:
        """Carry out one command on the loop."""
        if self.unread is not None:
            self.unread.append((command, data))
            return
        player, now = self.rig.loop.player, self.rig.clock.now_ns()
        payload = json.loads(json.dumps(data)) if isinstance(data, Mapping) else {}
        try:
            if command is Command.CONFIGURE:
                ports = self.rig.loop.describe_ports()
                more = {"realtime": True, "pid": self.pid, "moving": player.moving}
                self.answers.append((Answer.READY, {"ports": ports, **more}))
                self.configured.append(payload)
            elif command is Command.COURSE and isinstance(data, bytes):
                player.load(Course.unpack(data))
                self.answers.append((Answer.LOADED, {"course": crc32(data)}))
            elif command is Command.ROLL:
                anchor = player.roll(now)
                order = {**payload, "anchor_ns": anchor, "wall_ns": 1_700_000_000_000_000_000 + anchor}
                self.rig.loop.log.add_json(Kind.TAKE_BEGIN, now, order)
            elif command is Command.STOP:
                player.stop(now, payload["why"])
            elif command is Command.PANIC:
                player.panic(now, payload["why"])
            elif command is Command.GO:
                player.go(now)
            elif command is Command.MUTE:
                player.mute(payload["machine"], payload["muted"], now)
            elif command is Command.NOTE:
                self.rig.loop.log.add_json(Kind.FINDING, payload["t_ns"], payload["data"])
            elif command is Command.SEND:
                for port, machine, text in payload["messages"]:
                    self.rig.loop.send_now(port, machine, bytes.fromhex(text))
        except StateError as error:
            self.answers.append((Answer.FAULT, {"kind": "state", "text": str(error)}))

    def forget(self) -> None:
        """Nothing is ever kept."""


@dataclass(slots=True)
class Told:
    """What the desk reported."""

    reports: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    progress: dict[str, Any] = field(default_factory=dict)  #: what the next desk would be told

    def __call__(self, kind: str, data: Mapping[str, Any] | None = None) -> None:
        """Keep a report; what is told all the time is left out."""
        if kind == "progress":
            self.progress = {**self.progress, **(data or {})}
        if kind not in ("position", "progress", "beat"):
            self.reports.append((kind, dict(data or {})))

    def warn(self, text: str) -> None:
        """Keep a warning."""
        self("warning", {"text": text})


@dataclass(slots=True)
class VirtualSet:
    """A run of a session in virtual time."""

    rig: VirtualRig
    link: DirectLink
    director: Director
    told: Told
    _reader: RecordReader = field(default_factory=RecordReader)
    _read: int = 0

    @classmethod
    def of(cls, text: str, folder: Path, mode: str = "stay", **job: Any) -> VirtualSet:
        """Begin a run of a session's text; takes go below `folder`."""
        rig = VirtualRig.of(text, folder)
        link, told = DirectLink(rig), Told()
        recording = Recording(TakeKeeper(Store(folder / "takes")))
        described = Job(session_file=str(rig.prepared.file), run="run-1", mode=mode, **job)
        director = Director.of_job(described, rig.prepared, link, recording, told, rig.clock.now_ns)
        director.start()
        return cls(rig, link, director, told)

    def turn(self) -> None:
        """Let a step of virtual time pass, and give the desk its turn."""
        self.rig.run_for(STEP_NS / 1e9)
        player, now = self.rig.loop.player, self.rig.clock.now_ns()
        data = {"state": player.state.value, "song": player.song, "dropped": 0}
        self.rig.loop.log.add_json(Kind.BEAT, now, data, player.position(now))
        self.rig.loop.log.flush(now)
        while self.link.answers:
            self.director.calling.on_answer(*self.link.answers.pop(0))
        self.director.on_records(self._records())
        self.director.tick(self.rig.clock.now_ns())
        deadline = time.monotonic() + PATIENCE_S
        while self.director.recording.keeper.closing and time.monotonic() < deadline:
            time.sleep(0.002)
            self.director.tick(self.rig.clock.now_ns())

    def lose_engine(self, *, read_on: bool) -> None:
        """Let the engine die, and another take over; with `read_on` it gets what that had not read."""
        self.rig.lose_engine(told=True)
        self.link.pid += 1
        answer = {"rescued": True, "configured": True, "realtime": True, "pid": self.link.pid}
        self.link.answers.append((Answer.READY, answer))
        unread, self.link.unread = self.link.unread or [], None
        for command, data in unread if read_on else ():
            self.link.command(command, data)

    def lose_desk(self, *, read: str = "nothing") -> None:
        """Let the desk die, and the next one take up the run with what this one had told and left.

        It may have `read` from the engine and died before it did anything by it: "nothing", "answers" (which
        are gone), "records" (which lie in the memory file and may be in the log), or "all" of these.
        """
        left_over: list[Record] = []
        if read in ("answers", "all"):
            self.link.answers.clear()
        if read in ("records", "all"):
            left_over = self._records()
            self.director.recording.take(left_over, self.director.calling.roll)
        dead = self.director
        keeper = dead.recording.keeper
        if keeper._writer is not None:
            keeper._writer.release()
        progress = json.loads(json.dumps(self.told.progress))
        job = replace(dead.state.job.carried_on(progress), resumed=True)
        job = Job.from_json(job.to_json())
        recording = Recording(TakeKeeper(keeper.store))
        self.director = Director.of_job(
            job, dead.prepared, self.link, recording, self.told, self.rig.clock.now_ns
        )
        self.director.resume(left_over)

    def _records(self) -> list[Record]:
        records = list(self._reader.feed(bytes(self.rig.sink.data[self._read :])))
        self._read = len(self.rig.sink.data)
        return records

    def run_for(self, seconds: float) -> None:
        """Let virtual time pass."""
        end = self.rig.clock.now_ns() + round(seconds * 1e9)
        while self.rig.clock.now_ns() < end and self.director.exit is None:
            self.turn()

    def run_to_the_end(self, most_s: float = 100_000) -> None:
        """Run until the director has nothing left to do."""
        self.run_for(most_s)
        assert self.director.exit is not None, "the run did not end"

    def order(self, text: str, **rehearsal: Any) -> Outcome:
        """Give an order, with a rehearsal in words, and let the desk have a turn."""
        order = with_rehearsal(read_order(text, "test"), Rehearsal.of_words(rehearsal))
        outcome = self.director.obey(order, self.rig.clock.now_ns())
        self.turn()
        return outcome

    def takes(self) -> list[dict[str, Any]]:
        """The heads of all takes that were closed, in order."""
        return [data for kind, data in self.told.reports if kind == "take"]

    def verdicts(self) -> list[tuple[str, str]]:
        """Song and verdict of each take."""
        return [(str(take["song"]), str(take["verdict"])) for take in self.takes()]
