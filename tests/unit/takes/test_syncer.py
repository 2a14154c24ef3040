"""What a sync of several files and folders says of them; close(2) and dup(2): EMFILE is no file's fault."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from runner.takes import files
from runner.takes.files import AppendFile, Syncer


def _written(path: Path) -> AppendFile:
    file = AppendFile(path)
    file.append(b"a line\n")
    file.write_out()
    return file


def test_a_folder_that_cannot_be_synced_is_no_good_news(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The files went well, but what names them did not: an error, and nothing that ends it."""

    def sync(fd: int) -> None:
        if Path(os.readlink(f"/proc/self/fd/{fd}")).is_dir():
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(files, "data_sync", sync)
    file = _written(tmp_path / "events.jsonl")
    syncer = Syncer(lambda: [file])
    syncer.request([tmp_path])
    syncer.wait_idle()
    error, good = syncer.take_news()
    assert error is not None
    assert (error.errno, good) == (errno.EIO, False)
    syncer.request()
    syncer.wait_idle()
    assert syncer.take_news() == (None, True)
    syncer.stop()
    file.close()


def test_without_descriptors_nothing_is_synced_and_none_is_kept(tmp_path: Path) -> None:
    """Half the files would pass for all of them; and descriptors that are lost would never come back."""

    class NoneLeft(AppendFile):
        def descriptor_copy(self) -> int | None:
            raise OSError(errno.EMFILE, "Too many open files")

    file = _written(tmp_path / "events.jsonl")
    syncer = Syncer(lambda: [file, NoneLeft(tmp_path / "clock.jsonl")])
    syncer.request()  # begins its thread
    syncer.wait_idle()
    before = len(os.listdir("/proc/self/fd"))
    syncer.request()
    syncer.wait_idle()
    assert len(os.listdir("/proc/self/fd")) == before
    assert syncer.take_news() == (None, False)
    syncer.stop()
    file.close()
