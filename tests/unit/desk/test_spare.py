"""Spare places for takes, disks that hang, sticks that are pulled out, and the thread for slow work."""

from __future__ import annotations

import errno
import os
import tempfile
import threading
from pathlib import Path

import pytest

from runner.desk.spare import Deadline, check_mounted, mount_of, own_folder, spare_folders
from runner.desk.worker import Worker


def test_the_service_has_its_state_folder_and_a_user_his_own() -> None:
    """systemd.exec(5): STATE_DIRECTORY, with colons between several; XDG Base Directory Specification."""
    temporary = Path(tempfile.gettempdir()) / f"takewright-takes-{os.getuid()}"
    takes = Path("/srv/takes")
    assert spare_folders({"STATE_DIRECTORY": "/var/lib/tw:/var/lib/b"}, takes) == [
        Path("/var/lib/tw/spare-takes"),
        temporary,
    ]
    assert spare_folders({"XDG_STATE_HOME": "/home/quay/state"}, takes)[0] == Path(
        "/home/quay/state/takewright/spare-takes"
    )
    home = Path.home() / ".local/state/takewright/spare-takes"
    assert spare_folders({"XDG_STATE_HOME": "not/absolute"}, takes)[0] == home
    assert spare_folders({"XDG_STATE_HOME": ""}, home) == [temporary]


def test_a_spare_folder_is_ours_alone(tmp_path: Path) -> None:
    """In a folder for everybody's temporary files somebody else may have put a link there."""
    own_folder(tmp_path / "ours")
    assert (tmp_path / "ours").stat().st_mode & 0o777 == 0o700
    own_folder(tmp_path / "ours")
    (tmp_path / "link").symlink_to(tmp_path / "ours")
    with pytest.raises(OSError, match="belongs to somebody else"):
        own_folder(tmp_path / "link")


def test_a_mount_point_that_is_a_mere_folder_now_is_noticed(tmp_path: Path) -> None:
    """What is written there would be hidden when the stick comes back."""
    assert mount_of(Path("/proc/self/status")) == Path("/proc")
    check_mounted(Path("/proc"))
    check_mounted(mount_of(tmp_path / "not" / "there" / "yet"))
    with pytest.raises(OSError, match="nothing is mounted at") as error:
        check_mounted(tmp_path)
    assert error.value.errno == errno.ENODEV


def test_a_disk_that_hangs_is_given_up_and_not_asked_again_meanwhile() -> None:
    """The thread that hangs in the system is the only one; when it has come back the disk is asked again."""
    release = threading.Event()
    deadline: Deadline[str] = Deadline(0.01)
    with pytest.raises(OSError, match="does not answer within"):
        deadline(lambda: "late" if release.wait(60) else "never")
    with pytest.raises(OSError, match="still does not answer"):
        deadline(lambda: "asked")
    release.set()
    assert deadline._thread is not None
    deadline._thread.join()
    assert Deadline[str](60.0)(lambda: "there") == "there"


def test_what_a_disk_says_is_raised_to_who_asked() -> None:
    """As if there were no thread between."""

    def full() -> str:
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OSError, match="No space left on device"):
        Deadline[str](60.0)(full)


def test_the_worker_does_jobs_in_order_and_outlives_one_that_fails() -> None:
    """What a job raises becomes a result; `busy` lasts until all results are taken."""
    worker: Worker[str] = Worker("test", lambda error: f"failed: {error}")
    assert not worker.busy
    done = threading.Event()

    def broken() -> str:
        raise RuntimeError("broken")

    def last() -> str:
        done.set()
        return "last"

    for job in (lambda: "first", broken, last):
        worker.give(job)
    assert worker.busy
    assert done.wait(60)
    results: list[str] = []
    while worker.busy:
        results += worker.results()
    assert results == ["first", "failed: broken", "last"]
