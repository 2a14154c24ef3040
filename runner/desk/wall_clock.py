"""The clock on the wall of this computer: what it shows, in which zone, and whether it can be believed."""

from __future__ import annotations

import contextlib
import ctypes
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from runner.desk.schedule import Now

SANE_FROM = datetime(2026, 1, 1, tzinfo=UTC)  #: this program is not older
WAIT_FOR_NETWORK_S = 90.0  #: after power-on; then an unsynchronised clock is taken for what it shows
LOOK_AT_ZONE_EVERY_NS = 5_000_000_000
LOCALTIME = Path("/etc/localtime")
_TIME_ERROR = 5  #: what adjtimex returns while the kernel's clock is not synchronised (adjtimex(2))
_TIMEX_BYTES = 512  #: more than `struct timex` has anywhere (208 on 64-bit Linux)


def synchronised() -> bool | None:
    """Return whether a time source (the network) has set the clock; None if the system does not say."""
    block = ctypes.create_string_buffer(_TIMEX_BYTES)  # modes = 0: nothing is changed
    try:
        state = int(ctypes.CDLL(None).adjtimex(block))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR


def lived_ns() -> int:
    """Return ns since the computer was switched on, sleep included; nobody can set it."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)  # Linux
    return time.monotonic_ns() if boottime is None else time.clock_gettime_ns(boottime)


def clock_trouble(utc: datetime, in_step: bool | None) -> str:
    """Return why the clock may be wrong, with the remedy; empty if nothing speaks against it."""
    if utc < SANE_FROM:
        return (
            f"the computer's clock says {utc:%Y-%m-%d}: it has no clock battery, or an empty one; "
            "connect it to a network once, or set it: timedatectl set-time"
        )
    if in_step is False:
        return (
            "the computer's clock is not synchronised: times of the schedule and of takes may be wrong; "
            "connect it to a network (timedatectl set-ntp true), or compare it with a watch"
        )
    return ""


@dataclass(slots=True)
class WallClock:
    """Reads the clocks for the schedule. The functions and the file can be replaced for tests."""

    utc: Callable[[], datetime] = lambda: datetime.now(UTC)
    lived_ns: Callable[[], int] = lived_ns
    synchronised: Callable[[], bool | None] = synchronised
    localtime: Path = LOCALTIME
    _zone: tzinfo | None = None
    _zone_mark: object = None
    _look_at_ns: int = 0
    _waited: bool = field(default=False)

    def now(self) -> Now:
        """Return what the clocks show. A zone that has not changed is the same object each time."""
        utc, lived = self.utc(), self.lived_ns()
        return Now(utc, lived, self._local_zone(lived), self._settled(utc, lived))

    def _settled(self, utc: datetime, lived: int) -> bool:
        """A clock in the past is not believed, nor is one that the network may be about to set."""
        if not self._waited:
            self._waited = lived >= WAIT_FOR_NETWORK_S * 1e9 or self.synchronised() is not False
        return self._waited and utc >= SANE_FROM

    def _local_zone(self, lived: int) -> tzinfo:
        if self._zone is None or lived >= self._look_at_ns:
            self._look_at_ns = lived + LOOK_AT_ZONE_EVERY_NS
            mark = _mark(self.localtime)
            if self._zone is None or mark != self._zone_mark:
                self._zone, self._zone_mark = read_zone(self.localtime), mark
        return self._zone


def read_zone(localtime: Path = LOCALTIME) -> tzinfo:
    """Return the computer's time zone as it is set just now: TZ, else /etc/localtime, else UTC.

    A TZ that is no name of the tz database is passed over.
    """
    name = os.environ.get("TZ", "").lstrip(":")
    with contextlib.suppress(OSError, ValueError, ZoneInfoNotFoundError):
        if name:
            return ZoneInfo(name)
    with contextlib.suppress(Exception), open(localtime, "rb") as file:  # it may hold anything
        return ZoneInfo.from_file(file, key=str(localtime))
    return UTC


def _mark(path: Path) -> object:
    """Return what changes when another zone is set."""
    with contextlib.suppress(OSError):
        stat = os.stat(path)
        link = os.readlink(path) if path.is_symlink() else ""
        return (link, stat.st_mtime_ns, stat.st_ino, stat.st_size)
    return None
