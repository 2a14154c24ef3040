"""The control socket: orders and questions in, answers and the live status out, for the desk's one loop.

No call ever waits, and none does more than a bounded piece of work, whatever clients do:

- A turn of `serve` looks at 16 clients, reads 1 KiB of each, accepts 8, and returns 16 orders at most. What
  is left over waits in the system, for nothing is read of a client while orders of its own lie here.
- A client may order 50 times in a row and then 50 times a second; more is read later.
- A frame that breaks the rules ends its client's connection. So do answers that are not fetched.
- Whoever watches and does not read misses statuses: it gets the newest when it reads again.
- There are 64 clients at most. One more takes the place of one that never said a word or does not read; if
  there is none, it is turned away and told so.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import selectors
import socket
import struct
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner.desk.actions import Order, Outcome, read_order, with_rehearsal
from runner.desk.server_client import Client, GoneError
from runner.desk.socket_file import SocketFile
from runner.desk.status import Status
from runner.desk.talk import PROTOCOL, Ask, Question, Say, frame_of
from runner.framing import pack_frame
from runner.music.rehearsal import Rehearsal

MAX_CLIENTS = 64
EVENTS_PER_TURN = 16
ACCEPTS_PER_TURN = 8
ACCEPTS_PER_S = 100
ORDERS_PER_TURN = 16
SILENT_NS = 10_000_000_000  #: after which a client that never sent a whole frame is let go
DOUBTFUL_NS = 2_000_000_000  #: after which it may be, when its place is wanted
IDLE_NS = 60_000_000_000  #: after which one that only talked may be, when its place is wanted
SIGN_OF_LIFE_NS = 1_000_000_000  #: a status is sent again after this time though nothing changed
_CARE_NS = 100_000_000  #: how often silent and held back clients are looked after
_SEND_BUFFER = 16_384  #: bytes in the system for one client: a second or so of statuses
_CREDENTIALS = struct.Struct("3i")  # struct ucred: pid, uid, gid (unix(7))


@dataclass(frozen=True, slots=True)
class Request:
    """An order of a client, to be answered with `ControlServer.answer`."""

    client: int
    id: int
    order: Order


@dataclass(slots=True)
class Counts:
    """What the server has done, and what it has refused; in one turn, or since its start."""

    accepted: int = 0
    turned_away: int = 0  #: clients for whom there was no place
    broken: int = 0  #: clients that broke the rules of the frames
    dropped: int = 0  #: clients that did not fetch their answers, or were silent too long
    read_bytes: int = 0
    orders: int = 0

    def add(self, other: Counts) -> None:
        """Add another's counts."""
        for name in self.__dataclass_fields__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


class ControlServer:
    """Serves a session's control socket at `path`; with `group`, also to the members of that group.

    Raises:
        ControlSocketError: the socket cannot be opened, or a live daemon has it.
    """

    def __init__(
        self,
        path: str | Path,
        group: str = "",
        session: str = "",
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._file = SocketFile.claim(path, group)
        self._listener = self._file.listener
        self._hello = frame_of(Say.HELLO, {"protocol": PROTOCOL, "session": session, "pid": os.getpid()})
        self._now_ns = now_ns
        self._epoll = select.epoll()
        self._epoll.register(self._listener, select.EPOLLIN)
        self._listening = True
        self._accepts = float(ACCEPTS_PER_S)  #: how many may be accepted now
        self._clients: dict[int, Client] = {}  #: by file descriptor
        self._numbers: dict[int, Client] = {}  #: by number, which is never used again
        self._asking: OrderedDict[int, Client] = OrderedDict()  #: with questions that lie here, fairly
        self._last_number = 0
        self._status = Status()
        self._version = 0  #: of the status that watchers should have
        self._json = ""  #: that status, once it is wanted
        self._told_ns = self._cared_ns = now_ns()
        self.turn = Counts()  #: of the last turn, and of what was answered and published since
        self._before = Counts()  #: of all turns before it

    @property
    def path(self) -> Path:
        """Where the socket is."""
        return self._file.path

    @property
    def watched(self) -> bool:
        """Whether anybody watches."""
        return any(client.watching is not None for client in self._clients.values())

    @property
    def counts(self) -> Counts:
        """What was done and refused since the start."""
        counts = Counts()
        counts.add(self._before)
        counts.add(self.turn)
        return counts

    def register(self, selector: selectors.BaseSelector, data: Any = "socket") -> None:
        """Register with the desk's selector, as one descriptor however many clients there are."""
        selector.register(self._epoll.fileno(), selectors.EVENT_READ, data)

    # ------------------------------------------------------------------ what the desk calls

    def serve(self) -> list[Request]:
        """Do one turn of bounded work; return the orders that are to be answered. Call it in every turn."""
        now_ns = self._now_ns()
        self._before.add(self.turn)
        self.turn = Counts()
        for fd, events in self._epoll.poll(0, EVENTS_PER_TURN):
            if fd == self._listener.fileno():
                self._accept(now_ns)
            elif (client := self._clients.get(fd)) is not None:
                self._attend(client, events, now_ns)
        if now_ns - self._cared_ns >= _CARE_NS:
            self._care(now_ns)
        requests = self._requests()
        self.turn.orders = len(requests)
        return requests

    def answer(self, request: Request, outcome: Outcome) -> None:
        """Send what became of an order; nothing if its client is gone."""
        client = self._numbers.get(request.client)
        if client is not None:
            client.unanswered -= 1
            reply = {"id": request.id, "done": outcome.done, "text": outcome.text}
            self._send(client, frame_of(Say.ANSWER, reply))

    def publish(self, status: Status) -> None:
        """Take what the daemon is doing; those who watch get it, if it changed or a second has passed."""
        now_ns = self._now_ns()
        if status == self._status and now_ns - self._told_ns < SIGN_OF_LIFE_NS:
            return
        self._status, self._json = status, ""
        self._version += 1
        self._told_ns = now_ns
        for client in [client for client in self._clients.values() if client.watching is not None]:
            self._flush(client)

    def close(self) -> None:
        """Close all connections, and remove the socket's file."""
        for client in list(self._clients.values()):
            self._drop(client)
        self._epoll.close()
        self._file.close()

    # ------------------------------------------------------------------ coming and going

    def _accept(self, now_ns: int) -> None:
        for _ in range(ACCEPTS_PER_TURN):
            if self._accepts < 1:
                self._listen(False)
                return
            try:
                connection, _ = self._listener.accept()
            except BlockingIOError:
                return
            except OSError:  # no descriptor or no memory left: those who wait are taken a moment later
                self._listen(False)
                return
            self._accepts -= 1
            connection.setblocking(False)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
            if len(self._clients) >= MAX_CLIENTS and not self._make_room(now_ns):
                self._turn_away(connection)
                continue
            self._welcome(connection, now_ns)

    def _welcome(self, connection: socket.socket, now_ns: int) -> None:
        self._last_number += 1
        raw = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
        client = Client(connection, self._last_number, _CREDENTIALS.unpack(raw)[1], now_ns)
        self._clients[connection.fileno()] = self._numbers[client.number] = client
        self._epoll.register(connection, client.events)
        self.turn.accepted += 1
        self._send(client, self._hello)

    def _turn_away(self, connection: socket.socket) -> None:
        self.turn.turned_away += 1
        text = f"there are {MAX_CLIENTS} clients already; try again in a moment"
        with connection, contextlib.suppress(OSError):
            connection.send(frame_of(Say.REFUSAL, {"text": text}))

    def _make_room(self, now_ns: int) -> bool:
        """Let go whom it hurts least; return whether there was one."""
        for candidates in (
            [c for c in self._clients.values() if not c.served and now_ns - c.since_ns > DOUBTFUL_NS],
            [c for c in self._clients.values() if c.blocked_for(now_ns) > DOUBTFUL_NS],
            [c for c in self._clients.values() if c.watching is None and now_ns - c.since_ns > IDLE_NS],
        ):
            if candidates:
                self._drop(min(candidates, key=lambda client: client.since_ns))
                self.turn.dropped += 1
                return True
        return False

    def _drop(self, client: Client) -> None:
        if self._numbers.pop(client.number, None) is None:
            return
        fd = client.connection.fileno()
        self._clients.pop(fd, None)
        self._asking.pop(client.number, None)
        with contextlib.suppress(OSError):
            self._epoll.unregister(fd)
        client.connection.close()

    def _listen(self, on: bool) -> None:
        if on != self._listening:
            self._epoll.modify(self._listener, select.EPOLLIN if on else 0)
            self._listening = on

    def _care(self, now_ns: int) -> None:
        """Look after those who wait for time to pass: the silent, the held back, and the door."""
        passed_s = (now_ns - self._cared_ns) / 1e9
        self._cared_ns = now_ns
        self._accepts = min(ACCEPTS_PER_S, self._accepts + passed_s * ACCEPTS_PER_S)
        self._listen(self._accepts >= 1)
        for client in list(self._clients.values()):
            client.allow(passed_s)
            if not client.served and now_ns - client.since_ns > SILENT_NS:
                self._drop(client)
                self.turn.dropped += 1
            else:
                self._settle(client)

    # ------------------------------------------------------------------ in

    def _attend(self, client: Client, events: int, now_ns: int) -> None:
        if events & select.EPOLLOUT:
            self._flush(client)
        if client.number not in self._numbers:
            return
        if events & select.EPOLLIN:
            if self._read(client):
                client.since_ns = now_ns
        elif events & (select.EPOLLHUP | select.EPOLLERR):
            self._hang_up(client)
        self._settle(client)

    def _hang_up(self, client: Client) -> None:
        """Wait for nothing more from the connection; what was sent before its end is still read."""
        with contextlib.suppress(OSError):
            self._epoll.unregister(client.connection)
        client.hang_up()

    def _read(self, client: Client) -> bool:
        """Read a piece of what a client sent; return whether it asks something."""
        try:
            self.turn.read_bytes += client.read()
        except GoneError:
            self._drop(client)
            return False
        return bool(client.questions)

    def _requests(self) -> list[Request]:
        """Take questions that lie here, one of each client in turn; answer what needs no desk."""
        requests: list[Request] = []
        asked = 0
        while self._asking and asked < ORDERS_PER_TURN:
            number, client = self._asking.popitem(last=False)
            question = client.take_question()
            if question is None:  # it has used up what it may ask for now
                self._settle(client)
                continue
            asked += 1
            if client.questions:
                self._asking[number] = client
            order = self._order_in(client, question)
            if order is not None:
                client.unanswered += 1
                requests.append(Request(client.number, question.id, order))
            self._settle(client)
        return requests

    def _order_in(self, client: Client, question: Question) -> Order | None:
        if question.kind is Ask.ORDER:
            origin = question.origin or "tell"
            if client.uid != os.geteuid():
                origin += f", user {client.uid}"
            try:
                order = read_order(f"{question.word} {question.name}", origin)
                return with_rehearsal(order, Rehearsal.of_words(question.rehearsal))
            except ValueError as error:
                reply = {"id": question.id, "done": False, "text": str(error)}
                self._send(client, frame_of(Say.ANSWER, reply))
        elif question.kind is Ask.STATUS:
            self._send(client, self._status_frame(question.id))
        else:
            client.watching, client.seen = question.id, -1
            self._flush(client)
        return None

    # ------------------------------------------------------------------ out

    def _send(self, client: Client, frame: bytes) -> None:
        if client.say(frame):
            self._flush(client)
        else:
            self.turn.dropped += 1
            self._drop(client)

    def _flush(self, client: Client) -> None:
        """Send what the client's socket takes: what was said, then the newest status if it watches."""
        try:
            while client.flush(self._now_ns()):
                if client.watching is None or client.seen == self._version:
                    break
                client.seen = self._version
                client.say(self._status_frame(client.watching))
        except GoneError:
            self._hang_up(client)
        self._settle(client)

    def _status_frame(self, number: int) -> bytes:
        if not self._json:
            self._json = json.dumps(self._status.to_dict(), ensure_ascii=False, separators=(",", ":"))
        return pack_frame(Say.STATUS, f'{{"id":{number},"status":{self._json}}}'.encode())

    def _settle(self, client: Client) -> None:
        """After anything that happened: end what is over, and wait for what the client is to do next."""
        if client.number in self._numbers and client.left_more:
            self._read(client)
        if client.number not in self._numbers:
            return
        if client.questions and client.may_ask:
            self._asking.setdefault(client.number, client)
        if client.broken and not client.questions and not client.told_why:
            self.turn.broken += 1
            client.tell_why(frame_of(Say.REFUSAL, {"text": client.broken}))
            self._flush(client)
            return
        if client.over:
            self._drop(client)
            return
        if client.wants_changed():
            self._epoll.modify(client.connection, client.events)
