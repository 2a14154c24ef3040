"""The runs of `takewright bench`: a real engine process, driven as the desk drives it, and read to the end.

No desk, no take: what is measured is how late the engine hands clocks to its ports on this computer.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from runner.errors import RigError, TakewrightError
from runner.framing import PacketJoiner, cut_packets
from runner.keeper.child import Child
from runner.keeper.pipes import Pipes
from runner.plan.compile import compile_song
from runner.play.commands import Answer, Command, RigConfig, RigMachine, RollOrder
from runner.ports.base import PortConfig
from runner.session.load import load_session
from runner.takes.format import Kind, Record, RecordReader

BPM = 125  #: one clock each 20 ms
PORTS = 4
WINDOW_NS = 15_000_000  #: a clock that comes back later than this is missing: the next one is under way
_BAR_S = 4 * 60 / BPM
_START_S = 20.0
_LOOP_MACHINE = "loop"


@dataclass(slots=True)
class EngineRun:
    """What one run showed. Times in ns, one entry for each clock; CPU as a share of one core."""

    late_ns: array[int] = field(default_factory=lambda: array("q"))
    back_ns: array[int] = field(default_factory=lambda: array("q"))  #: from send to arrival on the loop
    loop_sent: int = 0
    dropped: int = 0  #: records that did not fit into the pipe
    refused: int = 0  #: sends that a port refused
    cpu: float = 0.0
    rss_mb: float = 0.0
    steal_ms: float = 0.0  #: how long a host kept this machine's cores from it
    rights: dict[str, Any] = field(default_factory=dict)


def bench_session(seconds: float, loop: tuple[str, str] | None) -> str:
    """Return a session of clocked ports that leads nowhere, and a loop if one is given."""
    names = [f"port{n}" for n in range(PORTS)] + ([_LOOP_MACHINE] if loop else [])
    lines = ["session: bench", "format: 1", "ports:"]
    lines += [f"  {name}: {{simulate: sink}}" for name in names]
    lines += ["machines:"]
    lines += [f"  {name}: {{port: {name}, channel: 1, follows: [clock, transport]}}" for name in names]
    bars = max(1, round(seconds / _BAR_S))
    lines += [f"songs: [{{song: bench, tempo: {BPM}, meter: 4/4, length: {bars} bars}}]", "order: [bench]"]
    return "\n".join(lines) + "\n"


def rig(loop: tuple[str, str] | None) -> RigConfig:
    """Return the ports of the bench: some that take everything and lead nowhere, and the loop's two ends."""
    ports = [PortConfig(f"port{n}", "null") for n in range(PORTS)]
    if loop:
        ports.append(PortConfig(_LOOP_MACHINE, "system", match=loop[0], direction="out"))
        ports.append(PortConfig("back", "system", match=loop[1], direction="in"))
    machines = tuple(
        RigMachine(port.name, index, 1, ("clock", "transport"))
        for index, port in enumerate(ports)
        if port.has_output
    )
    return RigConfig(tuple(port.to_dict() for port in ports), machines)


def run_engine(seconds: float, loop: tuple[str, str] | None, passed: Callable[[float], None]) -> EngineRun:
    """Let the engine play for so long; `passed` hears the share of the time gone, 0 to 1.

    Raises:
        RigError: a port of the loop is not there.
        TakewrightError: the engine did not start, or died.
    """
    loaded = load_session(bench_session(seconds, loop), "bench")
    course = compile_song(loaded.session, loaded.session.songs[0], {}).course
    pipes = Pipes.open()
    arguments, fds = pipes.engine_arguments()
    child = Child("runner.engine", arguments, fds)
    try:
        return _Conversation(pipes, child).run(rig(loop), course.pack(), seconds, passed)
    finally:
        child.signal(signal.SIGTERM)
        child.end(3.0)
        child.close()
        pipes.close()


class _Conversation:
    """What the bench says to the engine, and what it hears."""

    def __init__(self, pipes: Pipes, child: Child) -> None:
        self._child = child
        self._link = pipes.link_desk
        self._records = pipes.records[0]
        os.set_blocking(self._records, False)
        self._link.setblocking(False)
        self._joiner = PacketJoiner()
        self._reader = RecordReader()
        self._id = 0
        self._run = EngineRun()
        self._sent: array[int] = array("q")
        self._heard: array[int] = array("q")
        self._ended = False

    def run(
        self, config: RigConfig, course: bytes, seconds: float, passed: Callable[[float], None]
    ) -> EngineRun:
        """Configure, load, roll, listen to the end."""
        self._tell(Command.CONFIGURE, json.dumps(config.to_dict()).encode())
        self._run.rights = self._answer(Answer.READY)
        self._tell(Command.COURSE, course)
        self._answer(Answer.LOADED)
        self._tell(Command.ROLL, json.dumps(RollOrder("bench", "bench").to_dict()).encode())
        stolen, spent, begun = steal_ms(), cpu_s(self._child.pid), time.monotonic()
        while not self._ended:
            gone = time.monotonic() - begun
            if gone > seconds + _START_S or self._child.code is not None:
                raise TakewrightError(f"the engine did not play to the end: {self._why()}")
            passed(min(1.0, gone / seconds))
            # seldom, so that reading does not disturb what is measured: the pipe holds a minute
            time.sleep(0.25)
            self._read()
        run = self._run
        run.cpu = (cpu_s(self._child.pid) - spent) / (time.monotonic() - begun)
        run.rss_mb = rss_mb(self._child.pid)
        run.steal_ms = steal_ms() - stolen
        run.back_ns, run.loop_sent = matched(self._sent, self._heard), len(self._sent)
        return run

    def _tell(self, command: Command, payload: bytes) -> None:
        self._id += 1
        self._link.setblocking(True)
        for packet in cut_packets(command, self._id, payload):
            self._link.send(packet)
        self._link.setblocking(False)

    def _answer(self, wanted: Answer) -> dict[str, Any]:
        """Wait for one kind of answer; a fault is raised in the engine's words."""
        deadline = time.monotonic() + _START_S
        while time.monotonic() < deadline and self._child.code is None:
            if not select.select([self._link], [], [], 0.1)[0]:
                continue
            message = self._joiner.feed(self._link.recv(1 << 16))
            if message is None:
                continue
            answer, payload = message
            data: dict[str, Any] = json.loads(payload)
            if answer == Answer.FAULT:
                raise RigError(str(data.get("text", "the engine reported a fault")))
            if answer == wanted:
                return data
        raise TakewrightError(f"the engine gave no answer: {self._why()}")

    def _why(self) -> str:
        """Return what became of an engine that is silent, for people."""
        if self._child.code is not None:
            return f"it ended ({self._child.how_it_ended()})"
        return f"it was not done {_START_S:.0f} s after its time; close other programs and try again"

    def _read(self) -> None:
        while True:
            try:
                block = os.read(self._records, 1 << 16)
            except BlockingIOError:
                return
            for record in self._reader.feed(block):
                self._take(record)

    def _take(self, record: Record) -> None:
        run = self._run
        if record.kind == Kind.TICK_SENT:
            run.late_ns.append(record.t_ns - record.due_ns)
            if record.port == PORTS:
                self._sent.append(record.t_ns)
        elif record.kind == Kind.TICK_RECEIVED:
            self._heard.append(record.t_ns)
        elif record.kind == Kind.DROPPED:
            run.dropped += record.ref
        elif record.kind == Kind.SEND_FAILED:
            run.refused += 1
        elif record.kind == Kind.TAKE_END:
            self._ended = True


def matched(sent_ns: array[int], heard_ns: array[int]) -> array[int]:
    """Return how long each clock took that came back; what took longer than `WINDOW_NS` is left out."""
    back: array[int] = array("q")
    at = 0
    for sent in sent_ns:
        while at < len(heard_ns) and heard_ns[at] < sent:
            at += 1
        if at < len(heard_ns) and heard_ns[at] - sent < WINDOW_NS:
            back.append(heard_ns[at] - sent)
            at += 1
    return back


@contextmanager
def own_load() -> Iterator[None]:
    """Keep every core and the disk busy for the block, from processes of our own."""
    with tempfile.TemporaryDirectory(prefix="takewright-bench-") as folder:
        spin = "while True: sum(range(1000))"
        disk = (
            "import os,sys\n"
            "fd=os.open(sys.argv[1],os.O_WRONLY|os.O_CREAT)\n"
            "while True:\n    os.pwrite(fd,bytes(1<<20),0)\n    os.fsync(fd)\n"
        )
        codes = [[spin] for _ in range(os.cpu_count() or 1)] + [[disk, f"{folder}/load"]]
        processes = [subprocess.Popen([sys.executable, "-c", *code]) for code in codes]
        try:
            time.sleep(0.5)
            yield
        finally:
            for process in processes:
                process.kill()
            for process in processes:
                process.wait()


def cpu_s(pid: int) -> float:
    """Return the CPU time that a process has used, in seconds."""
    with open(f"/proc/{pid}/stat", encoding="ascii", errors="replace") as file:
        words = file.read().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def rss_mb(pid: int) -> float:
    """Return the resident memory of a process in MB."""
    with open(f"/proc/{pid}/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def steal_ms() -> float:
    """Return how long a host has kept the cores from this computer so far, in ms; 0 on bare metal."""
    with open("/proc/stat", encoding="ascii") as file:
        words = file.readline().split()
    return int(words[8]) * 1000 / os.sysconf("SC_CLK_TCK") if len(words) > 8 else 0.0
