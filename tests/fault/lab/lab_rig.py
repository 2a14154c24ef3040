"""The daemon of a campaign: the real engine, pipe, spool and log writer, in one process and in virtual time.

What is left out is the kernel between them: processes are objects, and a kill drops them as they are. The
engine is `runner.engine.child.Engine` with its commands, its rescue and its loop; records go down a real pipe
(as small as the campaign says) into the desk's real spool and `TakeWriter`, which write to real files through
a disk that fails as the campaign says.
"""

from __future__ import annotations

import errno
import json
import os
import select
import socket
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fcntl import fcntl
from pathlib import Path
from random import Random
from typing import Any

from lab_draw import Action, Campaign, Fault
from lab_ports import Death, LabClock, LabPort, Oracle

import runner.engine.child as child
import runner.engine.standby as standby
import runner.takes.files as files
from runner.desk.prepare import Prepared, rig_of
from runner.desk.spool import RecordSpool
from runner.engine.log import PipeSink, RecordLog
from runner.engine.rescue import RescueFile
from runner.engine.rights import Rights
from runner.framing import cut_packets
from runner.music.moment import parse_moment
from runner.plan.compile import CompiledSong, compile_song
from runner.play.commands import Command, RollOrder
from runner.ports.base import PortConfig
from runner.session.load import load_session
from runner.takes.closing import close_take
from runner.takes.declared import Declared, MachineFacts
from runner.takes.format import Kind, Record, RecordReader
from runner.takes.lines import TakeHeader
from runner.takes.reader import EVENTS_FILE
from runner.takes.writer import TakeWriter

BEAT_NS = 200_000_000
PUMP_NS = 100_000_000
_SET_PIPE_SIZE = 1031
_WRITE = os.write


class Engines:
    """The engine that lives now, and how to get the next one."""

    def __init__(self, campaign: Campaign, clock: LabClock, config: Any, first_seq: int = 1) -> None:
        self.first_seq = first_seq
        self.clock = clock
        self.campaign = campaign
        self.oracles = [Oracle() for _ in range(campaign.ports)]
        self.desk_end, self._engine_end = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.desk_end.setblocking(False)
        self._engine_end.setblocking(False)
        self.records, self._records_in = os.pipe()
        fcntl(self._records_in, _SET_PIPE_SIZE, campaign.pipe_bytes)
        self._rescue = os.memfd_create("lab-rescue")
        self._null = os.open(os.devnull, os.O_WRONLY)
        self._config = config
        self._kills = campaign.of("engine-killed")
        self.deaths = 0
        self.logs: list[RecordLog] = []
        self.sent_raw = bytearray()  #: all that went into the pipe
        self._message = 0
        self._next_beat = 0
        self.engine = self._new()

    def _new(self) -> child.Engine:
        sink = _Tee(PipeSink(self._records_in), self.sent_raw, self.campaign, self.clock)
        log = RecordLog(sink, self.first_seq)
        self.logs.append(log)
        rights = Rights(True, True, ())
        engine = child.Engine(self._engine_end, log, RescueFile(self._rescue), rights)
        engine._clock = self.clock  # type: ignore[assignment]
        return engine

    def open_ports(self, configs: dict[str, PortConfig], **_given: Any) -> dict[str, LabPort]:
        """Stands for `runner.ports.registry.open_ports`."""
        self.ports = [
            LabPort(config, index, self.campaign, self.clock, self.oracles[index], self._mortal)
            for index, config in enumerate(configs.values())
        ]
        return {port.name: port for port in self.ports}

    def _mortal(self, after: bool) -> None:
        since = self.clock.now_ns() - self.clock.zero_ns
        if (
            self.clock.begun
            and self._kills
            and since >= self._kills[0].at_ns
            and self._kills[0].flag == after
        ):
            self._kills.pop(0)
            raise Death

    def tell(self, command: Command, payload: bytes = b"{}") -> None:
        """Send the engine a command."""
        self._message += 1
        for packet in cut_packets(command, self._message, payload):
            self.tell_raw(packet)

    def tell_raw(self, packet: bytes) -> None:
        """Send one packet, whatever is in it; the engine reads it at once, as it would on its next turn."""
        self.desk_end.send(packet)
        while select.select([self._engine_end], [], [], 0)[0]:
            self._alive(self.engine._read_link)
        self._alive(self.engine._serve_waiting)

    def turn(self, limit_ns: int) -> None:
        """Let the engine do one turn of its loop."""
        self._alive(lambda: self._turn(limit_ns))
        while select.select([self.desk_end], [], [], 0)[0]:
            self.desk_end.recv(1 << 16)

    def _turn(self, limit_ns: int) -> None:
        engine, now = self.engine, self.clock.now_ns()
        if now >= self._next_beat:
            self._next_beat = now + BEAT_NS
            engine._beat(self._null, now)
        engine._step(min(self._next_beat, limit_ns))
        engine._serve_waiting()

    def _alive(self, act: Callable[[], object]) -> None:
        """Act; an engine that dies is followed by one that silences the rig."""
        try:
            act()
        except Death:
            self.deaths += 1
            os.close(self.engine._waker.fd)
            self.clock.hold(self.clock.now_ns() + 300_000_000)  # a process takes its time to start
            self.engine = self._new()
            self._alive(self.engine._rescue_rig)

    def quit(self) -> None:
        """End the engine in good order."""
        self.tell(Command.QUIT)
        loop = self.engine._loop
        if loop is not None:
            if loop.player.moving:
                loop.player.stop(self.clock.now_ns(), self.engine._why)
            self._alive(loop.close)

    def close(self) -> None:
        """Give up all descriptors."""
        os.close(self.engine._waker.fd)
        self.desk_end.close()
        self._engine_end.close()
        for fd in (self.records, self._records_in, self._rescue, self._null):
            os.close(fd)


class _Tee:
    """The pipe, full when the campaign says so; remembers what went in."""

    def __init__(self, sink: PipeSink, kept: bytearray, campaign: Campaign, clock: LabClock) -> None:
        self._sink, self._kept, self._clock = sink, kept, clock
        self._full = campaign.of("pipe")

    def write(self, block: bytes) -> bool:
        """Write, or say that there is no room."""
        since = self._clock.now_ns() - self._clock.zero_ns
        if self._clock.begun and any(fault.holds(since) for fault in self._full):
            return False
        taken = self._sink.write(block)
        if taken:
            self._kept += block
        return taken


class Desk:
    """The part of the desk that keeps the take: spool and writer; killed, stopped and started again."""

    def __init__(self, engines: Engines, folder: Path, compiled: CompiledSong, prepared: Prepared) -> None:
        self._engines, self._folder = engines, folder
        self._compiled, self._prepared = compiled, prepared
        self._campaign, self._clock = engines.campaign, engines.clock
        self._spool_fd = os.memfd_create("lab-spool")
        self._spool: RecordSpool | None = RecordSpool(engines.records, self._spool_fd)
        self._writer: TakeWriter | None = None
        self._writer_lost = 0
        self._down_until = 0
        self._kills = self._campaign.of("desk-killed")
        self.summary: dict[str, Any] | None = None
        self.deaths = 0

    def pump(self) -> None:
        """Take what has come, unless the desk is dead or stopped."""
        now = self._clock.now_ns()
        since = now - self._clock.zero_ns
        if self._spool is None and now < self._down_until:
            return
        if any(fault.holds(since) for fault in self._campaign.of("desk-stopped")):
            return
        try:
            if self._spool is None:
                self._start_again()
            assert self._spool is not None
            self._take(self._spool.read())
            kill = bool(self._kills) and since >= self._kills[0].at_ns
            if kill:
                self._down_until = now + self._kills.pop(0).span_ns
                raise Death
            self._spool.used()
            if self._writer is not None:
                self._writer.flush()
        except Death:
            self._die(max(self._down_until, now + 300_000_000))

    def _die(self, until_ns: int) -> None:
        self.deaths += 1
        self._down_until = until_ns
        if self._writer is not None:
            self._writer.release()
        self._spool = self._writer = None

    def _start_again(self) -> None:
        self._spool = RecordSpool(self._engines.records, self._spool_fd)
        if self.summary is None and (self._folder / EVENTS_FILE).exists():
            self._writer = TakeWriter.resume(
                self._folder, self._compiled.time.at_text, header=self._header(0), now_ns=self._clock.now_ns
            )
        self._take(self._spool.left_over())
        self._spool.used()

    def _take(self, records: list[Record]) -> None:
        waiting: list[Record] = []
        for record in records:
            if record.kind == Kind.TAKE_BEGIN and self._writer is None and self.summary is None:
                header = self._header(record.json()["anchor_ns"])
                at_text = self._compiled.time.at_text
                self._writer = TakeWriter(self._folder, header, at_text, now_ns=self._clock.now_ns)
                waiting = [record]
            elif self._writer is not None:
                waiting.append(record)
        if self._writer is not None:
            self._writer.feed_all(waiting)

    def close(self) -> dict[str, Any]:
        """Read the pipe to its end, as a desk that was started again would, and close the take."""
        self._down_until = 0
        if self._spool is None:
            self._start_again()
        assert self._spool is not None
        while records := self._spool.read():
            self._take(records)
            self._spool.used()
        if self._writer is None:
            raise AssertionError("the take has no log at all")
        self.state = self._writer.state
        self._writer.finish("the desk closes", "failed")
        self._writer.release()
        self.summary = close_take(self._folder, lost=self.state.lost)
        return self.summary

    def give_up(self) -> None:
        """Let go of all descriptors."""
        if self._writer is not None:
            self._writer.release()
        os.close(self._spool_fd)

    def _header(self, anchor_ns: int) -> TakeHeader:
        session, compiled = self._prepared.session, self._compiled
        timeline = compiled.course.legs[0].timeline
        lead_ns = max(0, timeline.stages[1].t_ns - timeline.stages[0].t_ns) if len(timeline.stages) > 1 else 0
        declared = Declared.of_song(
            compiled.time,
            lead_ns=lead_ns,
            entry_quarters=timeline.entry_quarters,
            clocks={timeline.ports[role.port]: (role.first, role.last) for role in timeline.clocks},
            machines=tuple(
                MachineFacts(name, spec.port, spec.channel, spec.kind, tuple(spec.follows), spec.offset_ns)
                for name, spec in session.machines.items()
            ),
        )
        return TakeHeader(
            take="take-0001", session=session.session, song="Slack Water", pass_name="main", number=1,
            started_at="2026-05-04T19:30:00.000Z", run="lab", anchor_ns=anchor_ns, ports=timeline.ports,
            machines=timeline.machines, sources=timeline.sources, declared=declared.to_dict(),
            limits=session.limits.model_dump(mode="json", by_alias=True),
        )  # fmt: skip


class Disk:
    """The disk under the take: full, failing, or the end of a desk that is killed while it writes."""

    def __init__(self, campaign: Campaign, clock: LabClock) -> None:
        self._clock = clock
        self._full, self._short = campaign.of("disk"), campaign.of("short")
        self._sync = campaign.of("sync")
        self._kills = campaign.of("desk-killed-writing")
        self._rng = Random(campaign.seed)
        self.failing = True

    def _since(self) -> int:
        return self._clock.now_ns() - self._clock.zero_ns

    def _now(self, faults: list[Fault]) -> bool:
        return self.failing and self._clock.begun and any(fault.holds(self._since()) for fault in faults)

    def write(self, fd: int, data: Any) -> int:
        """Stands for `os.write`."""
        if self._now(self._full):
            if self._rng.random() < 0.5 and len(data) > 1:  # what still found room counts, as in write(2)
                return _WRITE(fd, bytes(data)[: self._rng.randrange(1, len(data))])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if self.failing and self._clock.begun and self._kills and self._since() >= self._kills[0].at_ns:
            kill = self._kills.pop(0)
            _WRITE(fd, bytes(data)[: min(len(data), kill.amount)])
            raise Death
        if self._now(self._short) and len(data) > 1:
            return _WRITE(fd, bytes(data)[: self._rng.randrange(1, len(data))])
        return _WRITE(fd, data)

    def sync(self, _fd: int) -> None:
        """Stands for `fdatasync`."""
        if self._now(self._sync):
            raise OSError(errno.EIO, os.strerror(errno.EIO))


@contextmanager
def in_place_of(engines: Engines, disk: Disk, campaign: Campaign) -> Iterator[None]:
    """Put the laboratory's ports, disk and wall clock in place for the block."""
    wall = _Wall(campaign, engines.clock)
    old = (child.open_ports, child.quiet_collector, child.time, files.system_write, files.data_sync)
    to_rescue = standby.open_ports
    child.open_ports, child.quiet_collector = engines.open_ports, lambda: None  # type: ignore[assignment]
    standby.open_ports = engines.open_ports  # type: ignore[assignment]
    child.time = wall  # type: ignore[assignment]
    files.system_write, files.data_sync = disk.write, disk.sync
    try:
        yield
    finally:
        child.open_ports, child.quiet_collector, child.time, files.system_write, files.data_sync = old
        standby.open_ports = to_rescue


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
        script = self._script()
        master = deque(sorted(self.campaign.master))
        heard_at = self._clock_port()
        timeline = self.compiled.course.legs[0].timeline
        late = sum(fault.amount for fault in self.campaign.of("jump"))
        end = clock.zero_ns + timeline.exit_ns - timeline.start_ns + late + 9_000_000_000
        next_pump = 0
        while clock.now_ns() < end:
            since = clock.now_ns() - clock.zero_ns
            while script and script[0].at_ns <= since:
                self._act(script.pop(0))
            while master and master[0][0] <= since:
                engines.ports[heard_at].hear(master.popleft()[1])
            soonest = min(
                clock.zero_ns + (master[0][0] if master else self.campaign.song_ns * 9),
                end,
                next_pump,
                clock.zero_ns + (script[0].at_ns if script else self.campaign.song_ns * 9),
            )
            engines.turn(max(soonest, clock.now_ns() + 1))
            if clock.now_ns() >= next_pump:
                next_pump = clock.now_ns() + PUMP_NS
                self.desk.pump()
        engines.quit()
        self.ended_ns = clock.now_ns()
        self.disk.failing = False  # what is judged is the record of a disk that came back
        self.clock.hold(clock.now_ns() + 2_000_000_000)
        self.summary = self.desk.close()

    def _clock_port(self) -> int:
        """Return the number of the port on which another machine's clock comes in."""
        name = self.prepared.session.clock.port
        return list(self.prepared.session.ports).index(name) if name else 0

    def _script(self) -> list[Action]:
        """Return what the user does, and what comes in, in order."""
        acts = list(self.campaign.actions)
        acts += [
            Action(f.kind, f.at_ns, f.port, bool(f.amount)) for f in self.campaign.of("hostile", "packets")
        ]
        return sorted(acts, key=lambda action: action.at_ns)

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
