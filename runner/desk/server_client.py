"""One client of the control socket: what it asked, and what it has not fetched yet."""

from __future__ import annotations

import select
import socket
from collections import deque

from runner.desk.talk import REQUEST_LIMIT, Question, read_question
from runner.errors import LinkError
from runner.framing import FrameReader

READ_BYTES = 1_024  #: at a time: a hundred questions at most
ORDERS_PER_S = 50
UNFETCHED_BYTES = 65_536  #: of answers; a client that lets more lie is let go


class GoneError(Exception):
    """The other side is not there any more."""


class Client:
    """A connection. Holds a frame and a read of what comes in, and `UNFETCHED_BYTES` of what goes out."""

    def __init__(self, connection: socket.socket, number: int, uid: int, now_ns: int) -> None:
        self.connection = connection
        self.number = number
        self.uid = uid
        self.since_ns = now_ns  #: when it came, or last asked something
        self.questions: deque[Question] = deque()
        self.served = False  #: whether a whole frame ever came
        self.unanswered = 0  #: orders of its that the desk has and has not answered
        self.watching: int | None = None  #: the number of its watch
        self.seen = -1  #: the version of the status it was sent last
        self.broken = ""  #: which rule it broke
        self.told_why = False
        self.events = select.EPOLLIN
        self.parked = False  #: whether it hung up, and only its last orders are left of it
        self._frames = FrameReader(REQUEST_LIMIT)
        self._out: deque[bytes] = deque()
        self._unfetched = 0
        self._blocked_ns: int | None = None
        self._allowance = float(ORDERS_PER_S)
        self._heard = False  #: whether its end of speech was heard

    # ------------------------------------------------------------------ in

    def read(self) -> int:
        """Read a piece of what it sent; return how many bytes. `GoneError` if the connection is broken."""
        try:
            data = self.connection.recv(READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return 0
        except OSError:
            raise GoneError from None
        if not data:
            self._heard = True
            return 0
        try:
            for kind, payload in self._frames.feed(data):
                self.questions.append(read_question(kind, payload))
                self.served = True
        except (LinkError, ValueError) as error:
            self.broken = str(error)
        return len(data)

    def take_question(self) -> Question | None:
        """Return its next question; None if it may not ask now."""
        if not self.questions or not self.may_ask:
            return None
        self._allowance -= 1
        return self.questions.popleft()

    @property
    def may_ask(self) -> bool:
        """Whether it has not used up what it may ask for now."""
        return self._allowance >= 1

    def allow(self, passed_s: float) -> None:
        """Let it ask more, for the time that has passed."""
        self._allowance = min(ORDERS_PER_S, self._allowance + passed_s * ORDERS_PER_S)

    def hang_up(self) -> None:
        """Note that it will neither send nor read any more; what it has ordered is still done."""
        self.parked = True
        self._blocked_ns = None
        self._out.clear()
        self._unfetched = 0
        self.watching = None

    @property
    def left_more(self) -> bool:
        """Whether it hung up and what it sent before is not all read."""
        return self.parked and not (self.questions or self.broken or self._heard)

    # ------------------------------------------------------------------ out

    def say(self, frame: bytes) -> bool:
        """Queue a frame; False if it does not fetch what is queued already."""
        if self.parked:
            return True
        if self._unfetched and self._unfetched + len(frame) > UNFETCHED_BYTES:
            return False
        self._out.append(frame)
        self._unfetched += len(frame)
        return True

    def tell_why(self, frame: bytes) -> None:
        """Queue the last frame: why it is let go."""
        self.told_why = True
        self.watching = None
        self.say(frame)

    def flush(self, now_ns: int) -> bool:
        """Send what the socket takes; return whether all is sent. `GoneError` if nobody reads any more."""
        while self._out:
            try:
                sent = self.connection.send(self._out[0])
            except (BlockingIOError, InterruptedError):
                sent = 0
            except OSError:
                raise GoneError from None
            self._unfetched -= sent
            if sent < len(self._out[0]):
                self._out[0] = self._out[0][sent:]
                self._blocked_ns = now_ns if self._blocked_ns is None or sent else self._blocked_ns
                return False
            self._out.popleft()
        self._blocked_ns = None
        return True

    def blocked_for(self, now_ns: int) -> int:
        """Return for how many ns it has not fetched anything though something waits for it."""
        return 0 if self._blocked_ns is None else now_ns - self._blocked_ns

    # ------------------------------------------------------------------ what next

    @property
    def over(self) -> bool:
        """Whether all is said: it is not heard any more, and has got what it asked for."""
        if self.questions or self._out or self.watching is not None:
            return False
        return self.told_why or (self._heard and (self.parked or not self.unanswered))

    def wants_changed(self) -> bool:
        """Work out which events to wait for; return whether they are others than before."""
        reads = not (self._heard or self.broken or self.questions)
        events = (select.EPOLLIN if reads else 0) | (select.EPOLLOUT if self._out else 0)
        changed = events != self.events and not self.parked
        self.events = events
        return changed
