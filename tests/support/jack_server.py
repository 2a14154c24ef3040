"""A JACK server with the dummy driver, for tests of real ports.

The server keeps a register of eight names in shared memory for the whole computer, and frees the name of a
server that did not end in good order only when a server of the same name starts again. So names come
from a small pool: a name that is in use makes jackd refuse, and the next is tried.

It runs in synchronous mode (-S): in the asynchronous one a client whose Python callback takes longer than
a period reads a buffer that is being overwritten, which loses and doubles messages in the *test's* clients.
It is real time where that is allowed: without, a computer with both cores busy makes the server skip
periods, and what was under way in them is lost.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import pytest

NAMES = tuple(f"takewright-test-{number}" for number in range(1, 7))
START_S = 10.0
END_S = 5.0
PRIORITY = 40
_WITH_PARENT = ("setpriv", "--pdeathsig", "TERM", "--") if shutil.which("setpriv") else ()


@dataclass(frozen=True)
class JackServer:
    """A server that runs; `environment` is what a client process needs to find it."""

    name: str
    process: subprocess.Popen[bytes]
    lock: BinaryIO  #: open as long as the name is this process's

    @property
    def environment(self) -> dict[str, str]:
        """Variables to add to a child's environment."""
        return {
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
            "TAKEWRIGHT_MIDI_API": "jack",
        }

    def child_environment(self, more: Mapping[str, str] | None = None) -> dict[str, str]:
        """Return a whole environment for a child process."""
        return {**os.environ, **self.environment, **(more or {})}

    def stop(self) -> None:
        """End the server, by its process id."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(END_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
        self.process.wait()
        self.lock.close()


def missing_tools() -> list[str]:
    """Return the programs that are needed and not installed."""
    return [tool for tool in ("jackd", "jack_wait") if shutil.which(tool) is None]


def realtime_allowed() -> bool:
    """Whether this user may have real-time priority, found out by a process that asks for it."""
    try:
        asked = subprocess.run(["chrt", "-f", str(PRIORITY), "true"], capture_output=True, check=False)
    except OSError:
        return False
    return asked.returncode == 0


def start_jack_server(*, synchronous: bool = True, frames: int = 64, realtime: bool = True) -> JackServer:
    """Start a server and wait until it answers; RuntimeError if none can be had.

    `realtime` where that is allowed.
    """
    seen: list[str] = []
    scheduling = ["-R", "-P", str(PRIORITY)] if realtime and realtime_allowed() else ["-r"]
    for name in NAMES:
        lock = _claim(name)
        if lock is None:
            seen.append(f"{name}: another test run has it")
            continue
        # a server must not outlive a test run that was killed: six of them would take a computer's time
        command = [*_WITH_PARENT, "jackd", "-n", name, *scheduling, *(["-S"] if synchronous else [])]
        command += ["-d", "dummy", "-r", "48000", "-p", str(frames)]
        server = JackServer(
            name,
            subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
            ),
            lock,
        )
        if _answers(server):
            return server
        seen.append(f"{name}: jackd returned {server.process.poll()}")
        server.stop()
    raise RuntimeError("no JACK server could be started: " + "; ".join(seen))


def _own(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _claim(name: str) -> BinaryIO | None:
    """Return a file that keeps the name for this process; None if another test run has it.

    Whose server answers cannot be told from outside: on a busy computer a second jackd takes a second to see
    that its name is in use, and so long two runs would hear each other.
    """
    path = Path(tempfile.gettempdir(), f"{name}.lock")
    try:
        lock = open(path, "ab", opener=_own)  # noqa: SIM115 - open as long as the name is ours
    except OSError:  # another user's
        return None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        lock.close()
        return None
    return lock


def _answers(server: JackServer) -> bool:
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        # a name that another run uses: ours ends at once, and the other one must not be taken for ours
        try:
            server.process.wait(0.3)
            return False
        except subprocess.TimeoutExpired:
            pass
        asked = subprocess.run(
            ["jack_wait", "-s", server.name, "-c"],
            capture_output=True,
            text=True,
            timeout=START_S,
            check=False,
        )
        if asked.stdout.strip().endswith("running") and "not" not in asked.stdout:
            return server.process.poll() is None
    return False


@contextmanager
def jack_environment() -> Iterator[JackServer]:
    """Run a server, with this process's environment set for it, to the end of the block.

    Without jackd the test fails where CI=true, and is skipped elsewhere.
    """
    missing = missing_tools()
    if missing:
        text = f"{' and '.join(missing)} not installed (Debian: apt install jackd2)"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    server = start_jack_server()
    before = {key: os.environ.get(key) for key in server.environment}
    os.environ.update(server.environment)
    try:
        yield server
    finally:
        for key, value in before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
        server.stop()
