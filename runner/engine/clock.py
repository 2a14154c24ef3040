"""Waiting until a moment, exactly, or until something comes in.

Two waits, because a sleeping thread wakes some tens of microseconds late and a spinning one within a
microsecond: `wait` sleeps in `ppoll` until shortly before a deadline, or until input; then the loop
gets everything ready, and `hold` watches the clock until the very moment. The virtual clock jumps.
"""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Sequence
from typing import Protocol

_POLLIN = 0x001
_NS = 1_000_000_000

monotonic_ns = time.monotonic_ns


class Clock(Protocol):
    """What the engine's loop needs of time."""

    def now_ns(self) -> int:
        """Return monotonic time."""

    def wait(self, deadline_ns: int | None) -> Sequence[int]:
        """Sleep until the deadline, or until one of the watched descriptors is ready; return those."""

    def hold(self, moment_ns: int) -> None:
        """Wait until the moment itself, awake."""


class _PollFd(ctypes.Structure):
    _fields_ = (("fd", ctypes.c_int), ("events", ctypes.c_short), ("revents", ctypes.c_short))


class _Timespec(ctypes.Structure):
    _fields_ = (("tv_sec", ctypes.c_long), ("tv_nsec", ctypes.c_long))


class RealClock:
    """The monotonic clock of the computer, and `ppoll` on `fds`."""

    def __init__(self, fds: Sequence[int]) -> None:
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._ppoll = self._libc.ppoll
        self._ppoll.argtypes = (ctypes.c_void_p, ctypes.c_ulong, ctypes.c_void_p, ctypes.c_void_p)
        self._count = len(fds)
        self._fds = (_PollFd * max(1, self._count))(*[_PollFd(fd, _POLLIN, 0) for fd in fds])
        self._fds_at = ctypes.addressof(self._fds)
        self._span = _Timespec(0, 0)
        self._span_at = ctypes.addressof(self._span)

    def now_ns(self) -> int:
        """Return monotonic time."""
        return monotonic_ns()

    def wait(self, deadline_ns: int | None) -> Sequence[int]:
        """Sleep; return the descriptors that can be read, or whose other end is gone, in the order given."""
        if deadline_ns is None:
            return self._poll(None)
        # a loop that is always busy must still see what comes in
        return self._poll(max(0, deadline_ns - monotonic_ns()))

    def hold(self, moment_ns: int) -> None:
        """Watch the clock until `moment_ns`."""
        while monotonic_ns() < moment_ns:
            pass

    def _poll(self, span_ns: int | None) -> Sequence[int]:
        if span_ns is None:
            span_at = None
        else:
            self._span.tv_sec, self._span.tv_nsec = divmod(span_ns, _NS)
            span_at = self._span_at
        count = self._ppoll(self._fds_at, self._count, span_at, None)
        if count <= 0:  # 0: time is up; below: a signal came, which the loop will see by its wake-up pipe
            return ()
        return [entry.fd for entry in self._fds if entry.revents]


class VirtualClock:
    """A clock that jumps to each deadline: a whole session in as long as it takes to compute.

    With nothing to wait for it goes on by `idle_step_ns`, so that a loop that waits for input ends its
    test by its own limit of time and not by standing still.
    """

    def __init__(self, start_ns: int = 1_000_000_000, idle_step_ns: int = 100_000_000) -> None:
        self._now_ns = start_ns
        self._idle_step_ns = idle_step_ns

    def now_ns(self) -> int:
        """Return virtual time."""
        return self._now_ns

    def wait(self, deadline_ns: int | None) -> Sequence[int]:
        """Jump to the deadline."""
        if deadline_ns is None:
            deadline_ns = self._now_ns + self._idle_step_ns
        self.hold(deadline_ns)
        return ()

    def hold(self, moment_ns: int) -> None:
        """Jump to the moment; time never goes back."""
        self._now_ns = max(self._now_ns, moment_ns)


class Waker:
    """An eventfd by which other threads and signals wake the loop."""

    def __init__(self) -> None:
        self.fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)

    def clear(self) -> None:
        """Forget all wake-ups so far."""
        try:
            os.eventfd_read(self.fd)
        except BlockingIOError:
            return
