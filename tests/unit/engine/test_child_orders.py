"""The engine process's answers to the desk, and what it does first when another engine has died."""

from __future__ import annotations

import json
import os
import signal
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from timelines import course, timeline

import runner.engine.child as child
from runner.engine.child import Engine
from runner.engine.log import MemorySink, RecordLog
from runner.engine.rescue import CONFIG_BYTES, SIZE, RescueFile
from runner.engine.rights import Rights
from runner.framing import PacketJoiner, cut_packets
from runner.play.commands import Answer, Command, RigConfig, RigMachine
from runner.play.sounding import MAX_PORTS, Sounding
from runner.ports.base import PortConfig
from runner.takes.format import Kind, Record, RecordReader

RIG = RigConfig(
    (PortConfig("rack", "simulated", simulate="synthesizer").to_dict(),),
    (RigMachine("bass", 0, channel=2, follows=("clock", "transport")),),
)
MISSING_RIG = RigConfig(
    (PortConfig("rack", "system", match="Boat Shed*").to_dict(),), (RigMachine("bass", 0, channel=2),)
)


@dataclass
class Bench:
    """An engine in this process, with everything that the keeper would hold."""

    link: socket.socket
    rescue: RescueFile
    start: Callable[[bool], None]
    sink: MemorySink = field(default_factory=MemorySink)
    _numbers: Iterator[int] = field(default_factory=lambda: iter(range(1, 1000)))

    def order(self, command: Command, payload: dict[str, Any] | bytes = b"") -> None:
        """Put a command into the link."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        for packet in cut_packets(command, next(self._numbers), data):
            self.link.send(packet)

    def run(self, *, rescue: bool = False) -> list[tuple[Answer, dict[str, Any]]]:
        """Run the engine until it has obeyed all orders; return its answers."""
        self.order(Command.QUIT)
        self.start(rescue)
        joiner, answers = PacketJoiner(), []
        while True:
            try:
                message = joiner.feed(self.link.recv(65_536, socket.MSG_DONTWAIT))
            except BlockingIOError:
                return answers
            if message is not None:
                answers.append((Answer(message[0]), json.loads(message[1])))

    def records(self) -> list[Record]:
        """The records that the engine wrote, signs of life left out."""
        return [r for r in RecordReader().feed(bytes(self.sink.data)) if r.kind != Kind.BEAT]


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """An engine that waits for orders."""
    monkeypatch.setenv("TAKEWRIGHT_MIDI_API", "dummy")
    monkeypatch.setattr(child, "quiet_collector", lambda: None)  # it would last for the whole test run
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    desk, engine = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    engine.setblocking(False)
    memory = os.memfd_create("takewright-test")
    os.ftruncate(memory, SIZE)
    beat, lifeline = os.pipe(), os.pipe()
    sink = MemorySink()

    def start(rescue: bool) -> None:
        log = RecordLog(sink)
        Engine(engine, log, RescueFile(memory), Rights(False, False, ())).run(lifeline[0], beat[1], rescue)

    try:
        yield Bench(desk, RescueFile(memory), start, sink)
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
        for fd in (memory, *beat, *lifeline):
            os.close(fd)
        desk.close()
        engine.close()


def test_the_same_rig_asked_for_twice_is_opened_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A desk that was started again asks for its rig: the open ports stay as they are."""
    opened: list[int] = []
    real = child.open_ports

    def count(*arguments: Any, **options: Any) -> Any:
        opened.append(1)
        return real(*arguments, **options)

    monkeypatch.setattr(child, "open_ports", count)
    bench.order(Command.CONFIGURE, RIG.to_dict())
    bench.order(Command.CONFIGURE, RIG.to_dict())
    answers = bench.run()
    assert [kind for kind, _ in answers] == [Answer.READY, Answer.READY]
    assert all(data["configured"] and not data["moving"] for _, data in answers)
    assert len(opened) == 1


def test_a_rolling_engine_says_so_to_a_desk_that_asks_for_its_rig(bench: Bench) -> None:
    """The answer tells that a course moves, so that the new desk does not roll a second time."""
    bench.order(Command.CONFIGURE, RIG.to_dict())
    bench.order(Command.COURSE, course(timeline(clocks=480)).pack())
    bench.order(Command.ROLL, {"take": "a/b/c/take-0001", "song": "Ropewalk"})
    bench.order(Command.CONFIGURE, RIG.to_dict())
    answers = bench.run()
    assert [kind for kind, _ in answers] == [Answer.READY, Answer.LOADED, Answer.READY]
    assert answers[-1][1]["moving"] is True
    end = next(record for record in bench.records() if record.kind == Kind.TAKE_END)
    assert end.json() == {"why": "the session ends", "outcome": "stopped"}


def test_a_course_without_a_rig_is_refused_at_once(bench: Bench) -> None:
    """Nothing waits for ports that nobody has opened: the desk is told, and the engine goes on."""
    bench.order(Command.COURSE, course(timeline()).pack())
    bench.order(Command.CONFIGURE, RIG.to_dict())
    answers = bench.run()
    assert [kind for kind, _ in answers] == [Answer.FAULT, Answer.READY]
    assert answers[0][1]["kind"] == "state"
    assert "not configured" in answers[0][1]["text"]


def test_a_rescuer_of_an_engine_that_had_opened_nothing_asks_for_the_rig(bench: Bench) -> None:
    """It answers at once that it has no ports; no take ends, as none had begun."""
    answers = bench.run(rescue=True)
    assert [(kind, data["rescued"], data["configured"]) for kind, data in answers] == [
        (Answer.READY, True, False)
    ]
    assert bench.records() == []


def test_a_rescuer_silences_what_the_dead_engine_left(bench: Bench) -> None:
    """Finding first, as it begins a new numbering; then Stop, Note Offs, mode messages; then the take's end.

    MIDI 1.0 Detailed Specification 4.2.1, p. 24: Note Offs come before All Notes Off (123).
    """
    bench.rescue.store(RIG)
    left = Sounding(bench.rescue.table)
    for data in (b"\xfa", b"\x91\x28\x64", b"\x91\x28\x64", b"\x91\x2f\x50", b"\xb1\x40\x7f"):
        left.track(0, data)
    answers = bench.run(rescue=True)
    assert [(kind, data["rescued"], data["configured"]) for kind, data in answers] == [
        (Answer.READY, True, True)
    ]
    records = bench.records()
    assert records[0].seq == 1
    assert records[0].json()["code"] == "engine-restarted"
    assert records[0].json()["notes"] == 3
    cuts = [record.data.hex() for record in records if record.kind == Kind.CUT]
    assert cuts == ["fc", "812840", "812840", "812f40", "b14000", "b17b00"]
    assert records[-1].kind == Kind.TAKE_END
    assert records[-1].json() == {"why": "the engine process died", "outcome": "failed"}
    assert not Sounding(bench.rescue.table).any_left([0])


def test_a_rescuer_ends_again_what_may_have_been_ended_in_vain(bench: Bench) -> None:
    """The dead engine sent Stop and Note Offs to a port that it had no time to look at: they go out again."""
    bench.rescue.store(RIG)
    Sounding(bench.rescue.table).track(0, b"\x91\x2f\x50")
    unsure = Sounding(bench.rescue.unsure)
    for data in (b"\xfa", b"\x91\x28\x64", b"\xb1\x40\x7f"):
        unsure.track(0, data)
    bench.run(rescue=True)
    cuts = [record.data.hex() for record in bench.records() if record.kind == Kind.CUT]
    assert cuts == ["fc", "812840", "812f40", "b14000", "b17b00"]
    assert not Sounding(bench.rescue.table).any_left([0])
    assert not unsure.any_left([0])


def test_ports_that_are_opened_in_good_order_owe_nothing_for_those_before_them(bench: Bench) -> None:
    """What an engine was not sure of belongs to the ports it closed; the new ones are another rig's."""
    unsure = Sounding(bench.rescue.unsure)
    unsure.track(0, b"\xfa")
    bench.order(Command.CONFIGURE, RIG.to_dict())
    bench.run()
    assert [record for record in bench.records() if record.kind == Kind.CUT] == []
    assert not unsure.any_left([0])


def test_a_rig_of_any_length_leaves_both_tables_as_they_are(bench: Bench) -> None:
    """The second table stands behind the configuration, and neither runs into the other."""
    Sounding(bench.rescue.table).track(MAX_PORTS - 1, b"\xfa")
    Sounding(bench.rescue.unsure).track(0, b"\xfa")
    before = bytes(bench.rescue.table), bytes(bench.rescue.unsure)
    long = replace(RIG, machines=(replace(RIG.machines[0], name="m" * (CONFIG_BYTES - 2000)),))
    bench.rescue.store(long)
    assert bench.rescue.load() == long
    assert (bytes(bench.rescue.table), bytes(bench.rescue.unsure)) == before


def test_a_rescuer_that_finds_no_port_ends_the_take_and_says_so(bench: Bench) -> None:
    """The take does not stay open for ever: it is failed, and the desk is told why with exit code 3."""
    bench.rescue.store(MISSING_RIG)
    answers = bench.run(rescue=True)
    assert [kind for kind, _ in answers] == [Answer.FAULT]
    assert (answers[0][1]["kind"], answers[0][1]["exit"]) == ("rescue", 3)
    finding, end = bench.records()
    assert finding.json()["silenced"] is False
    assert "rack" in finding.json()["text"]
    assert end.json() == {"why": "the engine process died", "outcome": "failed"}


def test_a_rescuer_numbers_its_records_on(bench: Bench) -> None:
    """The finding goes on where the dead engine's records ended, and says so to the log's writer."""
    bench.order(Command.CONFIGURE, RIG.to_dict())
    bench.order(Command.COURSE, course(timeline(clocks=480)).pack())
    bench.order(Command.ROLL, {"take": "a/b/c/take-0001", "song": "Ropewalk"})
    bench.run()
    written = len(bench.sink.data)
    last = list(RecordReader().feed(bytes(bench.sink.data)))[-1]
    bench.run(rescue=True)
    first = next(iter(RecordReader().feed(bytes(bench.sink.data[written:]))))
    assert first.json()["code"] == "engine-restarted"
    assert first.json()["numbers_go_on"] is True
    assert first.seq == last.seq + last.raw_count
