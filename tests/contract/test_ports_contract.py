"""One suite of what every port must do, run over every kind of port.

The contract is the text at the head of runner/ports/base.py. Bytes follow the MIDI 1.0 Detailed
Specification 4.2.1 (status table I to VI; parsing rules pages 5, 6, 29, 30).
"""

from __future__ import annotations

import ctypes
import subprocess
import time
from collections.abc import Callable, Iterator
from functools import cache

import pytest
import rtmidi

from runner.ports.base import Port, PortConfig, SendError
from runner.ports.machine_parts import Complaints, Outbox, Said
from runner.ports.memory import Cable, MemoryPort
from runner.ports.registry import open_ports
from runner.ports.simulated import SimulatedPort
from runner.ports.splitter import MessageSplitter

PATIENCE_S = 10.0
KINDS = ("memory", "memory-delayed", "simulated", pytest.param("virtual", marks=pytest.mark.realport))


class ManualClock:
    """Virtual time that goes on when it is told to."""

    def __init__(self) -> None:
        self.now = 1_000_000_000

    def __call__(self) -> int:
        self.now += 1_000
        return self.now


class Rig:
    """A port under test, and the world at its other end."""

    def __init__(self, make: Callable[[PortConfig], Port], clock: Callable[[], int]) -> None:
        self.make = make
        self.clock = clock
        self.calls: list[tuple[int, int, bytes]] = []  # (time of the call, arrival, message)
        self.inject: Callable[[bytes], None] = lambda data: None
        self.heard: Callable[[int], list[bytes]] = lambda count: []
        self.settle: Callable[[Port, int], None] = lambda port, count: None

    def receive(self, arrival_ns: int, data: bytes) -> None:
        """Note one delivery."""
        self.calls.append((self.clock(), arrival_ns, data))

    @property
    def received(self) -> list[bytes]:
        """The messages delivered so far."""
        return [data for _, _, data in self.calls]


def _virtual_time(rig: Rig, clock: ManualClock) -> None:
    def settle(port: Port, _count: int) -> None:
        while (due := port.next_deadline_ns()) is not None:
            clock.now = max(clock.now, due)
            port.due(clock.now)

    rig.settle = settle


def _memory_rig(cable: Cable) -> Rig:
    clock = ManualClock()
    peer = MemoryPort(PortConfig("peer", "memory"), clock, cable)
    heard: list[bytes] = []
    peer.start(lambda _arrival, data: heard.append(data))

    def make(config: PortConfig) -> Port:
        port = MemoryPort(config, clock, cable)
        port.join(peer)
        return port

    rig = Rig(make, clock)
    rig.inject = peer.send
    _virtual_time(rig, clock)

    def heard_now(_count: int) -> list[bytes]:
        rig.settle(peer, 0)
        return heard

    rig.heard = heard_now
    return rig


class Mirror:
    """A machine that keeps what it gets and says what it is told to."""

    kind = "mirror"

    def __init__(self) -> None:
        self.complaints = Complaints()
        self.heard: list[bytes] = []
        self.out = Outbox()

    def receive(self, data: bytes, t_ns: int) -> None:
        """Keep one message."""
        self.heard.append(data)

    def due(self, now_ns: int) -> list[Said]:
        """Say it."""
        return self.out.due(now_ns)

    def next_deadline_ns(self) -> int | None:
        """When there is something to say."""
        return self.out.next_ns()


def _simulated_rig() -> Rig:
    clock = ManualClock()
    machine = Mirror()
    rig = Rig(lambda config: SimulatedPort(config, clock, machine), clock)
    rig.inject = lambda data: machine.out.say(clock(), data)
    rig.heard = lambda count: machine.heard
    _virtual_time(rig, clock)
    return rig


@cache
def _peers() -> tuple[rtmidi.MidiIn, rtmidi.MidiOut]:
    """An independent python-rtmidi client with a port each way, for the whole run.

    It is never closed: a client of RtMidi's that is closed beside one that has just gone may end the process
    in JACK's own thread (seen: once in some hundred times, on a busy computer).
    """
    api = rtmidi.API_UNIX_JACK
    # read from RtMidi's own queue: a callback would need the interpreter in JACK's thread
    peer_in = rtmidi.MidiIn(api, name="contract-ear", queue_size_limit=65_536)
    peer_out = rtmidi.MidiOut(api, name="contract-mouth")
    peer_in.ignore_types(sysex=False, timing=False, active_sense=False)
    peer_in.open_virtual_port("in")
    peer_out.open_virtual_port("out")
    for client in (peer_in, peer_out):
        ctypes.pythonapi.Py_IncRef(ctypes.py_object(client))
    return peer_in, peer_out


def _full_name(client: rtmidi.MidiIn | rtmidi.MidiOut, part: str) -> str:
    return next(name for name in client.get_ports() if part in name)


def _connect(source: str, sink: str) -> None:
    subprocess.run(["jack_connect", source, sink], check=True, capture_output=True, timeout=PATIENCE_S)


def _virtual_rig() -> Iterator[Rig]:
    """A virtual port of ours with an independent python-rtmidi client connected to both its halves."""
    peer_in, peer_out = _peers()
    heard: list[bytes] = []
    opened: list[Port] = []

    def make(config: PortConfig) -> Port:
        port = open_ports({config.name: config})[config.name]
        opened.append(port)
        if config.has_output:
            _connect(_full_name(peer_in, config.create), _full_name(peer_out, "contract-ear"))
        if config.has_input:
            _connect(_full_name(peer_in, "contract-mouth"), _full_name(peer_out, config.create))
        while peer_in.get_message() is not None:
            pass  # what the test before this one left
        return port

    rig = Rig(make, time.monotonic_ns)
    rig.inject = peer_out.send_message
    splitter = MessageSplitter(packets=True)

    def heard_by_peer(count: int) -> list[bytes]:
        end = time.monotonic() + PATIENCE_S
        while len(heard) < count:
            event = peer_in.get_message()
            if event is not None:
                heard.extend(splitter.feed(bytes(event[0])))
                continue
            assert time.monotonic() < end, f"{len(heard)} messages came to the peer, not {count}"
            time.sleep(0.001)
        return heard

    def settle(port: Port, count: int) -> None:
        if not count:
            time.sleep(0.05)  # nothing to wait for by which it could be seen that a message was dropped
            return
        end = time.monotonic() + PATIENCE_S
        while port.counts.received < count and time.monotonic() < end:
            time.sleep(0.002)

    rig.heard, rig.settle = heard_by_peer, settle
    yield rig
    for port in opened:
        port.close()


@pytest.fixture(params=KINDS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    """The world around one kind of port."""
    if request.param == "virtual":
        request.getfixturevalue("jack_server")
        yield from _virtual_rig()
    elif request.param == "simulated":
        yield _simulated_rig()
    else:
        delayed = request.param == "memory-delayed"
        yield _memory_rig(Cable(delay_ns=3_000_000, jitter_ns=2_000_000) if delayed else Cable())


@pytest.fixture
def config(request: pytest.FixtureRequest) -> Callable[..., PortConfig]:
    """Makes the settings of the port under test."""
    kind = request.node.callspec.params["rig"]

    def make(direction: str = "both", raw: bool = False) -> PortConfig:
        medium = "memory" if kind.startswith("memory") else kind
        return PortConfig("front", medium, create="quay-bus", simulate="mirror", direction=direction, raw=raw)  # type: ignore[arg-type]

    return make


Config = Callable[..., PortConfig]


def _note(number: int) -> bytes:
    return bytes((0x90, number % 128, 1 + number // 128))


def test_a_port_keeps_the_protocol(rig: Rig, config: Config) -> None:
    """Every port has all that the protocol names, says what it is, and is present until closed."""
    port = rig.make(config())
    assert isinstance(port, Port)
    assert (port.name, port.has_input, port.has_output) == ("front", True, True)
    assert port.describe()
    assert port.present()
    port.close()
    assert not port.present()


def test_what_is_sent_arrives_unchanged_and_in_order(rig: Rig, config: Config) -> None:
    """A thousand messages come out at the other end, none missing, none changed, none out of turn."""
    port = rig.make(config())
    sent = [_note(number) for number in range(1000)]
    for start in range(0, 1000, 50):
        for message in sent[start : start + 50]:
            port.send(message)
        assert len(rig.heard(start + 50)) == start + 50
    assert rig.heard(1000) == sent
    assert port.counts.sent == 1000


def test_what_arrives_is_delivered_in_order_with_its_time(rig: Rig, config: Config) -> None:
    """A thousand messages are delivered in order; arrivals never go back and are never after the call."""
    port = rig.make(config())
    port.start(rig.receive)
    sent = [_note(number) for number in range(1000)]
    for start in range(0, 1000, 50):
        for message in sent[start : start + 50]:
            rig.inject(message)
        rig.settle(port, start + 50)
    assert rig.received == sent
    assert port.counts.received == 1000
    arrivals = [arrival for _, arrival, _ in rig.calls]
    assert arrivals == sorted(arrivals)
    assert all(arrival <= called for called, arrival, _ in rig.calls)


@pytest.mark.parametrize(
    "message",
    [
        b"\xf8",
        b"\xfe",
        b"\xf0\x7d\x01\x02\xf7",
        b"\xfa",
        b"\xfb",
        b"\xfc",
        b"\xff",
        b"\xf2\x68\x07",
        b"\xf1\x76",
        b"\xf3\x05",
        b"\xf6",
        b"\xc0\x0b",
        b"\xe9\x00\x40",
        bytes((0xF0, 0x7D, *(n % 128 for n in range(4000)), 0xF7)),
    ],
    ids=lambda message: message[:4].hex(),
)
def test_every_kind_of_message_passes_both_ways(rig: Rig, config: Config, message: bytes) -> None:
    """Clock, active sensing, sysex and all the rest of MIDI 1.0 tables I to VI pass, nothing is filtered."""
    port = rig.make(config())
    port.start(rig.receive)
    port.send(message)
    assert rig.heard(1) == [message]
    rig.inject(message)
    rig.settle(port, 1)
    assert rig.received == [message]


def test_a_clock_inside_a_sysex_comes_out_first(rig: Rig, config: Config) -> None:
    """A real-time byte between the bytes of a sysex is given on its own, before it (MIDI 1.0 p. 30)."""
    port = rig.make(config())
    port.start(rig.receive)
    rig.inject(b"\xf0\x43\xf8\x12\xf7")
    rig.settle(port, 2)
    assert rig.received == [b"\xf8", b"\xf0\x43\x12\xf7"]


def test_pieces_of_a_sysex_let_a_clock_pass(rig: Rig, config: Config) -> None:
    """On a raw port a sysex goes out in pieces; a clock sent between them is not behind its end."""
    port = rig.make(config(raw=True))
    for piece in (b"\xf0\x7d\x01\x02\x03", b"\xf8", b"\x04\x05\x06\x07\x08", b"\x09\xf7"):
        port.send(piece)
    assert rig.heard(2) == [b"\xf8", b"\xf0\x7d\x01\x02\x03\x04\x05\x06\x07\x08\x09\xf7"]


def test_bytes_that_are_no_midi_are_counted(rig: Rig, config: Config) -> None:
    """A torn message, an undefined status and stray data raise nothing and are counted to the byte."""
    port = rig.make(config())
    port.start(rig.receive)
    for bad in (b"\x90\x3c", b"\xf4", b"\x40\x41", b"\xf9"):
        rig.inject(bad)
    rig.inject(b"\xf8")
    rig.settle(port, 1)
    assert rig.received == [b"\xf8"]
    assert port.counts.bad_bytes == 6


def test_nothing_is_delivered_before_start_or_after_close(rig: Rig, config: Config) -> None:
    """Messages that arrive before `start` are dropped, and a closed port delivers no more."""
    port = rig.make(config())
    rig.inject(b"\xc0\x01")
    rig.settle(port, 0)
    port.start(rig.receive)
    rig.inject(b"\xc0\x02")
    rig.settle(port, 1)
    port.close()
    before = list(rig.received)
    rig.inject(b"\xc0\x03")
    rig.settle(port, 0)
    assert rig.received == before
    assert b"\xc0\x02" in before
    assert b"\xc0\x03" not in before


def test_a_send_that_cannot_be_is_refused_and_counted(rig: Rig, config: Config) -> None:
    """Sending nothing, on a closed port or without an output raises SendError that names the port."""
    port = rig.make(config())
    with pytest.raises(SendError, match="front"):
        port.send(b"")
    port.close()
    with pytest.raises(SendError, match=r"front.*closed"):
        port.send(b"\xf8")
    assert port.counts.send_errors == 2
    assert port.counts.sent == 0


def test_a_port_of_one_direction_keeps_to_it(rig: Rig, config: Config) -> None:
    """A port with `direction: in` has no output, says so, and refuses to send."""
    port = rig.make(config(direction="in"))
    assert port.has_input
    assert not port.has_output
    with pytest.raises(SendError, match="no output"):
        port.send(b"\xf8")


def test_a_port_is_started_once_and_closed_as_often_as_you_like(rig: Rig, config: Config) -> None:
    """A second `start` is a fault of ours and raises; a second `close` does nothing."""
    port = rig.make(config())
    port.start(rig.receive)
    with pytest.raises(ValueError, match="front was started twice"):
        port.start(rig.receive)
    port.close()
    port.close()


def test_ports_without_a_machine_of_their_own_ask_for_no_calls(rig: Rig, config: Config) -> None:
    """`threaded` ports never want `due`; the others want none while nothing is under way."""
    port = rig.make(config())
    assert port.next_deadline_ns() is None
    port.due(rig.clock())
    assert port.counts.received == 0
