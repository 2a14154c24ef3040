"""Disks that fill, folders that cannot be written and ports that are missing: said plainly, music first."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
from collections.abc import Callable, Iterator
from io import FileIO
from pathlib import Path

import pytest
from jack_server import JackServer
from live_run import Run, listening, running
from quay import CLOCK, CLOCKS_PER_BAR, PORTS, START, STOP, assert_record_is_whole, write_session

pytestmark = pytest.mark.live

BARS = 3
TMPFS_BYTES = 112 * 1024 * 1024  #: a run wants 100 MB free before it rolls
SMALL_FILE_BYTES = 4096  #: what a file may hold when there is no room: less than any log of a take


class TmpfsDisk:
    """A small file system in memory; full is full for everybody."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._ballast = folder / "ballast"

    def fill(self, _run: Run) -> None:
        """Leave no block free."""
        with self._ballast.open("wb", buffering=0) as file:
            for size in (1 << 20, 4096):
                while self._takes(file, size):
                    pass

    @staticmethod
    def _takes(file: FileIO, size: int) -> bool:
        end = os.fstat(file.fileno()).st_size
        try:
            os.posix_fallocate(file.fileno(), end, size)
        except OSError as error:
            if error.errno != errno.ENOSPC:
                raise
            return False
        return True

    def free(self, _run: Run) -> None:
        """Give the room back."""
        self._ballast.unlink()


class LimitedDisk:
    """The desk's own limit of file size, set while it runs: needs no rights, and only the desk feels it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, run: Run) -> None:
        """Let no log grow."""
        self._limit(run, SMALL_FILE_BYTES)

    def free(self, run: Run) -> None:
        """Let all grow again."""
        self._limit(run, resource.RLIM_INFINITY)

    def _limit(self, run: Run, size: int) -> None:
        resource.prlimit(run.child("desk").pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


Disk = TmpfsDisk | LimitedDisk


@pytest.fixture
def tmpfs(tmp_path: Path) -> Iterator[TmpfsDisk]:
    """A mounted file system; skipped where mounting is not allowed, as `LimitedDisk` covers the behaviour."""
    folder = tmp_path / "card"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={TMPFS_BYTES}", "takewright-test", str(folder)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("mounting a tmpfs is not allowed here")
    try:
        yield TmpfsDisk(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.fixture(params=["tmpfs", pytest.param("limit", marks=pytest.mark.campaign)])
def disk(request: pytest.FixtureRequest, tmp_path: Path) -> Disk:
    """A disk that can be filled and freed."""
    if request.param == "tmpfs":
        found: Disk = request.getfixturevalue("tmpfs")
        return found
    return LimitedDisk(tmp_path / "card")


@pytest.mark.realport
def test_a_disk_that_is_full_for_a_while_stops_the_log_and_not_the_music(
    disk: Disk, jack_server: JackServer, tmp_path: Path
) -> None:
    """Every clock is heard, the record is made up for once there is room, and the verdict says so."""
    environment = jack_server.child_environment()
    session = write_session(tmp_path, jack=True, bars=BARS)
    arguments = [str(session), "--song", "Net Loft"]
    with (
        listening("quay", PORTS, environment) as ear,
        running(arguments, disk.folder / "takes", environment) as run,
    ):
        ear.wait_for(lambda: ear.clocks("box") > CLOCKS_PER_BAR, "the first bar")
        disk.fill(run)
        run.wait_for_text("the take's log has stopped, the music goes on")
        disk.free(run)
        run.wait_for_text("the take's log goes on")
        code = run.wait()
        summary = run.summary()
        assert_record_is_whole(run.takes()[0])
    box = [entry.data for entry in ear.heard("box")]
    assert box[box.index(START) + 1 : box.index(STOP)] == [CLOCK] * (BARS * CLOCKS_PER_BAR)
    assert summary["verdict"] == "flawed", run.output
    found = next(finding for finding in summary["findings"] if finding["code"] == "log-incomplete")
    assert found["causes"][0]["code"] == "disk"
    assert code == 1


@pytest.mark.campaign
@pytest.mark.realport
def test_a_disk_that_stays_full_is_told_and_the_take_recovered_later(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Without room to close it the take stays open, the music complete; the next start closes it."""
    disk = LimitedDisk(tmp_path)
    environment = jack_server.child_environment()
    session = write_session(tmp_path, jack=True, bars=2)
    arguments = [str(session), "--song", "Net Loft"]
    with (
        listening("quay", PORTS, environment) as ear,
        running(arguments, tmp_path / "takes", environment) as run,
    ):
        ear.wait_for(lambda: ear.clocks("box") > CLOCKS_PER_BAR, "the first bar")
        disk.fill(run)
        code = run.wait()
    box = [entry.data for entry in ear.heard("box")]
    assert box[box.index(START) + 1 : box.index(STOP)] == [CLOCK] * (2 * CLOCKS_PER_BAR)
    assert "the take's log has stopped, the music goes on: File too large" in run.output
    assert "clean" not in run.output
    assert code == 1
    first = run.takes()[0]
    assert not (first / "take.json").exists()
    short = write_session(tmp_path, jack=False, bars=1)
    with running([str(short), "--song", "Net Loft"], tmp_path / "takes") as again:
        assert again.wait() == 0, again.output
    assert "recovered a take that was left open" in again.output
    assert again.summary(0)["verdict"] == "interrupted"
    assert again.summary(0)["recovered"] is True


def _file_in_the_way(folder: Path) -> Path:
    (folder / "takes").write_text("no folder")
    return folder / "takes"


def _below_a_file(folder: Path) -> Path:
    return _file_in_the_way(folder) / "evening"


def _no_such_device(_folder: Path) -> Path:
    return Path("/proc/takewright-takes")


@pytest.mark.parametrize(
    "place",
    [
        _file_in_the_way,
        pytest.param(_below_a_file, marks=pytest.mark.campaign),
        pytest.param(_no_such_device, marks=pytest.mark.campaign),
    ],
)
def test_a_takes_folder_that_cannot_be_written_is_said_before_the_roll(
    place: Callable[[Path], Path], tmp_path: Path
) -> None:
    """Nothing rolls; the text names the folder and the remedy; the exit code is 1 and nothing was changed."""
    session = write_session(tmp_path, jack=False, bars=1)
    folder = place(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    with running([str(session), "--song", "Net Loft"], folder) as run:
        code = run.wait()
    assert code == 1
    assert f"takes folder {folder}" in run.output
    assert "--takes-folder" in run.output
    assert "rolling" not in run.output
    assert "Traceback" not in run.output
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.realport
def test_a_missing_port_ends_the_run_with_3_and_names_what_is_near(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """The session's port name, the pattern and the port most like it are told; nothing was sent."""
    environment = jack_server.child_environment()
    session = write_session(tmp_path, jack=True, bars=1)
    session.write_text(session.read_text().replace('"quay-rack:rack"', '"quay-wrack:rack"'))
    with (
        listening("quay", PORTS, environment) as ear,
        running([str(session), "--song", "Net Loft"], tmp_path / "takes", environment) as run,
    ):
        code = run.wait()
    assert code == 3, run.output
    error = next(line for line in run.output.splitlines() if "quay-wrack" in line)
    assert "port rack" in error
    assert "quay-rack:rack" in run.output
    assert "rolling" not in run.output
    assert run.takes() == []
    assert ear.heard() == []
