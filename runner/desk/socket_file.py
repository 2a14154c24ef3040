"""The file of a listening unix socket: made safely, never taken from a live daemon, removed at the end."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import grp
import os
import socket
import stat
from dataclasses import dataclass
from pathlib import Path

from runner.errors import ControlSocketError

LONGEST_PATH = 107  #: bytes of a unix socket's path on Linux (unix(7): sun_path has 108 with its end)
BACKLOG = 64


@dataclass(slots=True)
class SocketFile:
    """A socket that listens, and the lock that says so; both are this process's alone."""

    path: Path
    listener: socket.socket
    _lock: int
    _inode: int

    @classmethod
    def claim(cls, path: str | Path, group: str = "") -> SocketFile:
        """Open a listening socket at `path`, mode 0600; with a group, 0660 and the group's.

        A file that a dead daemon left is replaced.

        Raises:
            ControlSocketError: a live daemon has it, or it cannot be made; says why and what to do.
        """
        path = Path(path).absolute()
        size = len(os.fsencode(path))
        if size > LONGEST_PATH:
            raise _error(
                path, f"the path has {size} bytes, and a socket's may have {LONGEST_PATH}", _ELSEWHERE
            )
        try:
            return cls._claim(path, group)
        except OSError as error:
            raise _error(path, error.strerror or str(error), _ELSEWHERE) from None

    @classmethod
    def _claim(cls, path: Path, group: str) -> SocketFile:
        _safe_folder(path.parent)
        lock = _lock(path)
        try:
            _clear(path)
            listener = _listen(path)
            try:
                if group:
                    _give_to(path, group)
                return cls(path, listener, lock, os.lstat(path).st_ino)
            except BaseException:
                listener.close()
                path.unlink()
                raise
        except BaseException:
            os.close(lock)
            raise

    def close(self) -> None:
        """Stop listening and remove the file, if it is still ours."""
        self.listener.close()
        with contextlib.suppress(OSError):
            if os.lstat(self.path).st_ino == self._inode:
                self.path.unlink()
        os.close(self._lock)


_ELSEWHERE = "give another place with TAKEWRIGHT_SOCKET"


def _error(path: Path, what: str, remedy: str) -> ControlSocketError:
    return ControlSocketError(f"control socket {path}: {what}; {remedy}")


def _safe_folder(folder: Path) -> None:
    """Make the folder if it is not there; refuse one in which others could put a socket of their own."""
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise _error(folder, "is no folder, or lies in none", _ELSEWHERE) from None
    found = os.stat(folder)
    yours = f"make it yours alone (chmod 700), or {_ELSEWHERE}"
    if found.st_uid not in (os.geteuid(), 0):
        raise _error(folder, "the folder is another user's", yours)
    if found.st_mode & 0o022 and not found.st_mode & stat.S_ISVTX:
        raise _error(folder, "others can write into the folder", yours)


def _lock(path: Path) -> int:
    lock = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        raise _taken(path) from None
    return lock


def _taken(path: Path) -> ControlSocketError:
    return _error(
        path, "another daemon runs there already", f"end it (takewright tell quit), or {_ELSEWHERE}"
    )


def _clear(path: Path) -> None:
    """Remove a socket on which nobody listens."""
    try:
        found = os.lstat(path)
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(found.st_mode):
        raise _error(path, "something else has this name", f"move it away, or {_ELSEWHERE}")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.setblocking(False)
        answer = probe.connect_ex(str(path))
    if answer in (0, errno.EAGAIN):  # a full backlog is a sign of life as well
        raise _taken(path)
    path.unlink()


def _listen(path: Path) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    before = os.umask(0o177)  # from its first moment the file is for its owner alone
    try:
        listener.bind(str(path))
        listener.listen(BACKLOG)
        listener.setblocking(False)
    except BaseException:
        listener.close()
        raise
    finally:
        os.umask(before)
    return listener


def _give_to(path: Path, group: str) -> None:
    try:
        number = grp.getgrnam(group).gr_gid
    except KeyError:
        raise _error(path, f"there is no group {group!r}", "make it, or leave the option out") from None
    try:
        os.chown(path, -1, number)
    except PermissionError:
        text = f"it cannot be given to the group {group}"
        raise _error(path, text, "the daemon's user must be a member of it") from None
    os.chmod(path, 0o660)
