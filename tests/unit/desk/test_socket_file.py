"""The control socket's file: who may use it, and what happens to one that is there already."""

from __future__ import annotations

import grp
import os
import socket
import stat
from pathlib import Path

import pytest

from runner.desk.socket_file import LONGEST_PATH, SocketFile
from runner.errors import ControlSocketError, ExitCode


def mode_of(path: Path) -> int:
    """Return the permission bits."""
    return stat.S_IMODE(path.stat().st_mode)


def test_it_is_its_owner_s_alone(tmp_path: Path) -> None:
    """Folder 0700, socket 0600; after close the file is gone."""
    path = tmp_path / "new" / "quay.sock"
    held = SocketFile.claim(path)
    assert (mode_of(path.parent), mode_of(path)) == (0o700, 0o600)
    held.close()
    assert not path.exists()


def test_a_group_may_be_let_in(tmp_path: Path) -> None:
    """With a group the file is the group's, mode 0660; a group that is not there is named."""
    name = grp.getgrgid(os.getegid()).gr_name
    held = SocketFile.claim(tmp_path / "quay.sock", group=name)
    assert mode_of(held.path) == 0o660
    assert held.path.stat().st_gid == os.getegid()
    held.close()
    with pytest.raises(ControlSocketError, match="no group 'harbour-pilots'"):
        SocketFile.claim(tmp_path / "quay.sock", group="harbour-pilots")
    assert not (tmp_path / "quay.sock").exists()


def test_a_dead_daemon_s_file_is_replaced(tmp_path: Path) -> None:
    """A socket on which nobody listens does not stand in the way."""
    path = tmp_path / "quay.sock"
    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(path))
    dead.close()
    held = SocketFile.claim(path)
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(path))
    held.close()


def test_a_live_daemon_keeps_its_socket(tmp_path: Path) -> None:
    """A second daemon is refused, with the remedy, and does the first no harm."""
    path = tmp_path / "quay.sock"
    first = SocketFile.claim(path)
    with pytest.raises(ControlSocketError, match="another daemon runs there already; end it") as refused:
        SocketFile.claim(path)
    assert refused.value.exit_code is ExitCode.USAGE
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(path))
    first.close()
    SocketFile.claim(path).close()


def test_whoever_listens_without_the_lock_is_alive_too(tmp_path: Path) -> None:
    """A lock file that was tidied away does not cost a live daemon its socket, nor does a full backlog."""
    path = tmp_path / "quay.sock"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen(0)
        waiting = [socket.socket(socket.AF_UNIX) for _ in range(3)]
        for _ in range(2):
            for client in waiting:
                client.setblocking(False)
                client.connect_ex(str(path))
            with pytest.raises(ControlSocketError, match="another daemon"):
                SocketFile.claim(path)
        for client in waiting:
            client.close()


def test_close_leaves_a_successor_s_file(tmp_path: Path) -> None:
    """A file that is not ours any more is not removed."""
    path = tmp_path / "quay.sock"
    first = SocketFile.claim(path)
    path.unlink()
    path.touch()
    first.close()
    assert path.exists()


def test_what_is_in_the_way_is_named(tmp_path: Path) -> None:
    """A file of another kind, a path too long and a folder that is none each say so, and nothing is lost."""
    path = tmp_path / "quay.sock"
    path.write_text("notes")
    with pytest.raises(ControlSocketError, match="something else has this name"):
        SocketFile.claim(path)
    assert path.read_text() == "notes"
    with pytest.raises(ControlSocketError, match=f"a socket's may have {LONGEST_PATH}"):
        SocketFile.claim(tmp_path / ("long" * 30))
    with pytest.raises(ControlSocketError, match=r"quay.sock: is no folder, or lies in none"):
        SocketFile.claim(path / "inner")


def test_a_folder_that_others_write_into_is_refused(tmp_path: Path) -> None:
    """Others could put a socket of their own there; one like /tmp, where they cannot, is fine."""
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o777)
    with pytest.raises(ControlSocketError, match="others can write into the folder; make it yours"):
        SocketFile.claim(shared / "quay.sock")
    shared.chmod(0o1777)
    SocketFile.claim(shared / "quay.sock").close()


def test_another_user_s_folder_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder below /tmp that somebody else made first is not trusted."""
    if os.getuid() == 0:
        os.chown(tmp_path, 4711, -1)
    else:
        monkeypatch.setattr("runner.desk.socket_file.os.geteuid", lambda: 4711)
    with pytest.raises(ControlSocketError, match="the folder is another user's; make it yours"):
        SocketFile.claim(tmp_path / "quay.sock")
