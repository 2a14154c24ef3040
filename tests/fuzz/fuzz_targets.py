"""What is fuzzed: for each way in from outside, a function that raises only on a defect of ours.

Each also checks what must hold of what it read: a value that is accepted can be written and read again, a
stream cut anywhere gives the same as in one piece.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from runner.errors import LinkError, PartFileError, PlanError, SessionError, TakeFormatError
from runner.framing import FrameReader, PacketJoiner, cut_packets, pack_frame
from runner.plan.compile import compile_song
from runner.plan.parts import select_part
from runner.plan.smf import read_smf
from runner.ports.splitter import MessageSplitter, is_whole_message
from runner.session.load import load_session
from runner.session.model import PartSpec
from runner.takes.closing import close_take
from runner.takes.format import RECORD_SIZE, RecordReader
from runner.takes.reader import CLOCK_FILE, EVENTS_FILE, PLAN_FILE, SUMMARY_FILE, read_take
from runner.takes.verify import verify_take

Target = Callable[[bytes], None]
FRAME_LIMIT = 4096
MOST_BARS = 200  #: a mutant that asks for more is legal, and would only take long
_PART = PartSpec.model_validate({"file": "x.mid", "machine": "any"})


def _check(fine: object, what: str) -> None:
    if not fine:
        raise AssertionError(what)


def session(data: bytes) -> None:
    """A session file: loaded and its songs compiled, or every problem told with its line."""
    try:
        loaded = load_session(data, "fuzz.yaml")
    except SessionError as error:
        _check(all(p.message and p.line >= 0 for p in error.problems) and error.problems, "a problem's place")
        return
    for song in loaded.session.songs:
        if song.parts or song.length is None or song.length.amount > MOST_BARS:
            continue
        with contextlib.suppress(PlanError):
            rows = list(compile_song(loaded.session, song, {}, marks=loaded.marks).rows())
            assert [row["t_ns"] for row in rows] == sorted(row["t_ns"] for row in rows)


def smf(data: bytes) -> None:
    """A Standard MIDI File: read and a part chosen from it, or an error that names the byte."""
    try:
        file = read_smf(data, "fuzz.mid")
        notes = select_part(file, _PART)
    except PartFileError as error:
        _check(str(error), "an error without a word")
        return
    assert list(notes.ticks) == sorted(notes.ticks)


def midi(data: bytes) -> None:
    """MIDI bytes: whole messages only, the same wherever the stream is cut, no byte lost uncounted."""
    whole = MessageSplitter()
    messages = list(whole.feed(data))
    assert all(is_whole_message(message) for message in messages)
    at = data[0] % (len(data) + 1) if data else 0
    parts = MessageSplitter()
    assert [*parts.feed(data[:at]), *parts.feed(data[at:])] == messages
    assert parts.bad_bytes == whole.bad_bytes
    packets = MessageSplitter(packets=True)
    assert all(is_whole_message(message) for message in packets.feed(data))


def frames(data: bytes) -> None:
    """Frames of the control socket: payloads within the limit, or `LinkError`; packed ones are read back."""
    reader = FrameReader(FRAME_LIMIT)
    try:
        for kind, payload in reader.feed(data):
            assert 0 <= kind <= 255
            assert len(payload) <= FRAME_LIMIT
    except LinkError as error:
        _check(str(error), "an error without a word")
    payload = data[: FRAME_LIMIT - 2]
    assert list(FrameReader(FRAME_LIMIT).feed(pack_frame(7, payload))) == [(7, payload)]


def packets(data: bytes) -> None:
    """Packets between desk and engine: joined or counted, never raised; good ones pass after bad ones."""
    joiner = PacketJoiner()
    size = 1 + (data[0] if data else 0)
    for at in range(0, len(data), size):
        joiner.feed(data[at : at + size])
    joined = [joiner.feed(packet) for packet in cut_packets(3, 70_000, data)]
    assert joined[-1] == (3, data)


def records(data: bytes) -> None:
    """The engine's records: as many as are whole, foreign ones counted, wherever the stream is cut."""
    whole = RecordReader()
    found = list(whole.feed(data))
    assert sum(record.raw_count for record in found) + whole.bad <= len(data) // RECORD_SIZE
    at = len(data) // 2
    parts = RecordReader()
    again = [*parts.feed(data[:at]), *parts.feed(data[at:])]
    assert [record.seq for record in again] == [record.seq for record in found]


def take(data: bytes) -> None:
    """A take's files: read, audited, verified and closed, or `TakeFormatError`; never anything else.

    The first bytes say which file is replaced by the rest.
    """
    names = (EVENTS_FILE, CLOCK_FILE, SUMMARY_FILE, PLAN_FILE, "pending-0.records")
    place = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="takewright-fuzz-", dir=place))
    try:
        for name, content in _good_take().items():
            (folder / name).write_bytes(content)
        (folder / names[(data[0] if data else 0) % len(names)]).write_bytes(data[1:])
        with contextlib.suppress(TakeFormatError):
            read_take(folder, plan=True)
            verify_take(folder)
            summary = close_take(folder, recovered=True)
            assert summary["verdict"] in ("clean", "flawed", "interrupted", "failed")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


_kept: dict[str, bytes] = {}


def _good_take() -> dict[str, bytes]:
    """Return the files of a small faultless take; made once."""
    if not _kept:
        from runner.takes.testing import song_time, steady_records, take_header, write_take

        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "take-0001"
            time = song_time(bars=1, pre_roll=0)
            write_take(folder, take_header(time), steady_records(time)).close()
            for path in folder.iterdir():
                _kept[path.name] = path.read_bytes()
            _kept.setdefault(PLAN_FILE, b"[]\n")
    return _kept


def seeds(name: str) -> list[bytes]:
    """Return good inputs of a target to begin with."""
    root = Path(__file__).resolve().parents[2]
    if name == "session":
        return [path.read_bytes() for path in sorted((root / "tests/corpus/sessions/good").glob("*.yaml"))]
    if name == "smf":
        return [path.read_bytes() for path in sorted((root / "configs/parts").glob("*.mid"))]
    if name == "take":
        files = _good_take()
        order = (EVENTS_FILE, CLOCK_FILE, SUMMARY_FILE, PLAN_FILE)
        return [bytes((number,)) + files[file] for number, file in enumerate(order)]
    if name == "midi":
        return [bytes.fromhex("903c64 f8 803c40 f07d0102f7 c10b fa f8 fc f20000 b04a5a 3c00")]
    if name == "frames":
        return [pack_frame(1, b'{"do":"roll"}') + pack_frame(2, b"")]
    if name == "packets":
        return [next(iter(cut_packets(2, 1, bytes(300))))]
    from runner.takes.format import Kind, pack_record

    return [pack_record(Kind.SENT, 1, 5, data=bytes(100)) + pack_record(Kind.TICK_SENT, 6, 7)]


TARGETS: dict[str, Target] = {
    "session": session, "smf": smf, "midi": midi, "frames": frames, "packets": packets, "records": records,
    "take": take,
}  # fmt: skip
