"""A whole session in virtual time: the engine's loop on simulated ports, no process and no waiting.

What is left out is what carries bytes between processes; the rest is the code that plays on stage.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from runner.desk.prepare import Prepared, prepare, rig_of
from runner.engine.clock import VirtualClock
from runner.engine.log import MemorySink, RecordLog
from runner.engine.loop import Loop, make_player
from runner.plan.compile import CompiledSong
from runner.play.sounding import TABLE_BYTES, Sounding
from runner.ports.base import PortConfig
from runner.ports.registry import open_ports
from runner.ports.simulated import SimulatedPort
from runner.session.load import load_session
from runner.takes.format import Kind, Record, RecordReader

SECOND = 1_000_000_000


@dataclass(slots=True)
class VirtualRig:
    """A session's rig in play, with everything that a test may want to look at."""

    prepared: Prepared
    clock: VirtualClock
    loop: Loop
    ports: dict[str, Any]
    sink: MemorySink
    table: bytearray = field(default_factory=lambda: bytearray(TABLE_BYTES))  #: outlives an engine

    @classmethod
    def of(cls, text: str, folder: Path | None = None, start_ns: int = SECOND) -> VirtualRig:
        """Open the rig of a session file's text; parts are read from `folder`."""
        prepared = prepare((folder or Path.cwd()) / "session.yaml", load_session(text))
        clock = VirtualClock(start_ns)
        config = rig_of(prepared.session)
        configs = {port["name"]: PortConfig.from_dict(port) for port in config.ports}
        ports = open_ports(configs, clock.now_ns)
        for port in ports.values():
            if isinstance(port, SimulatedPort):
                port.hold = lambda span_ns: clock.hold(clock.now_ns() + span_ns)
        sink = MemorySink()
        table = bytearray(TABLE_BYTES)
        owed = Sounding(memoryview(table))
        loop = Loop(
            clock, list(ports.values()), config.machines, RecordLog(sink), policy=config.clock, owed=owed
        )
        return cls(prepared, clock, loop, dict(ports), sink, table)

    def lose_engine(self, *, told: bool = False) -> None:
        """Let the engine die where it stands, and another silence what it left, as a spare one does.

        With `told` the record says so too: that another engine goes on, and that the take has ended.
        """
        config = rig_of(self.prepared.session)
        player = make_player(config.machines, len(self.ports), config.clock, Sounding(bytearray(self.table)))
        owed = Sounding(memoryview(self.table))
        ports = list(self.ports.values())
        for port in ports:
            port._receive = None  # the machine is the same, its connection a new one
        log = RecordLog(self.sink)
        self.loop = Loop(self.clock, ports, config.machines, log, player, config.clock, owed)
        now_ns = self.clock.now_ns()
        if told:
            data = {"code": "engine-restarted", "severity": "error", "silenced": True, "notes": 0}
            log.add_json(Kind.FINDING, now_ns, data)
        player.silence(now_ns)
        self.loop.serve(now_ns)
        if told:
            log.add_json(Kind.TAKE_END, now_ns, {"why": "the engine process died", "outcome": "failed"})
            log.flush(now_ns)

    def compile(self, song: str = "", from_moment: str = "") -> CompiledSong:
        """Compile a song, the first if none is named."""
        return self.prepared.compile(song or self.prepared.session.songs[0].song, from_moment)

    def roll(self, song: str = "", from_moment: str = "") -> CompiledSong:
        """Load a song and roll (or, under another machine's clock, arm) it."""
        compiled = self.compile(song, from_moment)
        self.loop.player.load(compiled.course)
        self.loop.player.roll(self.clock.now_ns())
        return compiled

    def run_for(self, seconds: float) -> None:
        """Let virtual time pass."""
        self.loop.run_until(self.clock.now_ns() + round(seconds * SECOND))

    def machine(self, port: str) -> Any:
        """The simulated machine at a port."""
        return self.ports[port].machine

    def records(self, *kinds: Kind) -> list[Record]:
        """All records so far, or those of some kinds."""
        records = list(RecordReader().feed(bytes(self.sink.data)))
        return [record for record in records if not kinds or record.kind in kinds]

    def states(self) -> list[dict[str, Any]]:
        """The data of all state records."""
        return [record.json() for record in self.records(Kind.STATE)]

    def findings(self) -> list[dict[str, Any]]:
        """The data of all findings, with their song position."""
        return [{**record.json(), "quarters": record.quarters} for record in self.records(Kind.FINDING)]
