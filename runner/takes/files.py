"""Files as takes need them: append without ever blocking on a sync, and write a whole file at once.

`AppendFile` keeps what the system would not take (full disk, medium gone) and offers it again later;
what the system took is not written twice, so a write that was cut short leaves no torn line. Only a medium
that was away, and comes back without the last of what the system took, is given that again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
from collections.abc import Callable, Iterable
from pathlib import Path

FILE_MODE = 0o644
RECENT_BYTES = 256 * 1024  #: kept for a medium that lost them; much more than comes between two syncs
system_write = os.write  #: a name of its own, so that tests can put a bad disk here


class AppendFile:
    """A file that only grows; opened at the first write, opened again after an error.

    With `lock`, the file is marked as in use for as long as it is open (see `in_use`). `joint` goes where a
    medium lost more than can be written again: in a file of lines a line's end, so that two halves of
    different lines never read as one.
    """

    def __init__(self, path: Path, *, lock: bool = False, joint: bytes = b"") -> None:
        self.path = path
        self._joint = joint
        self._lock = lock
        self._fd = -1
        self._waiting = bytearray()
        self._recent = bytearray()  #: the last that the system took
        self._size: int | None = None  #: of the file as the system took it; None before the first open

    @property
    def waiting(self) -> int:
        """How many bytes the system has not yet taken."""
        return len(self._waiting)

    def append(self, data: bytes) -> None:
        """Put `data` behind what is waiting; `write_out` hands it to the system."""
        self._waiting += data

    def write_out(self) -> None:
        """Hand all that is waiting to the system; `OSError` leaves the rest waiting."""
        if not self._waiting and (self._fd >= 0 or self._size is None):
            return
        try:
            if self._fd < 0:
                self._open()
            while self._waiting:
                taken = system_write(self._fd, self._waiting)
                self._remember(taken)
                del self._waiting[:taken]
        except OSError:
            self.let_go()
            raise

    def let_go(self) -> None:
        """Close the file until the next `write_out`.

        A medium that comes back needs a new open, and an open file on one that is gone keeps it mounted.
        """
        self._close_fd()

    def _open(self) -> None:
        self._fd = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)
        if self._lock:
            try_lock(self._fd)
        size = os.fstat(self._fd).st_size
        if self._size is not None and size < self._size:  # pulled out before it was synced
            lost = self._size - size
            again = min(lost, len(self._recent))
            joint = self._joint if lost > again else b""
            self._waiting[:0] = joint + self._recent[len(self._recent) - again :]
            del self._recent[len(self._recent) - again :]
        self._size = size

    def _remember(self, taken: int) -> None:
        self._size = (self._size or 0) + taken
        self._recent += self._waiting[:taken]
        if len(self._recent) > 2 * RECENT_BYTES:  # not at each write: it would copy each time
            del self._recent[:-RECENT_BYTES]

    def take_waiting(self) -> bytes:
        """Return what is waiting and forget it."""
        data = bytes(self._waiting)
        self._waiting.clear()
        return data

    def descriptor_copy(self) -> int | None:
        """Return a duplicate descriptor for a sync in another thread; its owner closes it."""
        return os.dup(self._fd) if self._fd >= 0 else None

    def close(self) -> None:
        """Close the file; what is still waiting is forgotten."""
        self._waiting.clear()
        self._close_fd()

    def _close_fd(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)


def try_lock(fd: int) -> bool:
    """Take the advisory lock of an open file; False if somebody else holds it."""
    try:
        import fcntl  # not on every system; without it nothing tells a live take but its run
    except ImportError:
        return True
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def in_use(path: Path) -> bool:
    """Say whether another open `AppendFile` holds the lock of this file."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        return not try_lock(fd)
    finally:
        os.close(fd)


class Syncer:
    """Brings written data to the medium from a thread of its own.

    A sync can take seconds on a memory card; the thread that reads the engine's records must not
    wait for it. A request that comes while one is under way is taken up once that one is done.
    `files` gives the files as they are at a request, the most important first.
    """

    def __init__(self, files: Callable[[], Iterable[AppendFile]]) -> None:
        self._files = files
        self._others: list[Path] = []
        self._wake = threading.Condition()
        self._wanted = False
        self._stopping = False
        self._fds: list[int] = []
        self._error: OSError | None = None
        self._good = False
        self._thread: threading.Thread | None = None
        self._busy = False

    def request(self, others: Iterable[Path] = ()) -> None:
        """Ask for a sync of all files and return at once; of `others` (files or folders) just this once."""
        with self._wake:
            self._others += others
            if self._wanted or self._stopping:
                return
            self._fds = self._copies()
            self._wanted = True
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="take-sync", daemon=True)
                self._thread.start()
            self._wake.notify_all()

    def _copies(self) -> list[int]:
        copies: list[int] = []
        try:
            for file in self._files():
                if (fd := file.descriptor_copy()) is not None:
                    copies.append(fd)
        except OSError:  # no descriptors left; half a sync would pass for a whole one
            for fd in copies:
                os.close(fd)
            return []
        return copies

    def take_news(self) -> tuple[OSError | None, bool]:
        """Return the error of a sync that failed since the last call, and whether one went well after it."""
        with self._wake:
            news = self._error, self._good
            self._error, self._good = None, False
            return news

    def wait_idle(self) -> None:
        """Wait until every sync asked for is done."""
        with self._wake:
            self._wake.wait_for(lambda: not self._wanted and not self._busy)

    def stop(self) -> None:
        """Let the sync under way end, then end the thread."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        while True:
            with self._wake:
                while not self._wanted and not self._stopping:
                    self._wake.wait()
                if not self._wanted:
                    return
                fds, self._fds, self._wanted, self._busy = self._fds, [], False, True
                others, self._others = self._others, []
            self._sync_all(fds, others)
            with self._wake:
                self._busy = False
                self._wake.notify_all()

    def _sync_all(self, fds: Iterable[int], others: Iterable[Path]) -> None:
        went = [self._sync_one(fd) for fd in fds]
        shown = bool(went)  # with no file open nothing is
        for path in others:
            with contextlib.suppress(OSError):  # what is not there needs no sync
                went.append(self._sync_one(os.open(path, os.O_RDONLY | os.O_CLOEXEC)))
        if shown and all(went):
            with self._wake:
                self._good = True

    def _sync_one(self, fd: int) -> bool:
        try:
            data_sync(fd)
        except OSError as error:
            with self._wake:
                self._error, self._good = error, False
            return False
        finally:
            with contextlib.suppress(OSError):
                os.close(fd)
        return True


#: Not every system has `fdatasync`; `fsync` does the same and a little more.
data_sync: Callable[[int], None] = getattr(os, "fdatasync", os.fsync)


def write_atomically(path: Path, data: bytes, *, sync: bool = True) -> None:
    """Write a whole file so that after a power cut it is there in full or not at all.

    A temporary file beside it is written, synced and renamed, then the folder is synced. Without `sync`
    nothing waits for the medium: whole after a kill, perhaps not after a power cut.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.new")
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, FILE_MODE)
    try:
        try:
            view = memoryview(data)
            while view:
                view = view[system_write(fd, view) :]
            if sync:
                os.fsync(fd)
        finally:
            os.close(fd)
        os.replace(temporary, path)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    if sync:
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the medium, where the system can do that."""
    with contextlib.suppress(OSError):
        fd = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes in hex."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
