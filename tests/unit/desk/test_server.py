"""The control socket's server, turn by turn: what clients ask, what they get, and who has to go."""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.desk.actions import Outcome
from runner.desk.server import MAX_CLIENTS, ORDERS_PER_TURN, ControlServer, Request
from runner.desk.server_client import ORDERS_PER_S, READ_BYTES, UNFETCHED_BYTES
from runner.desk.status import Status, TakeStatus
from runner.desk.talk import REQUEST_LIMIT, Ask, Say, frame_of, read_question
from runner.framing import FrameReader, pack_frame

MS = 1_000_000
S = 1_000 * MS


class Rig:
    """A server on a clock of the test's, and clients of the test's own making."""

    def __init__(self, folder: Path) -> None:
        self.now_ns = 0
        self.server = ControlServer(folder / "s", session="Lantern Quay", now_ns=lambda: self.now_ns)
        self.peers: list[Peer] = []

    def peer(self, *frames: bytes, accepted: bool = True) -> Peer:
        """Connect a client that sends these frames; have it accepted."""
        peer = Peer(self.server.path)
        self.peers.append(peer)
        if accepted:
            self.server.serve()
        peer.send(*frames)
        return peer

    def turns(self, count: int = 1, step_ns: int = 0) -> list[Request]:
        """Have the server do so many turns, the clock going on by `step_ns` before each."""
        found = []
        for _ in range(count):
            self.now_ns += step_ns
            found += self.server.serve()
        return found


class Peer:
    """A client without any rules."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.connect(str(path))
        self.socket.setblocking(False)
        self.ended = False
        self._reader = FrameReader(1 << 22)

    def send(self, *frames: bytes) -> None:
        """Send bytes as they are."""
        for frame in frames:
            self.socket.sendall(frame)

    def heard(self) -> list[tuple[Say, dict[str, Any]]]:
        """Return all frames that have come."""
        frames = []
        while not self.ended:
            try:
                data = self.socket.recv(65_536)
            except BlockingIOError:
                break
            except ConnectionResetError:
                data = b""
            self.ended = not data
            frames += [(Say(kind), json.loads(payload)) for kind, payload in self._reader.feed(data)]
        return frames

    def kinds(self) -> list[Say]:
        """Return the kinds of all frames that have come."""
        return [kind for kind, _ in self.heard()]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """A server with no clients yet."""
    rig = Rig(tmp_path)
    yield rig
    for peer in rig.peers:
        peer.socket.close()
    rig.server.close()


def order(word: str, number: int = 1, name: str = "") -> bytes:
    """Return the frame of an order."""
    return frame_of(Ask.ORDER, {"id": number, "word": word, "name": name})


def test_an_order_and_its_answer(rig: Rig) -> None:
    """An order comes out with where it came from; its answer goes to its client, with the order's number."""
    other, peer = rig.peer(), rig.peer(order("song", 7, "Ropewalk"))
    (request,) = rig.turns()
    assert (request.id, str(request.order), request.order.origin) == (7, "song Ropewalk", "tell")
    rig.server.answer(request, Outcome(False, "no song 'Ropewalk'"))
    hello, answer = peer.heard()
    assert hello == (Say.HELLO, {"protocol": 1, "session": "Lantern Quay", "pid": os.getpid()})
    assert answer == (Say.ANSWER, {"id": 7, "done": False, "text": "no song 'Ropewalk'"})
    assert other.kinds() == [Say.HELLO]


def test_a_frame_may_come_byte_by_byte(rig: Rig) -> None:
    """Frames that are cut anywhere, and several in one piece, are the same orders."""
    peer = rig.peer()
    for byte in order("stop", 1):
        peer.send(bytes([byte]))
        requests = rig.turns()
    peer.send(order("roll", 2) + order("next", 3))
    requests += rig.turns()
    assert [str(request.order) for request in requests] == ["stop", "roll", "next"]


def test_a_program_may_say_who_it_is(rig: Rig) -> None:
    """The name that a client gives itself is the order's origin."""
    rig.peer(frame_of(Ask.ORDER, {"word": "roll", "from": "desk by the stairs"}))
    assert rig.turns()[0].order.origin == "desk by the stairs"


def test_an_order_that_makes_no_sense_is_answered_at_once(rig: Rig) -> None:
    """The desk is not troubled with it; the text says what an order may be."""
    peer = rig.peer(order("rol", 3))
    assert rig.turns() == []
    assert peer.heard()[1] == (
        Say.ANSWER,
        {"id": 3, "done": False, "text": "no order 'rol'; did you mean roll?"},
    )


def test_status_is_answered_without_the_desk(rig: Rig) -> None:
    """A question for the status gets the last one that was published."""
    rig.server.publish(Status(state="ready", session="Lantern Quay"))
    peer = rig.peer(frame_of(Ask.STATUS, {"id": 5}))
    assert rig.turns() == []
    _, (kind, data) = peer.heard()
    assert kind is Say.STATUS and data["id"] == 5
    assert Status.from_dict(data["status"]).state == "ready"


def test_whoever_watches_gets_each_change(rig: Rig) -> None:
    """A watcher gets the status now and at each change, and one a second as a sign of life."""
    peer = rig.peer(frame_of(Ask.WATCH, {"id": 2}))
    assert not rig.server.watched
    rig.turns()
    assert rig.server.watched
    for state in ("ready", "lead", "lead"):
        rig.server.publish(Status(state=state))
    rig.now_ns += S
    rig.server.publish(Status(state="lead"))
    said = [(data["id"], data["status"]["state"]) for kind, data in peer.heard() if kind is Say.STATUS]
    assert said == [(2, "starting"), (2, "ready"), (2, "lead"), (2, "lead")]


def test_a_slow_watcher_misses_statuses_and_gets_the_newest(rig: Rig) -> None:
    """What it does not read is not kept: a part of one frame at most; then it gets what is new."""
    peer = rig.peer(frame_of(Ask.WATCH, {}))
    rig.turns()
    takes = tuple(TakeStatus("Ropewalk", "main", number, "clean", "x" * 400) for number in range(5))
    for place in range(1000):
        rig.server.publish(Status(place=place, takes=takes))
    rig.turns()
    client = next(iter(rig.server._clients.values()))
    assert client._unfetched < 4_000
    places: list[int] = []
    while not places or places[-1] != 999:
        new = [data["status"]["place"] for kind, data in peer.heard() if kind is Say.STATUS]
        rig.turns()
        assert new, f"nothing came after {places[-3:]}"
        places += new
    assert len(places) < 40
    assert places == sorted(places)


def test_a_client_that_leaves_answers_lying_is_let_go(rig: Rig) -> None:
    """Answers that nobody fetches are held up to a limit; then the connection ends."""
    rig.peer()
    taken = 0
    frame = order("mark", 1, "x" * 900)
    peer = rig.peers[0]
    while not peer.ended and taken < 10_000:
        peer.send(frame)
        for request in rig.turns(step_ns=S):
            taken += 1
            rig.server.answer(request, Outcome(True, "y" * 900))
        if not rig.server._clients:
            break
        assert next(iter(rig.server._clients.values()))._unfetched <= UNFETCHED_BYTES
    assert taken < 500
    assert rig.server.counts.dropped == 1


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        (b"GET / HTTP/1.1\r\n\r\n", "frame of version 47"),
        (b"\x00\x00\x00\x03\x02\x01{", "frame of version 2, this side speaks version 1"),
        (b"\xff\xff\xff\xff\x01\x01", "the limit is 4096"),
        (b"\x00\x00\x00\x01\x01\x01", "frame of 1 bytes"),
        (pack_frame(9, b"{}"), "kind 9 is none"),
        (pack_frame(Say.HELLO, b"{}"), "kind 64 is none"),
        (pack_frame(Ask.ORDER, b""), "no JSON"),
        (pack_frame(Ask.ORDER, b"\xff\xfe"), "no JSON in UTF-8"),
        (pack_frame(Ask.ORDER, b"[" * 4000), "nested too deep|no JSON"),
        (pack_frame(Ask.ORDER, b"9" * 4000), "must be a JSON object"),
        (pack_frame(Ask.ORDER, b"[]"), "must be a JSON object"),
        (pack_frame(Ask.ORDER, b"{}"), "needs its word"),
        (pack_frame(Ask.ORDER, b'{"id": 1e400, "word": "roll"}'), "id must be a whole number"),
        (pack_frame(Ask.ORDER, b'{"id": true, "word": "roll"}'), "id must be a whole number"),
        (pack_frame(Ask.ORDER, b'{"id": 9007199254740993, "word": "roll"}'), "id must be a whole number"),
        (pack_frame(Ask.ORDER, b'{"word": ["roll"]}'), "word must be a text"),
        (pack_frame(Ask.ORDER, b'{"word": "mark", "name": "a\\u0000b"}'), "cannot be printed"),
        (pack_frame(Ask.ORDER, b'{"word": "mark", "name": "\\ud800"}'), "cannot be printed"),
        (order("mark", name="x" * 1001), "at most 1000"),
    ],
)
def test_a_broken_rule_ends_the_connection(rig: Rig, frame: bytes, why: str) -> None:
    """The client is told which rule, and is gone; what it asked before is still done, others go on."""
    good = rig.peer()
    peer = rig.peer(order("stop", 1) + frame)
    requests = rig.turns(4)
    assert [str(request.order) for request in requests] == ["stop"]
    (_, _), (kind, data) = peer.heard()
    assert kind is Say.REFUSAL
    assert any(part in data["text"] for part in why.split("|")), data
    assert peer.ended
    good.send(order("roll"))
    assert len(rig.turns()) == 1
    assert rig.server.counts.broken == 1


def test_a_turn_takes_one_order_of_each_client_in_turn(rig: Rig) -> None:
    """A client that sends a hundred orders at once does not keep others waiting, nor the desk."""
    many, one = rig.peer(), rig.peer()
    many.send(*[order("next") for _ in range(20)])
    one.send(order("stop"))
    first = rig.turns()
    assert len(first) == ORDERS_PER_TURN
    assert str(first[0].order) == "next" and str(first[1].order) == "stop"
    assert len(rig.turns()) == 5


def test_a_flood_is_held_back(rig: Rig) -> None:
    """Past its first orders a client gets so many a second; the rest waits in its own connection."""
    peer = rig.peer()
    taken = []
    for _ in range(30):
        try:
            while True:
                peer.socket.send(order("next"))
        except BlockingIOError:
            pass
        taken.append(len(rig.turns(10, step_ns=100 * MS)))
    assert max(taken) <= 2 * ORDERS_PER_S
    assert 0.9 * 30 * ORDERS_PER_S <= sum(taken) <= 31 * ORDERS_PER_S
    assert rig.server.turn.read_bytes <= READ_BYTES


def test_orders_of_a_client_that_hung_up_are_still_done(rig: Rig) -> None:
    """A script may send and leave; what it left does not keep the desk awake."""
    with selectors.DefaultSelector() as selector:
        rig.server.register(selector)
        peer = rig.peer(*[order("next") for _ in range(ORDERS_PER_S + 10)])
        rig.turns()
        peer.socket.close()
        assert len(rig.turns(10)) == ORDERS_PER_S - ORDERS_PER_TURN
        assert selector.select(0) == []
        assert len(rig.turns(10, step_ns=100 * MS)) == 10
        assert rig.server._clients == {}
        assert selector.select(0) == []


def test_a_client_may_end_its_speech_and_wait_for_the_answer(rig: Rig) -> None:
    """A connection that is closed in one direction only gets its answers before it ends."""
    peer = rig.peer(order("roll", 4))
    peer.socket.shutdown(socket.SHUT_WR)
    (request,) = rig.turns()
    rig.turns(2)
    rig.server.answer(request, Outcome(True, "Ropewalk rolls"))
    assert (Say.ANSWER, {"id": 4, "done": True, "text": "Ropewalk rolls"}) in peer.heard()
    rig.turns(2)
    peer.heard()
    assert peer.ended


def test_a_watcher_that_is_killed_is_forgotten(rig: Rig) -> None:
    """Nothing is left of a client that went away, and answers to it go nowhere."""
    peer = rig.peer(frame_of(Ask.WATCH, {}), order("roll"))
    (request,) = rig.turns()
    peer.socket.close()
    rig.turns(3)
    assert not rig.server.watched
    rig.server.answer(request, Outcome(True, ""))
    rig.server.publish(Status(state="ready"))


def test_a_silent_client_is_let_go(rig: Rig) -> None:
    """Ten seconds without one whole frame end a connection; one that has asked may stay silent."""
    silent, half, good = rig.peer(), rig.peer(b"\x00\x00"), rig.peer(frame_of(Ask.STATUS, {}))
    rig.turns(3, step_ns=3 * S)
    assert len(rig.server._clients) == 3
    rig.turns(2, step_ns=S)
    assert [peer.heard() and peer.ended for peer in (silent, half, good)] == [True, True, False]


def test_when_all_places_are_taken_newcomers_are_told(rig: Rig) -> None:
    """One client too many is turned away with the reason; a moment later the silent make room."""
    for _ in range(MAX_CLIENTS):
        rig.peer()
    late = rig.peer()
    ((kind, data),) = late.heard()
    assert kind is Say.REFUSAL and f"{MAX_CLIENTS} clients" in data["text"]
    assert late.ended
    rig.now_ns += 3 * S
    assert rig.peer(order("stop")).kinds() == [Say.HELLO]
    assert [str(request.order) for request in rig.turns()] == ["stop"]
    assert len(rig.server._clients) == MAX_CLIENTS


def test_places_are_taken_from_those_who_miss_them_least(rig: Rig) -> None:
    """Of clients that all have spoken, one that does not read goes first, then one that was long idle."""
    watchers = [rig.peer(frame_of(Ask.WATCH, {})) for _ in range(2)]
    for _ in range(MAX_CLIENTS - 2):
        rig.peer(frame_of(Ask.STATUS, {}))
    rig.turns(10)
    slow = watchers[1]
    for place in range(300):
        rig.server.publish(Status(place=place))
        watchers[0].heard()
    rig.turns(4, step_ns=S)
    assert rig.peer().kinds() == [Say.HELLO]
    slow.heard()
    assert slow.ended and not watchers[0].ended
    rig.turns(1, step_ns=S)
    assert rig.peer().kinds() == [Say.REFUSAL]
    rig.peers[3].send(frame_of(Ask.STATUS, {}))
    rig.turns(2, step_ns=61 * S)
    rig.peers[3].send(frame_of(Ask.STATUS, {}))
    rig.turns(2, step_ns=MS)
    assert rig.peer().kinds() == [Say.HELLO]
    assert not watchers[0].ended and rig.peers[3].heard() and not rig.peers[3].ended


def test_one_descriptor_stands_for_all(rig: Rig) -> None:
    """The desk's selector wakes for any client, and rests when nothing is to be done."""
    with selectors.DefaultSelector() as selector:
        rig.server.register(selector, data="socket")
        assert selector.select(0) == []
        peer = rig.peer(accepted=False)
        assert [key.data for key, _ in selector.select(0)] == ["socket"]
        rig.turns()
        assert selector.select(0) == []
        peer.send(order("roll"))
        assert len(selector.select(0)) == 1
        rig.turns()
        assert selector.select(0) == []


def test_no_descriptors_left_does_not_spin(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """A newcomer that the system has no descriptor for waits, and the desk does not spin meanwhile."""
    listener = rig.server._listener

    class Out:
        def fileno(self) -> int:
            return listener.fileno()

        def accept(self) -> object:
            raise OSError(24, "Too many open files")

    peer = rig.peer(accepted=False)
    with selectors.DefaultSelector() as selector:
        rig.server.register(selector)
        monkeypatch.setattr(rig.server, "_listener", Out())
        rig.turns()
        assert selector.select(0) == []
        monkeypatch.setattr(rig.server, "_listener", listener)
        rig.turns(2, step_ns=100 * MS)
        assert peer.kinds() == [Say.HELLO]


def test_close_ends_connections_and_removes_the_file(tmp_path: Path) -> None:
    """After close clients read the end, and nothing is left on the disk but the lock."""
    rig = Rig(tmp_path)
    peer = rig.peer()
    rig.server.close()
    peer.heard()
    assert peer.ended
    assert [path.name for path in tmp_path.iterdir()] == ["s.lock"]


def test_another_user_of_the_group_is_named(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """An order of another user says whose it is."""
    monkeypatch.setattr("runner.desk.server.os.geteuid", lambda: 4711)
    rig.peer(order("stop"))
    assert rig.turns()[0].order.origin == f"tell, user {os.getuid()}"


_junk = (
    st.binary(max_size=200)
    | st.builds(pack_frame, st.integers(0, 255), st.binary(max_size=60))
    | st.sampled_from([order("stop"), frame_of(Ask.WATCH, {}), frame_of(Ask.STATUS, {})])
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 1), _junk), max_size=12))
def test_whatever_clients_send_the_next_is_served(rig: Rig, pieces: list[tuple[int, bytes]]) -> None:
    """Any bytes in any pieces from any client leave the server as good as before."""
    peers = [rig.peer() for _ in range(2)]
    for which, piece in pieces:
        with contextlib.suppress(OSError):
            peers[which].send(piece)
        rig.turns()
    for peer in peers:
        peer.socket.close()
    rig.turns(12, step_ns=11 * S)
    assert rig.server._clients == {}
    last = rig.peer(order("panic", 9))
    assert [str(request.order) for request in rig.turns()] == ["panic"]
    last.socket.close()
    rig.turns(2)


@settings(deadline=None)
@given(st.integers(0, 255), st.binary(max_size=300))
def test_any_payload_is_a_question_or_an_error_in_words(kind: int, payload: bytes) -> None:
    """Reading a frame gives a question or a ValueError, and nothing else."""
    try:
        assert read_question(kind, payload).kind in set(Ask)
    except ValueError as error:
        said = str(error)
        assert said


def test_the_largest_question_fits_into_a_frame() -> None:
    """The limits of an order's texts and of a frame agree, whatever script the name is in."""
    name = "港" * 1000
    assert len(order("mark", 2**53, name)) < REQUEST_LIMIT
