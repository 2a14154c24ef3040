"""Takes with damaged files: a report or a clear error, never a traceback, and not a byte of them changed."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from runner.audit.text import audit_take, audit_text
from runner.cli.audit import command
from runner.errors import TakeFormatError
from runner.takes.closing import close_take
from runner.takes.format import Kind
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take
from runner.takes.verify import verify_take

TIME = song_time(125, bars=2, pre_roll=1)
FILES = ("events.jsonl", "clock.jsonl", "take.json", "plan.json", "session.yaml", "capture.mid")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed take with a bit of everything in it."""
    folder = tmp_path_factory.mktemp("whole") / "take-0001"
    records = steady_records(TIME, 2)
    maker = RecordMaker(seq=records[-1].seq + 1)
    maker.json(Kind.PRESENCE, 100, {"port": "loft", "present": False}, port=1)
    maker.json(Kind.FINDING, 400, {"code": "clock-wander", "severity": "warning", "evidence": {"ms": 3}})
    maker.add(Kind.RECEIVED, 500, port=0, data=b"\x99\x24\x40")
    maker.add(Kind.TICK_RECEIVED, 600, port=0, ref=1)
    maker.add(Kind.TICK_RECEIVED, 700, port=0, ref=2)
    write_take(folder, take_header(TIME, 2), [*records, *maker.records]).finish()
    plan = [{"t_ns": 0, "port": "quay", "machine": "drums", "bytes": "FA", "what": "Start"}]
    (folder / "plan.json").write_text(json.dumps(plan))
    (folder / "session.yaml").write_text("session: Lantern Quay\n")
    close_take(folder)
    assert {file.name for file in folder.iterdir()} >= set(FILES)
    return folder


def examine(folder: Path) -> str:
    """Read, audit, verify a damaged take; return what came of it. Anything but a clear error is raised."""
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    said = "report"
    try:
        take = read_take(folder, plan=True)
        text = audit_text(audit_take(take))
        assert text.split()[0] in ("CLEAN", "FLAWED", "INTERRUPTED", "FAILED")
        verify_take(folder)
    except TakeFormatError as error:
        said = str(error)
        assert folder.name in said, said
        assert "Traceback" not in said
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    return said


def damaged(whole: Path, folder: Path, name: str, data: bytes) -> Path:
    """Return a copy of the take with one file's bytes replaced."""
    copy = folder / "take-0001"
    if copy.exists():
        shutil.rmtree(copy)
    shutil.copytree(whole, copy)
    (copy / name).write_bytes(data)
    return copy


def cut_at(whole: Path, folder: Path, name: str, places: int) -> None:
    """Cut a file at so many places, evenly spread and near both ends."""
    data = (whole / name).read_bytes()
    sizes = {0, 1, max(0, len(data) - 1), *(len(data) * n // places for n in range(places))}
    for size in sorted(sizes):
        examine(damaged(whole, folder, name, data[:size]))


def flip(whole: Path, folder: Path, name: str, count: int, seed: int) -> int:
    """Change so many single bytes of a file, one a time; return how often a report still came."""
    data = (whole / name).read_bytes()
    rng = random.Random(f"{name} {seed}")
    reports = 0
    for _ in range(count):
        changed = bytearray(data)
        changed[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        reports += examine(damaged(whole, folder, name, bytes(changed))) == "report"
    return reports


@pytest.mark.parametrize("name", FILES)
def test_a_file_cut_short_gives_a_report_or_a_clear_error(name: str, whole: Path, tmp_path: Path) -> None:
    """Each file cut at its ends and a few places between."""
    cut_at(whole, tmp_path, name, 3)


@pytest.mark.parametrize("name", FILES)
def test_a_changed_byte_gives_a_report_or_a_clear_error(name: str, whole: Path, tmp_path: Path) -> None:
    """A few single bits of each file turned over, one at a time: nearly always there still is a report."""
    assert flip(whole, tmp_path, name, 6, 1) >= 3


@pytest.mark.parametrize("name", FILES)
def test_a_missing_file_gives_a_report(name: str, whole: Path, tmp_path: Path) -> None:
    """Any one file may be gone: the header stands in two of them."""
    copy = damaged(whole, tmp_path, name, b"")
    (copy / name).unlink()
    assert examine(copy) == "report"


def test_the_command_says_what_cannot_be_read(whole: Path, tmp_path: Path) -> None:
    """Without a readable header in either file `audit` ends with the file, the reason, and no traceback."""
    copy = damaged(whole, tmp_path, "events.jsonl", b"\xff\xfe not a take\n")
    (copy / "take.json").write_text("{")
    result = CliRunner().invoke(command, [str(copy)], standalone_mode=False)
    assert isinstance(result.exception, TakeFormatError)
    assert "events.jsonl" in str(result.exception)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", FILES)
def test_a_file_cut_at_a_hundred_places(name: str, whole: Path, tmp_path: Path) -> None:
    """Each file cut at 100 places, evenly spread."""
    cut_at(whole, tmp_path, name, 100)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", FILES)
def test_a_thousand_changed_bytes(name: str, whole: Path, tmp_path: Path) -> None:
    """1,000 single bits of each file turned over, one at a time."""
    assert flip(whole, tmp_path, name, 1000, 2) >= 900
