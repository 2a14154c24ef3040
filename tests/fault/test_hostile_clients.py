"""Clients of the control socket that mean harm, or are just broken: bounded work, bounded memory."""

from __future__ import annotations

import contextlib
import random
import socket
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from runner.desk.server import (
    ACCEPTS_PER_TURN,
    EVENTS_PER_TURN,
    MAX_CLIENTS,
    ORDERS_PER_TURN,
    ControlServer,
)
from runner.desk.server_client import READ_BYTES
from runner.desk.status import Status, TakeStatus
from runner.desk.talk import Ask, frame_of
from runner.framing import pack_frame

MS = 1_000_000
KIB = 1024


class Quay:
    """A server in virtual time, with the most that a turn of it ever did."""

    def __init__(self, path: Path) -> None:
        self.now_ns = 0
        self.path = path
        self.server = ControlServer(path, now_ns=lambda: self.now_ns)
        self.orders: list[str] = []
        self.worst = {"accepted": 0, "turned_away": 0, "read_bytes": 0, "orders": 0}

    def turn(self, step_ns: int = MS) -> None:
        """Do one turn, and note what it did."""
        self.now_ns += step_ns
        self.orders += [str(request.order) for request in self.server.serve()]
        done = self.server.turn
        for name in self.worst:
            self.worst[name] = max(self.worst[name], getattr(done, name))

    def connect(self) -> socket.socket | None:
        """Connect without waiting; None if the system's queue is full."""
        client = socket.socket(socket.AF_UNIX)
        client.setblocking(False)
        try:
            client.connect(str(self.path))
        except BlockingIOError:
            client.close()
            return None
        return client

    def asks(self, word: str) -> bool:
        """Return whether a well-behaved client that comes now is served within a second."""
        for _ in range(1000):
            client = self.connect()
            if client is not None:
                with client, contextlib.suppress(OSError):
                    client.send(frame_of(Ask.ORDER, {"id": 1, "word": word}))
                    for _ in range(20):
                        self.turn()
                        if word in self.orders:
                            return True
            self.turn()
        return False

    def assert_bounded(self) -> None:
        """No turn did more than a turn may, whatever it was faced with."""
        assert self.worst["accepted"] + self.worst["turned_away"] <= 2 * ACCEPTS_PER_TURN
        assert self.worst["read_bytes"] <= (EVENTS_PER_TURN + ORDERS_PER_TURN) * READ_BYTES
        assert self.worst["orders"] <= ORDERS_PER_TURN
        assert len(self.server._clients) <= MAX_CLIENTS


@pytest.fixture
def quay(tmp_path: Path) -> Iterator[Quay]:
    """A server with nobody there yet."""
    quay = Quay(tmp_path / "s")
    yield quay
    quay.server.close()


@contextlib.contextmanager
def memory_within(kib: int) -> Iterator[None]:
    """Fail if Python holds more than so many KiB beyond what it holds now, at any moment."""
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        yield
        _, peak = tracemalloc.get_traced_memory()
        assert peak - before < kib * KIB, f"{(peak - before) // KIB} KiB"
    finally:
        tracemalloc.stop()


def malformed(random_: random.Random) -> bytes:
    """Return bytes that are no good frame, in one of the ways in which frames are bad."""
    junk = random_.randbytes(random_.randrange(1, 200))
    return random_.choice(
        [
            junk,
            b"\xff\xff\xff\xff" + junk,
            pack_frame(random_.randrange(4, 256), junk),
            pack_frame(Ask.ORDER, junk),
            pack_frame(Ask.ORDER, b"[" * random_.randrange(1, 4000)),
            pack_frame(Ask.ORDER, b'{"id":' + b"1" * random_.randrange(20, 4000) + b"}"),
            frame_of(Ask.ORDER, {"word": "x" * 41}),
            frame_of(Ask.ORDER, {"id": 1, "word": "roll", "name": "\x1b[2J" + junk.hex()}),
            frame_of(Ask.WATCH, {"id": "\u202e"}),
        ]
    )


@pytest.mark.parametrize("frames", [2_000, pytest.param(10_000, marks=pytest.mark.campaign)])
def test_thousands_of_malformed_frames(quay: Quay, frames: int) -> None:
    """Each costs its client the connection, a turn stays small, and a good client is served among them."""
    random_ = random.Random(5)
    sent = 0
    with memory_within(1024):
        while sent < frames:
            client = quay.connect()
            if client is not None:
                with client, contextlib.suppress(BrokenPipeError, ConnectionResetError):
                    client.send(malformed(random_))
                    sent += 1
            quay.turn(10 * MS)
        assert quay.asks("stop")
    assert quay.orders == ["stop"]
    assert quay.server.counts.broken > 0.8 * frames
    quay.assert_bounded()


def test_a_thousand_slow_clients(quay: Quay) -> None:
    """Clients that send half a frame, or watch and never read, fill neither memory nor the places."""
    slow: list[socket.socket] = []
    takes = tuple(
        TakeStatus("Ropewalk", "main", number, "clean", "takes/" + "x" * 300) for number in range(5)
    )
    with memory_within(3 * 1024):
        for number in range(1000):
            client = quay.connect()
            while client is None:
                quay.turn(10 * MS)
                client = quay.connect()
            slow.append(client)
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                client.send(
                    frame_of(Ask.WATCH, {}) if number % 2 else b"\x00\x00\x10\x00\x01\x01" + b"{" * 900
                )
            quay.turn()
            quay.server.publish(Status(place=number, takes=takes))
        for _ in range(100):
            quay.turn(100 * MS)
            quay.server.publish(Status(place=quay.now_ns, takes=takes))
        assert quay.asks("panic")
    quay.assert_bounded()
    for client in slow:
        client.close()
    for _ in range(100):
        quay.turn(100 * MS)
    assert quay.server._clients == {}


def test_a_flood_of_good_orders_from_many_clients(quay: Quay) -> None:
    """Sixty clients that send as fast as they can get their share, and another one is heard among them."""
    clients = [quay.connect() for _ in range(20)]
    for _ in range(10):
        quay.turn()
    clients += [quay.connect() for _ in range(40)]
    frame = frame_of(Ask.ORDER, {"id": 1, "word": "mark"}) * 20
    with memory_within(2 * 1024):
        for _ in range(100):
            for client in clients:
                assert client is not None
                with contextlib.suppress(BlockingIOError):
                    client.send(frame)
            quay.turn(10 * MS)
        assert quay.asks("stop")
    quay.assert_bounded()
    for client in clients:
        assert client is not None
        client.close()
