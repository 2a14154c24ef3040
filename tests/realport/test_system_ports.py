"""The system's ports on a real JACK server with the dummy driver, against independent clients.

The clients are other processes that use python-rtmidi by themselves, and JACK's own `jack_lsp`.
"""

from __future__ import annotations

import ctypes
import json
import os
import select
import statistics
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise

import pytest
from jack_server import JackServer, start_jack_server
from live_run import EAR

from runner.engine.rights import PRIORITY
from runner.errors import ExitCode, RigError
from runner.ports.base import Port, PortConfig, SendError
from runner.ports.midi_client import SystemMidi, list_system_ports
from runner.ports.registry import open_ports
from runner.ports.system import JACK_MAX_MESSAGE, SystemMidiPort

pytestmark = pytest.mark.realport
PATIENCE_S = 15.0


class Collector:
    """Takes deliveries, and is woken by the descriptor that the port writes to."""

    def __init__(self) -> None:
        self.wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.calls: list[tuple[int, int, bytes]] = []

    def receive(self, arrival_ns: int, data: bytes) -> None:
        """Note one delivery and when it was made."""
        self.calls.append((time.monotonic_ns(), arrival_ns, data))

    @property
    def messages(self) -> list[bytes]:
        """What was delivered."""
        return [data for _, _, data in self.calls]

    def wait(self, enough: Callable[[list[bytes]], bool]) -> None:
        """Wait, by the descriptor alone, until enough was delivered."""
        end = time.monotonic() + PATIENCE_S
        while not enough(self.messages):
            ready, _, _ = select.select([self.wake_fd], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                raise AssertionError(f"only {len(self.calls)} messages came: {self.messages[-5:]}")
            os.eventfd_read(self.wake_fd)

    def close(self) -> None:
        """Let the descriptor go."""
        os.close(self.wake_fd)


@pytest.fixture
def collector() -> Iterator[Collector]:
    """A place for deliveries."""
    made = Collector()
    yield made
    made.close()


@contextmanager
def opened(config: PortConfig, wake_fd: int | None = None) -> Iterator[Port]:
    """Open one port for the block."""
    port = open_ports({config.name: config}, wake_fd=wake_fd)[config.name]
    try:
        yield port
    finally:
        port.close()


@contextmanager
def client(server: JackServer, script: str) -> Iterator[subprocess.Popen[str]]:
    """Run an independent client for the block; it prints `ready` when it can be used."""
    head = """
        import select, sys, time, rtmidi
        api = rtmidi.API_UNIX_JACK
        def index(ports, text):
            return next(n for n, name in enumerate(ports) if text in name)
        def ready():
            print("ready", flush=True)
    """
    # Ended in good order: the server holds everybody up for seconds over a client that was killed.
    tail = """
        for thing in list(globals().values()):
            if isinstance(thing, (rtmidi.MidiIn, rtmidi.MidiOut)):
                thing.close_port(); thing.delete()
    """
    code = "".join(map(textwrap.dedent, (head, script, tail)))
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=server.child_environment(),
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        yield process
    finally:
        _end(process)


def _end(process: subprocess.Popen[str]) -> None:
    """Let a client come to its end, which it does when its input is closed."""
    try:
        process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()


def _tell(process: subprocess.Popen[str], line: str) -> None:
    assert process.stdin is not None
    process.stdin.write(line + "\n")
    process.stdin.flush()


ECHO = """
    out = rtmidi.MidiOut(api, name="quay-echo"); out.open_virtual_port("back")
    inp = rtmidi.MidiIn(api, name="quay-echo"); inp.ignore_types(False, False, False)
    inp.set_callback(lambda event, data: out.send_message(event[0])); inp.open_virtual_port("there")
    ready(); sys.stdin.readline()
"""


def test_a_thousand_messages_go_through_another_process_and_back(
    jack_server: JackServer, collector: Collector
) -> None:
    """A port matched by glob sends to an independent client and hears its echo: all, in order, unchanged."""
    config = PortConfig("echo", "system", match="QUAY-echo*:*")
    with client(jack_server, ECHO), opened(config, collector.wake_fd) as port:
        port.start(collector.receive)
        sent = [bytes((0x90, n % 128, 1 + n // 128)) for n in range(1000)]
        for start in range(0, 1000, 100):
            for message in sent[start : start + 100]:
                port.send(message)
            collector.wait(lambda got, enough=start + 100: len(got) >= enough)
        assert collector.messages == sent
        assert "quay-echo" in port.describe()


def test_clock_sense_and_sysex_arrive(jack_server: JackServer, collector: Collector) -> None:
    """What RtMidi filters out unless told otherwise arrives: F8, FE, F1 and F0 .. F7 (MIDI 1.0 table I)."""
    wanted = [b"\xf8", b"\xfe", b"\xf1\x24", b"\xf0\x7e\x7f\x06\x01\xf7"]
    with (
        client(jack_server, ECHO),
        opened(PortConfig("echo", "system", match="quay-echo*"), collector.wake_fd) as port,
    ):
        port.start(collector.receive)
        for message in wanted:
            port.send(message)
        collector.wait(lambda got: len(got) >= len(wanted))
        assert collector.messages == wanted


def test_a_created_port_is_seen_by_other_programs(jack_server: JackServer) -> None:
    """JACK's own lister shows a virtual port in both directions, by the name that the session gave it."""
    with opened(PortConfig("bus", "virtual", create="lantern-bus")):
        shown = subprocess.run(
            ["jack_lsp", "-s", jack_server.name, "-p"],
            env=jack_server.child_environment(),
            capture_output=True,
            text=True,
            check=True,
            timeout=PATIENCE_S,
        ).stdout
    lines = [line.strip() for line in shown.splitlines()]
    names = [n for n, line in enumerate(lines) if line.startswith("takewright") and ":lantern-bus" in line]
    flags = {flag for n in names for flag in ("input", "output") if flag in lines[n + 1]}
    assert len(names) == 2
    assert flags == {"input", "output"}


def test_own_ports_are_left_out_of_the_list(jack_server: JackServer) -> None:
    """A session cannot connect to its own virtual port; another process of ours sees it."""
    midi = SystemMidi()
    midi.hold()
    before = midi.list_ports()
    bus = SystemMidiPort(midi, PortConfig("bus", "virtual", create="lantern-own"))
    try:
        assert midi.list_ports() == before
        assert len([port for port in list_system_ports() if "lantern-own" in port.name]) == 2
    finally:
        bus.close()
        midi.release()


def test_what_a_daemon_joins_with_is_no_port_for_anybody(jack_server: JackServer) -> None:
    """The clients by which a process of ours is joined are in no list, in no process, and match nothing."""
    script = (
        "import sys; from runner.ports.base import PortConfig; from runner.ports.registry import open_ports; "
        "open_ports({'front': PortConfig('front', 'system', match='quay-echo*')}); "
        "print('open', flush=True); sys.stdin.read()"
    )
    with client(jack_server, ECHO):
        before = list_system_ports()
        other = subprocess.Popen(
            [sys.executable, "-c", script],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=jack_server.child_environment(),
            text=True,
        )
        with other:
            assert other.stdout is not None
            assert other.stdout.readline() == "open\n"
            shown = subprocess.run(
                ["jack_lsp"], env=jack_server.child_environment(), capture_output=True, text=True, check=True
            ).stdout
            assert shown.count(f"takewright-{other.pid}-front") == 2
            assert list_system_ports() == before


def test_a_missing_port_names_near_ones(jack_server: JackServer) -> None:
    """A name that no port has gives an error of exit code 3 with the near matches of the real list."""
    configs = {
        "front": PortConfig("front", "system", match="quay-ecko:*"),
        "away": PortConfig("away", "system", match="zzz*", direction="in"),
    }
    with client(jack_server, ECHO), pytest.raises(RigError) as caught:
        open_ports(configs)
    text = str(caught.value)
    assert caught.value.exit_code is ExitCode.RIG_MISSING
    assert "port front: no output of the system matches 'quay-ecko:*'; near: 'quay-echo" in text
    assert "port away: no input of the system matches 'zzz*'" in text


def test_an_ambiguous_name_is_an_error(jack_server: JackServer) -> None:
    """A glob that fits two ports of the system names both."""
    two = """
        one = rtmidi.MidiOut(api, name="quay-two"); one.open_virtual_port("lamp 0")
        other = rtmidi.MidiOut(api, name="quay-two"); other.open_virtual_port("lamp 1")
        ready(); sys.stdin.readline()
    """
    config = PortConfig("lamps", "system", match="*lamp*", direction="in")
    with client(jack_server, two), pytest.raises(RigError) as caught:
        open_ports({"lamps": config})
    assert "2 inputs of the system match '*lamp*'" in str(caught.value)
    assert "lamp 0" in str(caught.value)
    assert "lamp 1" in str(caught.value)


def test_presence_follows_the_other_program(jack_server: JackServer) -> None:
    """A port is present while what it was opened on is listed, and no longer when that is gone."""
    with (
        client(jack_server, ECHO) as process,
        opened(PortConfig("echo", "system", match="quay-echo*")) as port,
    ):
        assert port.present()
        _end(process)
        end = time.monotonic() + PATIENCE_S
        while port.present() and time.monotonic() < end:
            time.sleep(0.01)
        assert not port.present()
        port.send(b"\xf8")  # raises nothing: the system does not say


def test_a_late_callback_is_not_taken_for_a_late_message(
    jack_server: JackServer, collector: Collector
) -> None:
    """With the interpreter held for 30 ms at a time, arrivals keep the 5 ms spacing of the sender.

    The deliveries themselves come in bunches, which shows that the interpreter was held.
    """
    sender = """
        out = rtmidi.MidiOut(api, name="quay-master"); out.open_virtual_port("clock")
        ready(); sys.stdin.readline()
        begin = time.monotonic()
        for n in range(200):
            time.sleep(max(0, begin + 0.005 * n - time.monotonic()))
            out.send_message([0xF8])
        sys.stdin.readline()
    """
    usleep = ctypes.PyDLL(None).usleep  # PyDLL: the call keeps the interpreter to itself
    with (
        client(jack_server, sender) as process,
        opened(PortConfig("tape", "system", match="quay-master*", direction="in")) as port,
    ):
        port.start(collector.receive)
        _tell(process, "go")
        end = time.monotonic() + PATIENCE_S
        while len(collector.calls) < 200 and time.monotonic() < end:
            usleep(30_000)
            time.sleep(0.001)
    assert len(collector.calls) == 200
    arrivals = [arrival for _, arrival, _ in collector.calls]
    calls = [called for called, _, _ in collector.calls]
    arrival_errors = [abs(b - a - 5_000_000) for a, b in pairwise(arrivals)]
    call_errors = [abs(b - a - 5_000_000) for a, b in pairwise(calls)]
    # the server puts a message at the head of its next period of 1.33 ms
    assert statistics.median(arrival_errors) < 1_400_000
    assert statistics.median(call_errors) > 2 * statistics.median(arrival_errors)
    assert all(arrival <= called for called, arrival, _ in collector.calls)


def test_input_by_callback_delivers_too(jack_server: JackServer, collector: Collector) -> None:
    """The way in that ALSA uses (RtMidi's callback) delivers, wakes, and closes while clock comes in."""
    stream = """
        out = rtmidi.MidiOut(api, name="quay-stream"); out.open_virtual_port("clock")
        ready(); sys.stdin.readline()
        while not select.select([sys.stdin], [], [], 0.002)[0]:
            out.send_message([0xF8])
    """
    with client(jack_server, stream) as process:
        midi = SystemMidi()
        config = PortConfig("tape", "system", match="quay-stream*", direction="in")
        port = SystemMidiPort(midi, config, wake_fd=collector.wake_fd, queued=False)
        port.start(collector.receive)
        _tell(process, "go")
        collector.wait(lambda got: len(got) >= 50)
        port.close()
        count = len(collector.calls)
        time.sleep(0.02)
        assert len(collector.calls) == count
        assert set(collector.messages) == {b"\xf8"}


def test_a_message_that_jack_would_swallow_is_refused(jack_server: JackServer, collector: Collector) -> None:
    """RtMidi drops what is too long for its buffer without a word; the longest that fits goes through."""
    with (
        client(jack_server, ECHO),
        opened(PortConfig("echo", "system", match="quay-echo*"), collector.wake_fd) as port,
    ):
        port.start(collector.receive)
        longest = b"\xf0" + bytes(JACK_MAX_MESSAGE - 2) + b"\xf7"
        port.send(longest)
        collector.wait(lambda got: len(got) >= 1)
        assert collector.messages == [longest]
        with pytest.raises(SendError, match=f"{JACK_MAX_MESSAGE + 1} bytes: JACK takes {JACK_MAX_MESSAGE}"):
            port.send(b"\xf0" + bytes(JACK_MAX_MESSAGE - 1) + b"\xf7")


def test_a_server_that_dies_does_not_hold_the_sender(jack_server: JackServer) -> None:
    """Sending to a dead JACK server ends in SendError, and the port is no longer present.

    Without the check the sender would spin for ever once RtMidi's buffer is full, so this runs in a
    process of its own, with a server of its own.
    """
    script = """
        import sys
        from runner.ports.base import PortConfig, SendError
        from runner.ports.registry import open_ports
        port = open_ports({"bus": PortConfig("bus", "virtual", create="lantern-dead")})["bus"]
        print("ready", port.present(), flush=True)
        sys.stdin.readline()
        sent = 0
        try:
            for sent in range(20_000):
                port.send(b"\\xf8")
        except SendError as error:
            print(sent < 4_000, port.present(), error, flush=True)
    """
    own = start_jack_server()
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=own.child_environment(),
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready True"
        own.stop()
        _tell(process, "go")
        ready, _, _ = select.select([process.stdout], [], [], PATIENCE_S)
        assert ready, "the sender hangs"
        assert (
            process.stdout.readline().strip() == "True False port bus: cannot send: the JACK server has gone"
        )
    finally:
        process.kill()
        process.communicate()
        own.stop()


def test_a_server_that_is_not_there_is_told(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A JACK server that is asked for and does not run is named, and nothing is printed past us."""
    monkeypatch.setenv("TAKEWRIGHT_MIDI_API", "jack")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "takewright-none")
    with pytest.raises(RigError, match="port bus: cannot use the JACK server 'takewright-none'"):
        open_ports({"bus": PortConfig("bus", "virtual", create="lantern-bus")})
    assert capfd.readouterr().err == ""


HEARING = """
import json, os, subprocess, threading, rtmidi
from runner.engine.rights import take_rights
from runner.ports.base import PortConfig
from runner.ports.registry import open_ports

peer = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="quay-peer")
peer.open_virtual_port("out")
rights = take_rights()
heard, done = [], threading.Event()

def receive(arrival_ns, data):
    heard.append([threading.get_native_id(), os.sched_getscheduler(0), os.sched_getparam(0).sched_priority])
    done.set()

ports = open_ports({"pedal": PortConfig("pedal", "virtual", create="quay-pedal", direction="in")})
ports["pedal"].start(receive)
names = subprocess.run(["jack_lsp"], capture_output=True, text=True).stdout.split()
ours = next(name for name in names if "quay-pedal" in name)
subprocess.run(["jack_connect", "quay-peer:out", ours], check=True)
peer.send_message([0xF8])
done.wait(15)
own = [os.getpid(), os.sched_getscheduler(0), os.sched_getparam(0).sched_priority]
print(json.dumps({"realtime": rights.realtime, "own": own, "heard": heard}))
ports["pedal"].close()
peer.close_port()
peer.delete()
"""


def test_the_thread_that_hears_has_the_priority_of_the_engine(jack_server: JackServer) -> None:
    """A message is delivered by another thread, at the very policy and priority that the engine has."""
    done = subprocess.run(
        [sys.executable, "-c", HEARING], env=jack_server.child_environment(), capture_output=True, text=True,
        timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    ((thread, *scheduling),) = told["heard"]
    process, *own = told["own"]
    assert thread != process
    assert scheduling == own
    assert (own == [os.SCHED_FIFO, PRIORITY]) is told["realtime"]


def test_a_listener_in_the_background_goes_on_until_it_is_told(jack_server: JackServer) -> None:
    """`ear.py` without a pipe at its standard input prints what comes, and ends in good order at SIGTERM."""
    process = subprocess.Popen(
        [sys.executable, str(EAR), "quay-ear", "rack"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        env=jack_server.child_environment(),
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        with opened(PortConfig("rack", "system", match="quay-ear*", direction="out")) as port:
            port.send(b"\xc1\x02")
            ready, _, _ = select.select([process.stdout], [], [], PATIENCE_S)
            assert ready and process.stdout.readline().split()[::2] == ["0", "c102"]
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
    finally:
        process.kill()
        process.wait()
