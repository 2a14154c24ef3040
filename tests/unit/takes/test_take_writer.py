"""The writer of a take: nothing lost, nothing doubled, whatever dies or fills up."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.takes import files
from runner.takes.format import Kind, Record, RecordReader
from runner.takes.journal import journal_files, raw_bytes
from runner.takes.model import Take
from runner.takes.reader import at_text_of, read_take
from runner.takes.testing import ANCHOR_NS, RecordMaker, song_time, steady_records, take_header, write_take
from runner.takes.writer import MAX_WAITING_BYTES, SYNC_EVERY_NS, TakeWriter

TIME = song_time(bars=3, pre_roll=1)
HEADER = take_header(TIME, 2)
RECORDS = steady_records(TIME, 2, seed=3)
AT = at_text_of(HEADER)


class Killed(BaseException):
    """The process is gone."""


class Disk:
    """Stands between the files and the system: kills the writer at a write, or takes no data."""

    def __init__(self) -> None:
        self.kill_at: int | None = None
        self.share = 1.0
        self.full = False
        self.room: int | None = None
        self.writes = 0
        self._write: Callable[[int, bytes], int] = os.write

    def write(self, fd: int, data: bytes) -> int:
        self.writes += 1
        if self.kill_at is not None and self.writes >= self.kill_at:
            self._write(fd, bytes(data[: int(len(data) * self.share)]))
            raise Killed
        if self.full or self.room == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        if self.room is not None:
            data = bytes(data[: self.room])
            self.room -= len(data)
        return self._write(fd, data)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    """A disk between the writer and the system, as the test sets it."""
    disk = Disk()
    monkeypatch.setattr(files, "system_write", disk.write)
    yield disk
    disk.kill_at, disk.full, disk.room = None, False, None


def contents(take: Take) -> tuple[object, ...]:
    """All that the engine said, as the take has it."""
    events = tuple(event for event in take.events if event.kind != "log")
    tracks = {
        key: (list(track.number), list(track.t_ns), list(track.due_ns)) for key, track in take.tracks.items()
    }
    return events, tracks


def logs(take: Take) -> list[str]:
    return [event.detail["state"] for event in take.of_kind("log")]


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, ...]:
    """The contents of the take when nothing goes wrong."""
    folder = tmp_path_factory.mktemp("expected") / "take-0001"
    write_take(folder, HEADER, RECORDS).finish()
    return contents(read_take(folder))


def test_a_take_holds_every_record(expected: tuple[object, ...]) -> None:
    """Every event and every tick fed is in the take, with its time to the ns."""
    events, tracks = expected
    ticks = [record for record in RECORDS if record.kind == Kind.TICK_SENT]
    assert len(events) == len(RECORDS) - len(ticks)  # type: ignore[arg-type]
    for port, name in enumerate(HEADER.ports):
        mine = [record for record in ticks if record.port == port]
        numbers, times, dues = tracks[name, "out"]  # type: ignore[index]
        assert numbers == [record.ref for record in mine]
        assert times == [record.t_ns - ANCHOR_NS for record in mine]
        assert dues == [record.due_ns - ANCHOR_NS for record in mine]


@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_a_writer_killed_at_any_write_loses_and_doubles_nothing(
    data: st.DataObject, disk: Disk, expected: tuple[object, ...], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Killed within any write and fed its last blocks again, a writer has every record once."""
    disk.kill_at = None
    size = data.draw(st.integers(1, 400), label="records a read")
    blocks = [RECORDS[at : at + size] for at in range(0, len(RECORDS), size)]
    folder = tmp_path_factory.mktemp("killed") / "take-0001"
    folder.mkdir()
    writer = TakeWriter(folder, HEADER, AT)
    at = 0
    for _ in range(data.draw(st.integers(1, 3), label="kills")):
        disk.writes = 0
        disk.kill_at = data.draw(st.integers(1, 4 * len(blocks)), label="at write")
        disk.share = data.draw(st.floats(0, 1), label="share of the write done")
        try:
            while at < len(blocks):
                writer.feed_all(blocks[at])
                at += 1
        except Killed:
            disk.kill_at = None
            writer.release()
            writer = TakeWriter.resume(folder, AT)
            at = max(0, at - data.draw(st.integers(0, 2), label="blocks fed again"))
    disk.kill_at = None
    for block in blocks[at:]:
        writer.feed_all(block)
    writer.finish()
    take = read_take(folder)
    assert contents(take) == expected
    assert take.damages == []
    assert "gap" not in logs(take)


@pytest.mark.parametrize("length", [0, 1, 300])
def test_a_torn_header_is_written_again(tmp_path: Path, length: int, expected: tuple[object, ...]) -> None:
    """A writer that is told the header goes on with a take whose header was torn, and nothing is lost."""
    write_take(tmp_path, HEADER, RECORDS[:10]).release()
    events = tmp_path / "events.jsonl"
    events.write_bytes(events.read_bytes()[:length])
    writer = TakeWriter.resume(tmp_path, AT, header=HEADER)
    writer.feed_all(RECORDS[10:])
    writer.finish()
    take = read_take(tmp_path)
    assert contents(take) == expected
    assert take.damages == []


def test_an_unfinished_take_is_read_to_its_last_record(tmp_path: Path) -> None:
    """The records of a beat that is not full yet are read from the working file."""
    for count in (60, 61, 75, 100):
        folder = tmp_path / str(count)
        write_take(folder, HEADER, RECORDS[:count]).release()
        assert read_take(folder).record_count == count


def test_a_batch_of_any_size_is_written(tmp_path: Path) -> None:
    """A single batch larger than what may wait in memory loses nothing."""
    maker = RecordMaker()
    for index in range(120):
        maker.add(Kind.SENT, index, data=b"\xf0" + bytes(60_000) + b"\xf7")
    writer = write_take(tmp_path, HEADER, maker.records)
    assert writer.state.lost == 0
    writer.finish()
    assert read_take(tmp_path).record_count == 120


def test_a_gap_in_the_numbering_is_told(tmp_path: Path) -> None:
    """Records that never arrived are counted and their place is in the log."""
    writer = write_take(tmp_path / "t", HEADER, RECORDS[:100])
    writer.feed_all(RECORDS[107:200])
    writer.finish()
    take = read_take(tmp_path / "t")
    gap = next(event for event in take.of_kind("log") if event.detail["state"] == "gap")
    lost = sum(record.raw_count for record in RECORDS[100:107])
    assert gap.detail["lost"] == lost
    assert writer.state.lost == lost


def test_a_resumed_writer_notices_what_was_lost_between(tmp_path: Path) -> None:
    """Records lost between the dead writer and the next are told too."""
    write_take(tmp_path / "t", HEADER, RECORDS[:100]).release()
    writer = TakeWriter.resume(tmp_path / "t", AT)
    writer.feed_all(RECORDS[103:])
    writer.finish()
    assert logs(read_take(tmp_path / "t"))[:2] == ["continued", "gap"]


def test_the_sequence_number_may_wrap(tmp_path: Path) -> None:
    """A sequence number that passes 2**32 in mid-take loses nothing, also when the writer is killed then."""
    records = steady_records(TIME, 2, seed=3, seq=2**32 - 150)
    assert records[0].seq > records[-1].seq
    for cut in (140, 148, 152, 170, 300):
        folder = tmp_path / str(cut)
        write_take(folder, HEADER, records[:cut]).release()
        writer = TakeWriter.resume(folder, AT)
        writer.feed_all(records[cut - 40 :])
        writer.finish()
        take = read_take(folder)
        assert take.record_count == len(records)
        assert "gap" not in logs(take)


def restarted() -> tuple[list[Record], list[Record]]:
    """The records of an engine that died, and those of the next, which counts from 1 again."""
    old = RECORDS[:150]
    maker = RecordMaker()
    t_ns = old[-1].t_ns - ANCHOR_NS + 50_000_000
    maker.add(Kind.CUT, t_ns, port=1, machine=1, data=b"\x81\x24\x00")
    maker.json(Kind.FINDING, t_ns + 1000, {"code": "engine-restarted", "severity": "error", "notes": 1})
    maker.json(Kind.TAKE_END, t_ns + 2000, {"why": "the engine process died", "died": True})
    return old, [maker.records[1], maker.records[0], maker.records[2]]


@pytest.mark.parametrize("again", [0, 1, 2, 3, 60])
def test_a_new_engine_goes_on_with_the_take(tmp_path: Path, again: int) -> None:
    """Records of a new engine, which counts from anew, are written, also when they are fed twice."""
    old, new = restarted()
    new = [replace(record, seq=1 + 4 * index) for index, record in enumerate(new)]
    writer = write_take(tmp_path / "t", HEADER, [*old, *new])
    writer.release()
    writer = TakeWriter.resume(tmp_path / "t", AT)
    writer.feed_all([*old, *new][-again:] if again else [])
    writer.finish()
    take = read_take(tmp_path / "t")
    assert take.record_count == len(old) + len(new)
    assert [event.kind for event in take.events if event.kind != "log"][-3:] == ["finding", "cut", "end"]
    assert logs(take).count("renumbered") == 1


def test_a_full_disk_stops_the_log_and_nothing_else(tmp_path: Path, disk: Disk) -> None:
    """While the disk is full nothing is raised, and once there is room all that waited is written."""
    now = [0]
    folder = tmp_path / "t"
    folder.mkdir()
    writer = TakeWriter(folder, HEADER, AT, now_ns=lambda: now[0])
    writer.feed_all(RECORDS[:100])
    disk.room = 333  # a write is cut short in the middle of a line
    writer.feed_all(RECORDS[100:200])
    assert writer.state.stopped
    assert writer.state.reason == os.strerror(errno.ENOSPC)
    writer.feed_all(RECORDS[200:300])
    disk.room = None
    writer.feed_all(RECORDS[300:350])
    assert writer.state.stopped, "the disk is tried once a second, not at each record"
    now[0] += 2_000_000_000
    writer.feed_all(RECORDS[350:])
    assert not writer.state.stopped
    assert writer.state.lost == 0
    writer.finish()
    take = read_take(folder)
    assert take.record_count == len(RECORDS)
    assert take.damages == []
    assert logs(take) == ["stopped", "resumed"]


def test_a_disk_that_stays_full_costs_bounded_memory(tmp_path: Path, disk: Disk) -> None:
    """Beyond the limit records are counted as lost, and the count is written once there is room."""
    now = [0]
    folder = tmp_path / "t"
    folder.mkdir()
    writer = TakeWriter(folder, HEADER, AT, now_ns=lambda: now[0])
    disk.full = True
    maker = RecordMaker()
    payload = b"\xf0" + bytes(60_000) + b"\xf7"
    for index in range(60):
        maker.add(Kind.SENT, index, data=payload)
    for record in maker.records:
        writer.feed(record)
        assert writer._waiting_bytes() < MAX_WAITING_BYTES + 400_000
    lost = writer.state.lost
    assert 20 < lost < 60
    disk.full = False
    now[0] += 2_000_000_000
    writer.flush()
    writer.finish()
    take = read_take(folder)
    resumed = next(event for event in take.of_kind("log") if event.detail["state"] == "resumed")
    assert resumed.detail["lost"] == lost
    assert len(list(take.of_kind("sent"))) == 60 - lost


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full (Linux)")
def test_a_real_full_device_is_survived(tmp_path: Path) -> None:
    """ENOSPC from the system itself stops the log and raises nothing, and closing says what is missing."""
    for name in ("events.jsonl", "clock.jsonl"):
        (tmp_path / name).symlink_to("/dev/full")
    writer = TakeWriter(tmp_path, HEADER, AT)
    writer.feed_all(RECORDS)
    assert writer.state.stopped
    assert "space" in writer.state.reason.lower()
    writer.finish()
    writer.release()


@pytest.mark.parametrize("lost", [1, 40, 700, 20_000])
def test_what_a_medium_lost_as_it_was_pulled_out_is_written_again(
    tmp_path: Path, disk: Disk, lost: int, expected: tuple[object, ...]
) -> None:
    """A stick comes back without the last bytes that the system took: they are written again."""
    folder = tmp_path / "take-0001"
    folder.mkdir()
    now = 0
    writer = TakeWriter(folder, HEADER, AT, now_ns=lambda: now)
    third = len(RECORDS) // 3
    writer.feed_all(RECORDS[:third])
    for at in range(third, 2 * third):  # taken by the system, but not by the stick
        writer.feed(RECORDS[at])
    disk.full = True
    writer.feed_all(RECORDS[2 * third : -5])
    assert writer.state.stopped
    for path in folder.iterdir():
        os.truncate(path, max(0, path.stat().st_size - lost))
    disk.full = False
    now += 2_000_000_000
    writer.feed_all(RECORDS[-5:])
    assert not writer.state.stopped
    writer.finish()
    take = read_take(folder)
    assert contents(take) == expected
    assert not take.damages and not take.torn
    assert logs(take) == ["stopped", "resumed"]


def test_a_vanished_folder_stops_the_log(tmp_path: Path) -> None:
    """A takes folder that is not there (a medium pulled out) stops the log and raises nothing."""
    writer = TakeWriter(tmp_path / "not there", HEADER, AT)
    writer.feed_all(RECORDS)
    assert writer.state.stopped
    writer.finish()
    writer.release()


def test_state_changes_are_synced_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A state change asks for a sync; ticks alone do so now and then only."""
    asked: list[int] = []
    monkeypatch.setattr(files.Syncer, "request", lambda self, others=(): asked.append(1))
    now = [0]
    writer = TakeWriter(tmp_path, HEADER, AT, now_ns=lambda: now[0])
    asked.clear()
    ticks = [record for record in RECORDS if record.kind == Kind.TICK_SENT]
    for record in ticks[:50]:
        writer.feed(record)
    assert asked == []
    now[0] = SYNC_EVERY_NS
    writer.feed(ticks[50])
    writer.feed(ticks[51])
    assert len(asked) == 1
    writer.feed(RecordMaker(seq=9000).json(Kind.STATE, 0, {"state": "rolling"}))
    assert len(asked) == 2
    writer.finish()


class Medium:
    """What of each file is on the medium, as syncs bring it there, one by one; each takes `takes_ns`."""

    def __init__(self, takes_ns: int) -> None:
        self.now_ns = 0
        self._takes_ns = takes_ns
        self._free_ns = 0
        self._whole: list[tuple[int, Path, int]] = []  # (from when on, file, bytes)

    def sync(self, fd: int) -> None:
        path = Path(os.readlink(f"/proc/self/fd/{fd}"))
        if path.is_file():  # a folder has been brought there by the sync of what was made in it
            self._free_ns = max(self.now_ns, self._free_ns) + self._takes_ns
        self._whole.append((self._free_ns, path, os.fstat(fd).st_size))

    def sizes(self) -> dict[Path, int]:
        return {path: size for since_ns, path, size in self._whole if since_ns <= self.now_ns}

    def after_a_power_cut(self, folder: Path, copy: Path) -> Path:
        copy.mkdir()
        for path, size in self.sizes().items():
            if path.is_file():
                (copy / path.name).write_bytes(path.read_bytes()[:size])
        assert self.sizes().keys() >= {folder}
        return copy


def _last_ns(take: Take) -> int:
    ticks = [t for track in take.tracks.values() for t in track.t_ns]
    return max([*ticks, *(event.t_ns for event in take.events)])


@pytest.mark.parametrize("bpm", [30.0, 120.0])
def test_a_power_cut_costs_a_second_at_most(
    bpm: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At any moment all but the last second is on the medium, however slow the beat; a sync takes 0.36 s.

    A medium of our own that keeps only what was synced: after a cut nothing else is sure to be there.
    """
    time = song_time(bpm=bpm, bars=3)
    header = take_header(time, 2)
    medium = Medium(takes_ns=120_000_000)  # for each of the three files
    monkeypatch.setattr(files, "data_sync", medium.sync)
    folder = tmp_path / "take"
    folder.mkdir()
    records = steady_records(time, 2, seed=3)
    medium.now_ns = begun_ns = records[0].t_ns
    writer = TakeWriter(folder, header, at_text_of(header), now_ns=lambda: medium.now_ns)
    cuts = 0
    for record in records:
        while record.t_ns - medium.now_ns > 100_000_000:  # the desk's turns while nothing comes
            medium.now_ns += 100_000_000
            writer.flush()
            writer._syncer.wait_idle()
        medium.now_ns = max(medium.now_ns, record.t_ns)
        writer.feed(record)
        writer._syncer.wait_idle()
        if record.seq % 23 == 0 and medium.now_ns - begun_ns > 1_000_000_000:
            cuts += 1
            left = read_take(medium.after_a_power_cut(folder, tmp_path / f"cut-{cuts}"))
            assert medium.now_ns - header.anchor_ns - _last_ns(left) <= 1_000_000_000
    assert cuts > 10
    writer.finish()


def test_what_was_made_before_the_log_is_brought_to_the_medium(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A take of a few seconds has its session and plan after a power cut, and its folders up to the store."""
    medium = Medium(takes_ns=0)
    monkeypatch.setattr(files, "data_sync", medium.sync)
    folder = tmp_path / "takes" / "Lantern Quay" / "Ropewalk" / "bass" / "take-0001"
    folder.mkdir(parents=True)
    for name in ("session.yaml", "plan.json"):
        (folder / name).write_text("kept")
    writer = TakeWriter(folder, HEADER, AT)
    writer._syncer.wait_idle()
    sizes = medium.sizes()
    assert {sizes[folder / name] for name in ("session.yaml", "plan.json")} == {4}
    assert set(sizes) >= {folder, *list(folder.parents)[:4]}
    assert tmp_path / "takes" in sizes
    writer.finish()


def test_a_slow_sync_does_not_hold_up_the_writer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a sync hangs, records are still handed to the system."""
    import threading

    release, entered = threading.Event(), threading.Event()

    def hang(fd: int) -> None:
        entered.set()
        release.wait(20)

    monkeypatch.setattr(files, "data_sync", hang)
    writer = write_take(tmp_path, HEADER, RECORDS[:50])
    assert entered.wait(20)
    writer.feed_all(RECORDS[50:])
    assert not writer.state.stopped
    assert read_take(tmp_path).record_count == len(RECORDS)
    release.set()
    writer.finish()


def test_a_failed_sync_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the medium at a sync is in the log, and the log stands until a sync went well."""
    bad = True

    def sync(fd: int) -> None:
        if bad:
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(files, "data_sync", sync)
    now = 0
    writer = TakeWriter(tmp_path, HEADER, AT, now_ns=lambda: now)
    states = []
    for at, record in enumerate(RECORDS[:40]):
        bad = at < 20
        now += 1_000_000_000
        writer.feed(record)
        writer._syncer.wait_idle()
        states.append(writer.state.stopped)
    writer.finish()
    assert states[2:20] == [True] * 18
    assert not any(states[23:])
    assert logs(read_take(tmp_path)) == ["sync_failed", "resumed"]


def test_a_stick_that_was_pulled_out_unnoticed_by_writes_is_written_to_when_it_is_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, expected: tuple[object, ...]
) -> None:
    """The system takes all for a stick that is gone and only its sync fails: the stick has all in the end."""
    folder, stick = tmp_path / "take-0001", tmp_path / "stick"
    folder.mkdir()
    gone = False

    def sync(fd: int) -> None:
        if gone:
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(files, "data_sync", sync)
    now = 0
    writer = TakeWriter(folder, HEADER, AT, now_ns=lambda: now)
    third = len(RECORDS) // 3
    for at, record in enumerate(RECORDS):
        if at == third:  # the files that are open stay writable; their place is empty
            shutil.copytree(folder, stick)
            shutil.move(folder, tmp_path / "lost")
            gone = True
        if at == 2 * third:
            assert writer.state.stopped
            shutil.move(stick, folder)
            gone = False
        now += 100_000_000
        writer.feed(record)
        writer._syncer.wait_idle()
    writer.finish()
    take = read_take(folder)
    assert contents(take) == expected
    assert not take.damages
    assert "sync_failed" in logs(take)
    assert not writer.state.stopped


def test_the_working_file_stays_small_and_aligned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The working file is cut back now and then and still holds every tick without a line."""
    from runner.takes import journal

    monkeypatch.setattr(journal, "COMPACT_ABOVE_BYTES", 64 * 120)
    monkeypatch.setattr(journal, "KEPT_BYTES", 64 * 10)
    sizes = []
    writer = write_take(tmp_path, HEADER, [])
    for record in RECORDS:
        writer.feed(record)
        sizes.append(sum(path.stat().st_size for _, path in journal_files(tmp_path)))
        assert sizes[-1] % 64 == 0
    assert max(sizes) <= 64 * 130
    writer.release()
    assert read_take(tmp_path).record_count == len(RECORDS)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(
    st.builds(
        Record,
        st.sampled_from(list(Kind)),
        st.integers(0, 2**32 - 1),
        st.integers(1, 2**62),
        st.integers(0, 2**62),
        st.floats(allow_nan=False, allow_infinity=False),
        st.integers(0, 2**16 - 1),
        st.integers(0, 2**16 - 1),
        st.integers(0, 2**32 - 1),
        st.binary(max_size=200),
    )
)
def test_a_record_survives_the_working_file(record: Record) -> None:
    """Packing a record again gives the records that it was read from."""
    raw = raw_bytes(record)
    (again,) = RecordReader().feed(raw)
    assert raw_bytes(again) == raw
    assert (again.kind, again.t_ns, again.ref, again.data) == (
        record.kind,
        record.t_ns,
        record.ref,
        record.data,
    )


@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from(list(Kind)), st.integers(0, 3), st.integers(0, 100), st.binary(max_size=30),
            st.floats(), st.integers(1, 2**62),
        ),
        max_size=80,
    )
)  # fmt: skip
def test_any_records_can_be_written_and_read(
    rows: list[tuple[Kind, int, int, bytes, float, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever the engine sends, writing and reading it back raises nothing and keeps the count."""
    folder = tmp_path_factory.mktemp("any")
    records = []
    seq = 1
    for kind, port, ref, data, quarters, t_ns in rows:
        if kind in (Kind.TICK_SENT, Kind.TICK_RECEIVED):
            data = b""
        record = Record(kind, seq, t_ns, 0, quarters, port, 0, ref, data, max(1, -(-len(data) // 24)))
        seq += record.raw_count
        records.append(record)
    writer = write_take(folder, HEADER, records)
    writer.finish()
    take = read_take(folder)
    assert take.record_count == sum(1 for record in records if record.kind != Kind.BEAT)
    assert take.damages == []


def gone_on(first: int, *, on: bool = True) -> list[Record]:
    """The records of an engine that took the place of one that died, numbered from `first`."""
    maker = RecordMaker(seq=first)
    t_ns = RECORDS[-1].t_ns - ANCHOR_NS + 50_000_000
    maker.json(Kind.FINDING, t_ns, {"code": "engine-restarted", "severity": "error", "numbers_go_on": on})
    maker.add(Kind.CUT, t_ns + 1000, port=1, machine=1, data=b"\x81\x24\x00")
    maker.json(Kind.TAKE_END, t_ns + 2000, {"why": "the engine process died", "outcome": "failed"})
    return maker.records


def test_what_a_dead_engine_numbered_and_nobody_got_is_told(tmp_path: Path) -> None:
    """The next engine numbers on, so that a gap before it is seen like any other."""
    writer = write_take(tmp_path / "t", HEADER, [*RECORDS[:100], *gone_on(RECORDS[107].seq)])
    writer.finish()
    take = read_take(tmp_path / "t")
    lost = RECORDS[107].seq - RECORDS[100].seq
    assert writer.state.lost == lost
    assert [event.detail["lost"] for event in take.of_kind("log")] == [lost]
    assert take.record_count == 103


@pytest.mark.parametrize("on", [True, False])
@pytest.mark.parametrize("room", [0, 100, 700, 1500, 2500])
def test_a_desk_killed_with_a_full_disk_and_another_engine_loses_nothing(
    tmp_path: Path, disk: Disk, room: int, on: bool
) -> None:
    """What the writer could not hand over is not safe; fed to the next one, it is all there, once."""
    old = RECORDS[:150]
    after = gone_on(RECORDS[150].seq if on else 1, on=on)
    now = [0]
    folder = tmp_path / "t"
    folder.mkdir()
    writer = TakeWriter(folder, HEADER, AT, now_ns=lambda: now[0])
    writer.feed_all(old[:60])
    assert writer.safe
    disk.room = room
    writer.feed_all(old[60:120])
    assert not writer.safe
    now[0] += 2_000_000_000
    disk.room = room
    writer.feed_all([*old[120:], *after])
    assert not writer.safe
    writer.release()  # killed
    disk.room = None
    writer = TakeWriter.resume(folder, AT)
    writer.feed_all([*old[60:], *after])
    assert writer.safe
    writer.finish()
    take = read_take(folder)
    assert take.record_count == len(old) + len(after)
    numbers = [event.n for event in take.events if event.n is not None]
    assert numbers == sorted(set(numbers))
    assert writer.state.lost == 0
    assert "gap" not in logs(take)


def test_beyond_the_limit_another_engine_and_the_end_are_still_taken_in(tmp_path: Path, disk: Disk) -> None:
    """What finds no room in memory is counted once, and what the log cannot do without finds room."""
    folder = tmp_path / "t"
    folder.mkdir()
    now = [0]
    writer = TakeWriter(folder, HEADER, AT, now_ns=lambda: now[0])
    disk.full = True
    maker = RecordMaker()
    for index in range(60):
        maker.add(Kind.SENT, index, data=b"\xf0" + bytes(60_000) + b"\xf7")
    writer.feed_all([*maker.records, *restarted()[1]])
    assert writer.ended
    lost = writer.state.lost
    assert 20 < lost < 60
    disk.full = False
    now[0] += 2_000_000_000
    writer.finish()
    take = read_take(folder)
    assert len(list(take.of_kind("finding"))) == len(list(take.of_kind("end"))) == 1
    assert sum(event.detail.get("lost", 0) for event in take.of_kind("log")) == lost


def test_what_the_disk_never_took_is_counted_when_the_take_is_closed(tmp_path: Path, disk: Disk) -> None:
    """A take whose lines never found room tells how many raw records that were."""
    writer = write_take(tmp_path, HEADER, RECORDS[:100])
    disk.full = True
    writer.feed_all(RECORDS[100:])
    assert not writer.safe
    raw = sum(record.raw_count for record in RECORDS[100:])
    assert writer.close()["log"]["dropped"] == raw
