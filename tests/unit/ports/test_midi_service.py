"""Which MIDI service is chosen."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from runner.errors import RigError
from runner.ports.midi_service import choose_service, is_listening, jack_socket

# A line of /proc/net/unix, format of proc(5): Num RefCount Protocol Flags Type St Inode Path
LISTENING = "0000000000000000: 00000002 00000000 00010000 0001 01 {inode} {path}\n"


def _sockets(folder: Path, *paths: str) -> Path:
    file = folder / "unix"
    head = "Num       RefCount Protocol Flags    Type St Inode Path\n"
    file.write_text(head + "".join(LISTENING.format(inode=n, path=p) for n, p in enumerate(paths)))
    return file


def test_alsa_comes_first(tmp_path: Path) -> None:
    """A sequencer that can be used is used, whatever else runs."""
    sequencer = tmp_path / "seq"
    sequencer.touch(0o600)
    sockets = _sockets(tmp_path, f"/dev/shm/jack_default_{os.getuid()}_0")
    assert choose_service({}, sequencer=sequencer, sockets=sockets).api == "alsa"


def test_jack_comes_next(tmp_path: Path) -> None:
    """Without a sequencer a JACK server is used that answers, or that is named."""
    none = tmp_path / "none"
    sockets = _sockets(tmp_path, f"/dev/shm/jack_default_{os.getuid()}_0")
    assert choose_service({}, sequencer=none, sockets=sockets).api == "jack"
    named = {"JACK_DEFAULT_SERVER": "quay"}
    assert choose_service(named, sequencer=none, sockets=_sockets(tmp_path)).api == "jack"


def test_without_any_the_reason_is_told(tmp_path: Path) -> None:
    """With neither there are no ports, and the text says what to do about it."""
    service = choose_service({}, sequencer=tmp_path / "none", sockets=_sockets(tmp_path))
    assert service.api == "dummy"
    assert "modprobe snd-seq" in service.why_not
    assert "no JACK server" in service.why_not


def test_a_sequencer_without_rights_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sequencer that this user may not open is named with the remedy."""
    sequencer = tmp_path / "seq"
    sequencer.touch()
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    service = choose_service({}, sequencer=sequencer, sockets=_sockets(tmp_path))
    assert "group `audio`" in service.why_not


@pytest.mark.parametrize("api", ["alsa", "jack", "dummy"])
def test_the_environment_overrides(tmp_path: Path, api: str) -> None:
    """TAKEWRIGHT_MIDI_API decides where it is set."""
    sequencer = tmp_path / "seq"
    sequencer.touch(0o600)
    assert choose_service({"TAKEWRIGHT_MIDI_API": api}, sequencer=sequencer).api == api


def test_an_unknown_override_is_refused() -> None:
    """A value that is not known is an error that names those that are."""
    with pytest.raises(RigError, match="must be alsa, jack or dummy, got 'oss'"):
        choose_service({"TAKEWRIGHT_MIDI_API": "oss"})


def test_a_socket_is_found_by_its_whole_name(tmp_path: Path) -> None:
    """A server of a longer name is not taken for the one that is asked for; no list means no server."""
    path = f"/dev/shm/jack_quay_{os.getuid()}_0"
    assert jack_socket({"JACK_DEFAULT_SERVER": "quay"}, sockets=_sockets(tmp_path, path)) == path
    assert jack_socket({"JACK_DEFAULT_SERVER": "quay"}, sockets=_sockets(tmp_path, path + "0")) is None
    assert jack_socket({}, sockets=_sockets(tmp_path, path)) is None
    assert not is_listening(path, sockets=tmp_path / "none")
