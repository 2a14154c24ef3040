"""The other end of the control socket: how `tell`, `watch` and our own tests talk to the daemon."""

from __future__ import annotations

import contextlib
import errno
import socket
import time
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from runner.desk.actions import Outcome
from runner.desk.socket_path import VARIABLE, places_to_look, socket_path
from runner.desk.status import Status
from runner.desk.talk import PROTOCOL, REPLY_LIMIT, Ask, Say, frame_of, read_object
from runner.errors import LinkError, NoDaemonError, UsageError
from runner.framing import FrameReader

_READ_BYTES = 65_536


class ControlClient:
    """A connection to the daemon whose socket is at `path`; `timeout_s` is how long it may take to answer.

    Raises:
        NoDaemonError: nobody listens there, or nobody answers, or it is no daemon of ours.
    """

    def __init__(self, path: str | Path, timeout_s: float = 5.0) -> None:
        self.path = Path(path)
        self._timeout_s = timeout_s
        self._frames = FrameReader(REPLY_LIMIT)
        self._read: deque[tuple[int, bytes]] = deque()
        self._last_id = 0
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(timeout_s)
            self._socket.connect(str(path))
            self.hello = self._wait_for(Say.HELLO, 0)
        except OSError as error:
            self._socket.close()
            raise _no_daemon(self.path, error) from None
        except BaseException:
            self._socket.close()
            raise
        if self.hello.get("protocol") != PROTOCOL:
            self._socket.close()
            seen = self.hello.get("protocol")
            raise NoDaemonError(
                f"{path} speaks protocol {seen!r}, this program {PROTOCOL}: update the older one"
            )

    def __enter__(self) -> ControlClient:
        return self

    def __exit__(self, *_details: object) -> None:
        self.close()

    def fileno(self) -> int:
        """Return the descriptor, to be waited for; look at `next_status` with a timeout of 0 then."""
        return self._socket.fileno()

    def close(self) -> None:
        """End the connection."""
        self._socket.close()

    def order(
        self, word: str, name: str = "", origin: str = "", rehearsal: Mapping[str, Any] | None = None
    ) -> Outcome:
        """Give an order; return what became of it. `rehearsal` is in the words of `Rehearsal.of_words`."""
        more: dict[str, Any] = {"from": origin} if origin else {}
        if rehearsal:
            more["rehearsal"] = dict(rehearsal)
        self._ask(Ask.ORDER, word=word, name=name, **more)
        reply = self._wait_for(Say.ANSWER, self._last_id)
        return Outcome(reply.get("done") is True, str(reply.get("text", "")))

    def status(self) -> Status:
        """Return what the daemon is doing just now."""
        self._ask(Ask.STATUS)
        return self._status_in(self._wait_for(Say.STATUS, self._last_id))

    def watch(self) -> None:
        """Ask for every status from now on; `next_status` returns them."""
        self._ask(Ask.WATCH)

    def next_status(self, timeout_s: float) -> Status | None:
        """Return the next status, or None if none came in that time.

        Raises:
            NoDaemonError: the daemon has ended the connection.
        """
        deadline = time.monotonic() + timeout_s
        while True:
            while self._read:
                kind, payload = self._read.popleft()
                if kind == Say.STATUS:
                    return self._status_in(self._data(payload))
                self._look_at(kind, payload)
            left_s = deadline - time.monotonic()
            try:
                self._receive(max(0.0, left_s))
            except (BlockingIOError, TimeoutError):
                return None

    # ------------------------------------------------------------------ inside

    def _ask(self, kind: Ask, **data: Any) -> None:
        self._last_id += 1
        self._socket.settimeout(self._timeout_s)
        try:
            self._socket.sendall(frame_of(kind, {"id": self._last_id, **data}))
        except (BrokenPipeError, ConnectionResetError):
            with contextlib.suppress(OSError):  # it may have said why
                self._wait_for(Say.REFUSAL, 0)
            raise self._ended() from None
        except OSError as error:
            raise _no_daemon(self.path, error) from None

    def _wait_for(self, wanted: Say, number: int) -> dict[str, Any]:
        deadline = time.monotonic() + self._timeout_s
        while True:
            while self._read:
                kind, payload = self._read.popleft()
                self._look_at(kind, payload)
                if kind == wanted:
                    data = self._data(payload)
                    if data.get("id", 0) == number:
                        return data
            left_s = deadline - time.monotonic()
            try:
                if left_s <= 0:
                    raise TimeoutError
                self._receive(left_s)
            except TimeoutError:
                text = f"the daemon at {self.path} does not answer within {self._timeout_s:g} s"
                raise NoDaemonError(text) from None

    def _receive(self, timeout_s: float) -> None:
        self._socket.settimeout(timeout_s)
        try:
            data = self._socket.recv(_READ_BYTES)
        except ConnectionResetError:
            raise self._ended() from None
        if not data:
            raise self._ended()
        try:
            self._read.extend(self._frames.feed(data))
        except LinkError as error:
            raise NoDaemonError(f"what answers at {self.path} is no daemon of ours: {error}") from None

    def _look_at(self, kind: int, payload: bytes) -> None:
        if kind == Say.REFUSAL:
            raise NoDaemonError(f"the daemon at {self.path} refuses: {self._data(payload).get('text', '')}")

    def _data(self, payload: bytes) -> dict[str, Any]:
        try:
            return read_object(payload)
        except ValueError as error:
            raise NoDaemonError(
                f"what answers at {self.path} is no daemon of ours: a frame {error}"
            ) from None

    def _status_in(self, data: Mapping[str, Any]) -> Status:
        try:
            return Status.from_dict(data.get("status") or {})
        except (ValueError, TypeError) as error:
            raise NoDaemonError(f"{self.path}: the daemon's status cannot be read: {error}") from None

    def _ended(self) -> NoDaemonError:
        return NoDaemonError(f"the daemon at {self.path} has ended")


def _no_daemon(path: Path, error: OSError) -> NoDaemonError:
    if isinstance(error, FileNotFoundError) or error.errno == errno.ECONNREFUSED:
        return NoDaemonError(f"no daemon runs at {path}; start one with: takewright run SESSION")
    if isinstance(error, PermissionError):
        return NoDaemonError(f"{path} is another user's: the daemon's owner or its group may talk to it")
    return NoDaemonError(f"the daemon at {path} cannot be reached: {error.strerror or error}")


def find_socket(
    socket_file: str, session_file: str, env: Mapping[str, str], uid: int, run: Path = Path("/run")
) -> Path:
    """Return the socket that is meant: the one given, that of a session, or the only one that lives.

    Raises:
        NoDaemonError: none is there.
        UsageError: several are, and nothing says which; the text names them.
    """
    if socket_file or (not session_file and env.get(VARIABLE)):
        return Path(socket_file or env[VARIABLE])
    if session_file and env.get(VARIABLE):
        return socket_path(session_file, env, uid)
    found: list[Path] = []
    for folder, pattern in places_to_look(session_file or None, env, uid, run):
        with contextlib.suppress(OSError):
            if folder.stat().st_uid not in (uid, 0):  # another user's, below /tmp: not to be believed
                continue
            found += [path for path in sorted(folder.glob(pattern)) if _alive(path) and path not in found]
    if session_file and found:
        return found[0]
    if not found:
        of = f" of {session_file}" if session_file else ""
        raise NoDaemonError(f"no daemon{of} runs; start one with: takewright run {session_file or 'SESSION'}")
    if len(found) > 1:
        names = ", ".join(str(path) for path in found)
        raise UsageError(f"several daemons run: {names}; say which with --socket PATH or --session FILE")
    return found[0]


def _alive(path: Path) -> bool:
    """Return whether somebody listens at a socket, or it is one that we may not ask."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.setblocking(False)
        return probe.connect_ex(str(path)) in (0, errno.EAGAIN, errno.EACCES)
