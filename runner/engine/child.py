"""The engine process: takes its rights, opens the ports it is told to, runs the loop, answers the desk.

Descriptors come from the keeper: the link to the desk (packets), the record pipe, the beat pipe, the
lifeline (readable when the keeper is gone) and the rescue file. The engine never touches a disk.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import socket
import sys
import time
from collections.abc import Callable
from typing import Any
from zlib import crc32

from runner.cores import ENGINE_NAME, OwnCore
from runner.engine.clock import RealClock, Waker
from runner.engine.log import PipeSink, RecordLog
from runner.engine.loop import BEAT_NS, IDLE_BEAT_NS, Loop, make_player
from runner.engine.rescue import RescueFile
from runner.engine.rights import PRIORITY, Rights, quiet_collector, take_rights
from runner.engine.standby import Outputs, lossy_after_a_death, name_process, open_to_rescue, stand_by
from runner.errors import InternalError, RigError, StateError, TakewrightError
from runner.framing import PacketJoiner, cut_packets
from runner.plan.timeline import Course
from runner.play.commands import Answer, Command, RigConfig
from runner.play.player import Player
from runner.play.sounding import Sounding
from runner.ports.base import PortConfig
from runner.ports.registry import open_ports
from runner.takes.format import KEEPER_GONE, Kind

_PACKET_BYTES = 65_536
_UNPACK_BYTES_PER_NS = 0.3  #: slower than any machine that keeps time: how long a course takes to unpack
_LONGEST_WAIT_NS = 5_000_000_000  #: a course waits for a quiet moment at most this long


class Engine:
    """One engine process from start to exit."""

    def __init__(
        self,
        link: socket.socket,
        log: RecordLog,
        rescue: RescueFile,
        rights: Rights,
        own_core: OwnCore | None = None,
    ) -> None:
        self._link = link
        self._log = log
        self._log.keep_number_in(rescue.number)
        self._rescue = rescue
        self._rights = rights
        self._own_core = own_core
        self._joiner = PacketJoiner()
        self._message_id = 0
        self._waker = Waker()
        self._outputs = Outputs(rescue, self._waker.fd)
        self._loop: Loop | None = None
        self._config: RigConfig | None = None  # of the ports that are open
        self._lossy: list[int] = []
        self._clock = RealClock([])
        self._waiting: tuple[int, bytes, int] | None = None  # command, payload, since: for a quiet moment
        self._quit = False
        self._why = ""
        self._serve: dict[int, Callable[[bytes], None]] = {
            Command.CONFIGURE: self._configure,
            Command.ROLL: self._roll,
            Command.STOP: lambda payload: self._player.stop(self._now(), json.loads(payload)["why"]),
            Command.PANIC: lambda payload: self._player.panic(self._now(), json.loads(payload)["why"]),
            Command.GO: lambda _payload: self._player.go(self._now()),
            Command.MUTE: self._mute,
            Command.SEND: self._send,
            Command.NOTE: self._note,
            Command.QUIT: self._leave,
        }

    # ------------------------------------------------------------------ life

    def run(self, lifeline: int, beat: int, rescue: bool, *, stay: bool = True) -> None:
        """Serve until told to quit, until the keeper is gone, or until a signal says so.

        With `rescue` what a dead engine left is ended before anything else; without `stay` that is all.
        """
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the keeper hears Ctrl-C and decides
        signal.signal(signal.SIGTERM, self._on_term)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        os.set_blocking(beat, False)
        self._clock = RealClock([lifeline, self._link.fileno(), self._waker.fd])
        if rescue:
            self._rescue_rig()
        self._quit = self._quit or not stay
        next_beat, moved = 0, False
        while not self._quit:
            now = self._now()
            moving = self._loop is not None and self._player.moving
            if moving and not moved:
                next_beat = now
            moved = moving
            if now >= next_beat:
                next_beat = now + (BEAT_NS if moving else IDLE_BEAT_NS)
                self._beat(beat, now)
            ready = self._step(next_beat)
            if self._waker.fd in ready:
                self._waker.clear()
            if lifeline in ready:
                self._leave_because(KEEPER_GONE)
            elif self._link.fileno() in ready:
                self._read_link()
            self._serve_waiting()
        if self._loop is not None:
            if self._player.moving and self._why:
                self._player.stop(self._now(), self._why)
            self._loop.close()

    def _step(self, limit_ns: int) -> Any:
        if self._loop is None:
            ready = self._clock.wait(limit_ns)
            self._log.flush(self._now())
            return ready
        return self._loop.step(limit_ns)

    def _beat(self, beat: int, now_ns: int) -> None:
        """Say that the loop is alive: a byte for the keeper, a status record for the desk."""
        with contextlib.suppress(BlockingIOError, BrokenPipeError):
            os.write(beat, b".")
        if self._own_core is not None:
            self._own_core.free_others()
        if self._loop is not None:
            player = self._player
            self._log.add_json(
                Kind.BEAT,
                now_ns,
                {"state": player.state.value, "song": player.song, "dropped": self._log.dropped},
                player.position(now_ns),
            )

    def _on_term(self, _signal: int, _frame: object) -> None:
        self._leave_because("the engine was told to end")
        os.eventfd_write(self._waker.fd, 1)

    def _leave(self, _payload: bytes) -> None:
        self._leave_because("the session ends")

    def _leave_because(self, why: str) -> None:
        self._quit, self._why = True, why

    # ------------------------------------------------------------------ the link

    def _read_link(self) -> None:
        try:
            packet = self._link.recv(_PACKET_BYTES)
        except (BlockingIOError, ConnectionError):
            return
        message = self._joiner.feed(packet)
        if message is None:
            return
        command, payload = message
        if command in (Command.COURSE, Command.EXTEND):
            self._waiting = (command, payload, self._now())
        else:
            self._obey(command, payload)

    def _serve_waiting(self) -> None:
        """Unpack a course where there is time for it before the next deadline."""
        if self._waiting is None:
            return
        command, payload, since = self._waiting
        now = self._now()
        deadline = None if self._loop is None else self._player.next_deadline_ns()
        needed = 1_000_000 + int(len(payload) / _UNPACK_BYTES_PER_NS)
        if deadline is not None and deadline - now < needed and now - since < _LONGEST_WAIT_NS:
            return
        self._waiting = None
        self._obey(command, payload)

    def _obey(self, command: int, payload: bytes) -> None:
        try:
            known = command in self._serve or command in (Command.COURSE, Command.EXTEND)
            if known and self._loop is None and command not in (Command.CONFIGURE, Command.QUIT):
                raise StateError("not configured", Command(command).name.lower())
            if command in (Command.COURSE, Command.EXTEND):
                self._take_course(command, payload)
            elif known:
                self._serve[command](payload)
        except StateError as error:
            data = {"action": Command(command).name.lower(), "state": error.state, "text": str(error)}
            self._log.add_json(Kind.REFUSED, self._now(), data)
            self._answer(Answer.FAULT, {"kind": "state", "text": str(error)})
        except TakewrightError as error:
            kind = type(error).__name__
            self._answer(Answer.FAULT, {"kind": kind, "text": str(error), "exit": int(error.exit_code)})

    def _answer(self, answer: Answer, data: dict[str, Any]) -> None:
        """Send a small answer; a desk that is not there to read it will ask again when it is back."""
        self._message_id += 1
        for packet in cut_packets(answer, self._message_id, json.dumps(data).encode()):
            try:
                self._link.send(packet, socket.MSG_DONTWAIT)
            except (BlockingIOError, ConnectionError):
                return

    # ------------------------------------------------------------------ commands

    @property
    def _player(self) -> Player:
        if self._loop is None:
            raise InternalError("the engine was used before it was configured")
        return self._loop.player

    def _now(self) -> int:
        return self._clock.now_ns()

    def _configure(self, payload: bytes) -> None:
        config = RigConfig.from_dict(json.loads(payload))
        if self._loop is not None and config == self._config:
            self._take_core()
            self._ready(rescued=False)  # a desk that was started again asks for what is there: keep it open
            return
        if self._loop is not None:
            if self._player.moving:
                raise StateError(self._player.state.value, "open the ports anew")
            self._loop.close()
            self._loop = self._config = None
        self._open(config)
        self._rescue.store(config)
        self._take_core()
        self._ready(rescued=False)

    def stand_by(self, promote: int, lifeline: int, beat: int) -> bool:
        """Wait as a spare; True when this is the engine from now on."""
        return stand_by(promote, lifeline, beat, self._outputs)

    def _open(self, config: RigConfig, *, rescue: bool = False) -> None:
        """Open the rig; RigError for ports that are not there and that it may not wait for.

        For a `rescue` it is opened as far as sending goes, and waits for what is missing.
        """
        if rescue:
            opened = self._outputs.take(config) or open_to_rescue(config, self._waker.fd)
        else:
            configs = [PortConfig.from_dict(port) for port in config.ports]
            opened = open_ports({port.name: port for port in configs}, wake_fd=self._waker.fd)
        ports = list(opened.values())
        self._lossy = lossy_after_a_death(ports)
        table = self._rescue.table
        owed, unsure = Sounding(table), Sounding(self._rescue.unsure)
        for port in range(len(ports)):
            if rescue:  # the dead engine did not see whether these ends arrived: they are sent once more
                owed.owe(port, unsure)
            unsure.forget(port)  # only now: the table never owes less than it must, wherever an engine dies
        player = make_player(config.machines, len(ports), config.clock, Sounding(bytearray(table)))
        self._loop = Loop(self._clock, ports, config.machines, self._log, player, config.clock, owed, unsure)
        self._config = config
        quiet_collector()

    def _ready(self, *, rescued: bool) -> None:
        self._answer(
            Answer.READY,
            {
                "rescued": rescued,
                "configured": self._loop is not None,
                "moving": self._loop is not None and self._player.moving,
                "pid": os.getpid(),
                "core": None if self._own_core is None else self._own_core.core,
                "realtime": self._rights.realtime,
                "memory_locked": self._rights.memory_locked,
                "warnings": list(self._rights.warnings),
                "ports": [] if self._loop is None else self._loop.describe_ports(),
                "missing": [] if self._loop is None else self._loop.missing_ports(),
            },
        )

    def _take_course(self, command: int, payload: bytes) -> None:
        course = Course.unpack(payload)
        if command == Command.EXTEND:
            if not self._player.extend(course):
                raise StateError(self._player.state.value, "go on with another song")
        else:
            self._player.load(course)
        self._answer(Answer.LOADED, {"song": course.legs[0].timeline.song, "course": crc32(payload)})

    def _take_core(self) -> None:
        if self._own_core is not None and not (self._loop is not None and self._player.moving):
            self._own_core.take()

    def _roll(self, payload: bytes) -> None:
        order = json.loads(payload)
        self._take_core()
        now = self._now()
        anchor = self._player.roll(now)
        data = {**order, "anchor_ns": anchor, "wall_ns": time.time_ns() - self._now() + anchor}
        self._log.add_json(Kind.TAKE_BEGIN, now, data)
        if self._loop is not None:
            self._loop.tell_away(now)
        self._log.flush(now)

    def _mute(self, payload: bytes) -> None:
        data = json.loads(payload)
        self._player.mute(data["machine"], data["muted"], self._now())

    def _note(self, payload: bytes) -> None:
        """Write a finding of the desk's into the record, where it stands among all else."""
        note = json.loads(payload)
        t_ns = int(note["t_ns"])
        self._log.add_json(Kind.FINDING, t_ns, note["data"], self._player.position(t_ns))

    def _send(self, payload: bytes) -> None:
        assert self._loop is not None
        for port, machine, text in json.loads(payload)["messages"]:
            self._loop.send_now(port, machine, bytes.fromhex(text))

    # ------------------------------------------------------------------ after a death

    def _rescue_rig(self) -> None:
        """Open the ports that the dead engine had, and silence what it left sounding and running."""
        goes_on = self._log.go_on()
        config = self._rescue.load()
        if config is None:
            self._ready(rescued=True)  # the dead one had opened nothing; what it was told may be lost
            return
        now = self._now()
        try:
            self._open(config, rescue=True)
            assert self._loop is not None
            missing = self._loop.missing_ports()
            if missing and len(missing) == len(config.ports):
                raise RigError("\n".join(str(entry["text"]) for entry in missing))
        except TakewrightError as error:
            data = {"code": "engine-restarted", "severity": "error", "numbers_go_on": goes_on}
            data |= {"text": str(error), "silenced": False}
            self._log.add_json(Kind.FINDING, now, data)
            self._end_of_the_dead()
            if self._loop is not None:
                self._loop.let_go()
            self._loop = self._config = None
            fault = {"kind": "rescue", "text": str(error), "exit": int(error.exit_code), "pid": os.getpid()}
            self._answer(Answer.FAULT, fault)
            return
        owed = sum(self._player.sounding.count(port) for port in range(len(config.ports)))
        # before all else: it tells the log's writer how records are numbered from here on
        data = {"code": "engine-restarted", "severity": "error", "numbers_go_on": goes_on}
        data |= {"silenced": not missing, "notes": owed}
        if missing:
            data["text"] = "the engine died; what could be reached was stopped and silenced. " + "; ".join(
                str(entry["text"]) for entry in missing
            )
        self._log.add_json(Kind.FINDING, now, data)
        self._loop.silence_after_death(now, self._lossy)
        self._loop.serve(self._now())
        self._loop.complete_ports()
        self._end_of_the_dead()
        self._ready(rescued=True)

    def _end_of_the_dead(self) -> None:
        """Say that the take ended with the engine that died; where none rolled, nobody takes note."""
        now = self._now()
        self._log.add_json(Kind.TAKE_END, now, {"why": "the engine process died", "outcome": "failed"})
        self._log.flush(now)


def main(argv: list[str] | None = None) -> int:
    """Run the engine process; descriptors are given by number."""
    parser = argparse.ArgumentParser(prog="runner.engine")
    for name in ("link", "records", "beat", "lifeline", "rescue-file"):
        parser.add_argument(f"--{name}", type=int, required=True)
    parser.add_argument("--first-seq", type=int, default=1)
    parser.add_argument("--rescue", action="store_true", help="silence the rig first: an engine died")
    parser.add_argument("--only", action="store_true", help="silence the rig and go")
    parser.add_argument("--spare", type=int, help="wait for a byte here, then rescue")
    given = parser.parse_args(argv)
    for number in (signal.SIGINT, signal.SIGHUP):  # the keeper hears them and decides
        signal.signal(number, signal.SIG_IGN)
    if given.spare is not None:
        # a signal to all ends the engine that plays; a JACK client that died beside it would eat its Stop
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    name_process(ENGINE_NAME if given.spare is None else "tw-spare")
    # a spare looks around once a second: the engine that plays goes before it
    rights = take_rights(PRIORITY if given.spare is None else PRIORITY - 5)
    rescue = given.rescue or given.spare is not None
    link = socket.socket(fileno=given.link)
    link.setblocking(False)
    log = RecordLog(PipeSink(given.records), given.first_seq)
    engine = Engine(link, log, RescueFile(given.rescue_file), rights, OwnCore())
    if given.spare is not None:
        if not engine.stand_by(given.spare, given.lifeline, given.beat):
            return 0
        name_process(ENGINE_NAME)
        take_rights()
    engine.run(given.lifeline, given.beat, rescue, stay=not given.only)
    return 0


if __name__ == "__main__":
    sys.exit(main())
