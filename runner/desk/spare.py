"""Where a take goes when its folder cannot be made: the music rolls; a record elsewhere beats none."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Generic, TypeVar

T = TypeVar("T")

ANSWER_S = 3.0  #: how long a disk may take to make a folder before it is given up
_NAME = "takewright"


def spare_folders(environment: Mapping[str, str], takes_folder: Path) -> list[Path]:
    """Return where takes may go instead of `takes_folder`, the best first.

    The service's state folder (systemd.exec(5), STATE_DIRECTORY), else the user's (XDG Base Directory
    Specification: XDG_STATE_HOME, by default ~/.local/state); then the folder for temporary files, which
    may be in memory and is gone after a restart.
    """
    folders: list[Path] = []
    state = environment.get("STATE_DIRECTORY", "").split(":")[0]
    home = environment.get("XDG_STATE_HOME", "")
    if state:
        folders.append(Path(state) / "spare-takes")
    elif home.startswith("/"):  # "all paths must be absolute"; others are to be ignored
        folders.append(Path(home) / _NAME / "spare-takes")
    else:
        with contextlib.suppress(RuntimeError):  # no home
            folders.append(Path.home() / ".local" / "state" / _NAME / "spare-takes")
    folders.append(Path(tempfile.gettempdir()) / f"{_NAME}-takes-{os.getuid()}")
    return [folder for folder in folders if folder != takes_folder]


def own_folder(folder: Path) -> None:
    """Make a folder that only we may enter; `OSError` if it is there and somebody else's."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    stat = os.lstat(folder)
    if folder.is_symlink() or stat.st_uid != os.geteuid():
        raise OSError(errno.EACCES, f"{folder} belongs to somebody else")


def mount_of(path: Path) -> Path:
    """Return the mount point that a path lies on."""
    path = Path(os.path.realpath(path))
    return next(place for place in (path, *path.parents) if os.path.ismount(place))


def check_mounted(mount: Path) -> None:
    """Raise `OSError` if nothing is mounted there any more: a memory stick was pulled out.

    Its empty folder could be written to; the take would vanish below the stick when that comes back.
    """
    if not os.path.ismount(mount):
        raise OSError(errno.ENODEV, f"nothing is mounted at {mount} any more")


class Deadline(Generic[T]):
    """Does something on a disk that may hang: gives it up after a while, and asks once at a time."""

    def __init__(self, seconds: float = ANSWER_S) -> None:
        self._seconds = seconds
        self._thread: threading.Thread | None = None

    def __call__(self, job: Callable[[], T]) -> T:
        """Return what the job returns; `OSError` if it raises one, or does not come back in time."""
        if self._thread is not None and self._thread.is_alive():
            raise OSError(errno.ETIMEDOUT, "the disk still does not answer")
        results: list[T] = []
        errors: list[BaseException] = []

        def work() -> None:
            try:
                results.append(job())
            except BaseException as error:  # raised again below, by who waits
                errors.append(error)

        self._thread = threading.Thread(target=work, name="disk", daemon=True)
        self._thread.start()
        self._thread.join(self._seconds)
        if errors:
            raise errors[0]
        if not results:
            raise OSError(errno.ETIMEDOUT, f"the disk does not answer within {self._seconds:g} s")
        return results[0]
