"""One campaign, played from the order to roll until all is at rest, and what it left behind."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

from lab_desk import Desk, Disk, PromptSyncer
from lab_draw import Action, Campaign
from lab_ports import LabClock
from lab_rig import Engines

import runner.engine.child as child
import runner.engine.standby as standby
import runner.takes.files as files
import runner.takes.writer as writer
from runner.desk.prepare import Prepared, rig_of
from runner.music.moment import parse_moment
from runner.plan.compile import compile_song
from runner.play.commands import Command, RollOrder
from runner.session.load import load_session
from runner.takes.format import Record, RecordReader

PUMP_NS = 100_000_000  #: how long records lie in the pipe before the desk reads them
FLUSH_NS = 1_000_000_000  #: and how often it looks at its files when nothing comes
SETTLE_NS = 8_000_000_000  #: so long after the last fault all has come to rest, a port's return included


@contextmanager
def in_place_of(engines: Engines, disk: Disk, campaign: Campaign) -> Iterator[None]:
    """Put the laboratory's ports, disk and wall clock in place for the block."""
    wall = _Wall(campaign, engines.clock)
    old = (child.open_ports, child.quiet_collector, child.time, files.system_write, files.data_sync)
    to_rescue, syncer = standby.open_ports, writer.Syncer
    child.open_ports, child.quiet_collector = engines.open_ports, lambda: None  # type: ignore[assignment]
    standby.open_ports = engines.open_ports  # type: ignore[assignment]
    child.time = wall  # type: ignore[assignment]
    files.system_write, files.data_sync = disk.write, disk.sync
    writer.Syncer = PromptSyncer  # type: ignore[misc]
    try:
        yield
    finally:
        child.open_ports, child.quiet_collector, child.time, files.system_write, files.data_sync = old
        standby.open_ports, writer.Syncer = to_rescue, syncer  # type: ignore[misc]


class _Wall:
    """The `time` module as the engine sees it: a wall clock that is set while it plays."""

    def __init__(self, campaign: Campaign, clock: LabClock) -> None:
        self._steps, self._clock = campaign.of("wall"), clock

    def time_ns(self) -> int:
        """Return wall time."""
        since = self._clock.now_ns() - self._clock.zero_ns
        return 1_777_000_000_000_000_000 + since + sum(f.amount for f in self._steps if f.at_ns <= since)


class Outcome:
    """All that a campaign left behind, for the rules to judge."""

    def __init__(self, campaign: Campaign, folder: Path) -> None:
        self.campaign = campaign
        self.folder = folder
        self.prepared = Prepared(folder / "session.yaml", load_session(campaign.text))
        song = self.prepared.session.songs[0]
        start = parse_moment(campaign.from_moment) if campaign.from_moment else None
        self.compiled = compile_song(self.prepared.session, song, {}, from_=start)
        self.clock = LabClock(campaign)
        self.engines = Engines(campaign, self.clock, rig_of(self.prepared.session))
        self.disk = Disk(campaign, self.clock)
        self.desk = Desk(self.engines, folder, self.compiled, self.prepared)
        self.summary: dict[str, Any] = {}
        self.ended_ns = 0
        self.quit_early = any(action.kind == "quit" for action in campaign.actions)
        self._records: list[Record] = []

    def run(self) -> None:
        """Play the campaign to its end."""
        with in_place_of(self.engines, self.disk, self.campaign):
            try:
                self._play()
            finally:
                self.engines.close()
                self.desk.give_up()

    def _play(self) -> None:
        engines, clock = self.engines, self.clock
        engines.tell(Command.CONFIGURE, json.dumps(rig_of(self.prepared.session).to_dict()).encode())
        engines.tell(Command.COURSE, self.compiled.course.pack())
        clock.zero_ns, clock.begun = clock.now_ns(), True
        engines.tell(Command.ROLL, json.dumps(RollOrder("take-0001", "Slack Water").to_dict()).encode())
        self._run_script()
        engines.quit()
        self.ended_ns = clock.now_ns()
        self.disk.failing = False  # what is judged is the record of a disk that came back
        self.clock.hold(clock.now_ns() + 2_000_000_000)
        self.summary = self.desk.close()

    def _run_script(self) -> None:
        """Let the engine turn, the desk read, the user act and the master play until all is at rest."""
        engines, clock, desk = self.engines, self.clock, self.desk
        script = self._script()
        master, heard_at = deque(self.campaign.master), self._clock_port()
        rest_ns, end_ns = clock.zero_ns + self._rest_ns(), clock.zero_ns + self._end_ns()
        next_pump = 0
        while (now := clock.now_ns()) < end_ns:
            since = now - clock.zero_ns
            while script and script[0].at_ns <= since:
                if script[0].kind == "quit":
                    return
                self._act(script.popleft())
            while master and master[0][0] <= since:
                engines.ports[heard_at].hear(master.popleft()[1])
            moving = engines.moving
            if not (moving or script or master) and now >= rest_ns:
                return
            soonest = min(end_ns, next_pump)
            if master:
                soonest = min(soonest, clock.zero_ns + master[0][0])
            if script:
                soonest = min(soonest, clock.zero_ns + script[0].at_ns)
            engines.turn(max(soonest, now + 1))
            if clock.now_ns() >= next_pump:
                next_pump = clock.now_ns() + (PUMP_NS if moving else FLUSH_NS)
                desk.pump()

    def _rest_ns(self) -> int:
        """Return from when on, since the order to roll, no fault goes on and what it left behind is over."""
        faults = self.campaign.faults
        jumps = sum(fault.amount for fault in self.campaign.of("jump"))
        return jumps + max((f.at_ns + f.span_ns + SETTLE_NS for f in faults), default=FLUSH_NS)

    def _end_ns(self) -> int:
        """Return when a campaign ends that has not come to rest: one whose master never lets it."""
        timeline = self.compiled.course.legs[0].timeline
        return timeline.exit_ns - timeline.start_ns + self._rest_ns() + SETTLE_NS

    def _clock_port(self) -> int:
        """Return the number of the port on which another machine's clock comes in."""
        name = self.prepared.session.clock.port
        return list(self.prepared.session.ports).index(name) if name else 0

    def _script(self) -> deque[Action]:
        """Return what the user does, and what comes in, in order."""
        acts = list(self.campaign.actions)
        acts += [
            Action(f.kind, f.at_ns, f.port, bool(f.amount)) for f in self.campaign.of("hostile", "packets")
        ]
        return deque(sorted(acts, key=lambda action: action.at_ns))

    def _act(self, action: Action) -> None:
        engines, rng = self.engines, Random(self.campaign.seed ^ action.at_ns)
        if action.kind in ("stop", "panic"):
            command = Command.STOP if action.kind == "stop" else Command.PANIC
            engines.tell(command, b'{"why":"stopped by the user"}')
        elif action.kind == "mute":
            order = {"machine": action.machine, "muted": action.flag}
            engines.tell(Command.MUTE, json.dumps(order).encode())
        elif action.kind == "roll":
            engines.tell(Command.ROLL, json.dumps(RollOrder("take-0002", "Slack Water").to_dict()).encode())
        elif action.kind == "go":
            engines.tell(Command.GO)
        elif action.kind == "hostile":
            engines.ports[action.machine].hear(rng.randbytes(rng.randint(1, 2000)))
        elif action.kind == "packets":
            for _ in range(5):
                engines.tell_raw(bytes((rng.choice((0, 1, 2)),)) + rng.randbytes(rng.randint(0, 60)))

    def pipe_records(self) -> list[Record]:
        """Return every record that went into the pipe, in order; for when all is over."""
        if not self._records:
            self._records = list(RecordReader().feed(bytes(self.engines.sent_raw)))
        return self._records
