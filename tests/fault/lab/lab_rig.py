"""The daemon of a campaign: the real engine, pipe, spool and log writer, in one process and in virtual time.

What is left out is the kernel between them: processes are objects, and a kill drops them as they are. The
engine is `runner.engine.child.Engine` with its commands, its rescue and its loop; records go down a real pipe
(as small as the campaign says) into the desk of `lab_desk.py`.
"""

from __future__ import annotations

import os
import select
import socket
import sys
from collections.abc import Callable
from fcntl import fcntl, ioctl
from termios import FIONREAD
from typing import Any

from lab_draw import Campaign
from lab_ports import Death, LabClock, LabPort, Oracle

import runner.engine.child as child
from runner.engine.log import PipeSink, RecordLog
from runner.engine.loop import BEAT_NS, IDLE_BEAT_NS
from runner.engine.rescue import RescueFile
from runner.engine.rights import Rights
from runner.framing import cut_packets
from runner.play.commands import Command
from runner.ports.base import PortConfig

_SET_PIPE_SIZE = 1031


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
        self._moved = False
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
        """Let the engine do one turn of its loop, as `Engine.run` does."""
        try:
            self._turn(limit_ns)
        except Death:
            self._died()

    def _turn(self, limit_ns: int) -> None:
        engine, now = self.engine, self.clock.now_ns()
        moving = self.moving
        if moving and not self._moved:
            self._next_beat = now
        self._moved = moving
        if now >= self._next_beat:
            self._next_beat = now + (BEAT_NS if moving else IDLE_BEAT_NS)
            engine._beat(self._null, now)
        engine._step(min(self._next_beat, limit_ns))
        engine._serve_waiting()

    @property
    def moving(self) -> bool:
        """Whether a song is played."""
        loop = self.engine._loop
        return loop is not None and loop.player.moving

    def read_answers(self) -> None:
        """Take the engine's answers off the link, as the desk does."""
        while select.select([self.desk_end], [], [], 0)[0]:
            self.desk_end.recv(1 << 16)

    def waiting_bytes(self) -> int:
        """Return how much lies in the record pipe."""
        return int.from_bytes(ioctl(self.records, FIONREAD, bytes(4)), sys.byteorder)

    def _alive(self, act: Callable[[], object]) -> None:
        """Act; an engine that dies is followed by one that silences the rig."""
        try:
            act()
        except Death:
            self._died()

    def _died(self) -> None:
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
