"""A session that was accepted stays in force for the next desk, whatever becomes of its files."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import mido
import pytest

from runner.desk.accepted import Accepted, AcceptedFile
from runner.desk.desk import Desk
from runner.desk.job import Job
from runner.desk.prepare import Prepared, read_session
from runner.desk.spool import RecordSpool
from runner.errors import SessionError

SESSION = """
session: Lantern Quay, kept
format: 1
ports: {box: {simulate: drum-machine}}
machines:
  drums: {port: box, channel: 10, kind: drum-machine, follows: [clock, transport]}
songs:
  - song: Ropewalk
    tempo: from ropewalk.mid
    length: 2 bars
    parts: [{file: ropewalk.mid, machine: drums}, {file: bells.mid, machine: drums}]
"""
OLD = Accepted("session: old ≤\n", "/srv/takes", {"a.mid": b"MThd\n\n\x00", "b.mid": b""})
NEW = Accepted("session: new\n" * 9, "takes", {"c.mid": bytes(range(256))})


def _file() -> AcceptedFile:
    return AcceptedFile(os.memfd_create("accepted"))


def test_what_was_written_last_is_read_by_the_next_desk() -> None:
    """Text, folder and the bytes of every part; nothing before the first."""
    fd = os.memfd_create("accepted")
    assert AcceptedFile(fd).read() is None
    for each in (OLD, NEW, OLD):
        AcceptedFile(fd).write(each)
        assert AcceptedFile(fd).read() == each


def test_a_thousand_reloads_take_no_more_room_than_three() -> None:
    """A new block goes where the one before the last was."""
    fd = os.memfd_create("accepted")
    sizes = []
    for number in range(1000):
        AcceptedFile(fd).write(NEW if number % 3 else OLD)
        sizes.append(os.fstat(fd).st_size)
    assert max(sizes) == max(sizes[:6])


class Killed(BaseException):
    """The writer is gone."""


@pytest.mark.parametrize("at", range(4))
def test_a_writer_killed_at_any_moment_leaves_the_old_or_the_new(
    at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed before, within or after each of its writes: what is read is one of the two, whole."""
    file = _file()
    file.write(OLD)
    write, calls = os.pwrite, 0

    def killed(fd: int, data: bytes, place: int) -> int:
        nonlocal calls
        calls += 1
        if calls > at:
            raise Killed
        return write(fd, bytes(data)[:200], place)

    monkeypatch.setattr(os, "pwrite", killed)
    try:
        file.write(NEW)
    except Killed:
        assert file.read() == OLD
    else:
        raise AssertionError("the block was written in fewer pieces than the test kills")


def test_without_memory_nothing_is_in_force(monkeypatch: pytest.MonkeyPatch) -> None:
    """The old session is not what the engine plays any more: the next desk reads the file on the disk."""
    file = _file()
    file.write(OLD)

    def full(_block: bytes, _place: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(file, "_write", full)
    file.write(NEW)
    assert file.read() is None


def _part(path: Path, bpm: int, note: int) -> None:
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))])
    track += [mido.Message("note_on", note=note, velocity=90), mido.Message("note_off", note=note, time=480)]
    mido.MidiFile(tracks=[track]).save(path)


def _desk(file: Path, accepted: int, *, resumed: bool) -> Desk:
    job = Job(session_file=str(file), run="run-1", mode="stay", resumed=resumed)
    spool = RecordSpool(os.pipe()[0], os.memfd_create("spool"))
    return Desk(job, socket.socketpair()[0], spool, AcceptedFile(accepted), os.pipe()[1])


def _notes(prepared: Prepared) -> set[int]:
    """The notes of all parts of the song, as it is compiled."""
    parts, problems = prepared.parts(0, prepared.session.songs[0])
    assert [problem for problem in problems if problem.severity == "error"] == []
    return {note for part in parts.values() for note in part.data1}


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A session on the disk, one part of it the tempo's source."""
    file = tmp_path / "quay.yaml"
    file.write_text(SESSION)
    _part(tmp_path / "ropewalk.mid", 120, 36)
    _part(tmp_path / "bells.mid", 120, 56)
    return file


def test_a_desk_that_is_started_again_has_the_session_of_the_dead_one(session: Path) -> None:
    """Session file broken, parts changed or gone, folder another: what was accepted is in force."""
    fd = os.memfd_create("accepted")
    before, folder = _desk(session, fd, resumed=False)._session_in_force()
    notes = _notes(before)
    assert notes == {36, 56}
    session.write_text("session: [broken\ntakes: {folder: stick}\n")
    _part(session.parent / "ropewalk.mid", 90, 40)
    (session.parent / "bells.mid").unlink()
    after, folder_after = _desk(session, fd, resumed=True)._session_in_force()
    assert after.session == before.session
    assert after.loaded.text == SESSION
    assert _notes(after) == notes
    assert folder_after == folder == str(session.parent / "takes")
    with pytest.raises(SessionError):  # the first desk of another run reads what lies there
        _desk(session, fd, resumed=False)._session_in_force()


def test_a_reload_puts_the_changed_file_in_force_for_the_next_desk_too(session: Path) -> None:
    """After it a desk that is started again has the new text and parts, and still the run's takes folder."""
    fd = os.memfd_create("accepted")
    desk = _desk(session, fd, resumed=False)
    _, folder = desk._session_in_force()
    session.write_text(SESSION.replace("2 bars", "4 bars") + "takes: {folder: stick}\n")
    _part(session.parent / "bells.mid", 120, 57)
    desk._accept(read_session(session, hold=True), folder)
    session.unlink()
    after, folder_after = _desk(session, fd, resumed=True)._session_in_force()
    assert "length: 4 bars" in after.loaded.text
    assert _notes(after) == {36, 57}
    assert folder_after == folder


def test_a_desk_that_died_before_it_accepted_anything_is_followed_by_one_that_reads_the_file(
    session: Path,
) -> None:
    """Nothing was told the engine by then, so that what lies on the disk is as good."""
    fd = os.memfd_create("accepted")
    prepared, _ = _desk(session, fd, resumed=True)._session_in_force()
    assert _notes(prepared) == {36, 56}
    assert AcceptedFile(fd).read() is not None
