"""Reading takes that are whole, unfinished or damaged: a report or a clear error, and no byte changed."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
from pathlib import Path

import pytest

from runner.audit.text import audit_take, audit_text
from runner.errors import TakeFormatError
from runner.takes.reader import read_header, read_take
from runner.takes.testing import song_time, steady_records, take_header, write_take
from runner.takes.verify import verify_take

TIME = song_time(bars=4, pre_roll=1)
HEADER = take_header(TIME, 2)
FILES = ("events.jsonl", "clock.jsonl", "take.json", "plan.json")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed take."""
    folder = tmp_path_factory.mktemp("whole") / "take-0001"
    folder.mkdir()
    (folder / "plan.json").write_text('[\n{"t_ns":0,"port":"quay","bytes":"FA","what":"Start"}\n]\n')
    write_take(folder, HEADER, steady_records(TIME, 2)).close()
    return folder


def sums(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def examine(folder: Path) -> str:
    """Read, audit and verify a take; return its text, or the error's. Any other exception is a failure."""
    before = sums(folder)
    try:
        text = audit_text(audit_take(read_take(folder, plan=True)))
        verify_take(folder)
    except TakeFormatError as error:
        text = f"error: {error}"
    assert sums(folder) == before
    return text


def test_a_whole_take_has_no_damages(whole: Path) -> None:
    """A take as it was written reads without a complaint and verifies."""
    take = read_take(whole, plan=True)
    assert take.damages == []
    assert not take.torn
    assert verify_take(whole).fine
    assert audit_take(take)["verdict"] == "clean"


def test_an_audit_says_what_the_closing_said(whole: Path) -> None:
    """The audit made anew from the files equals take.json."""
    take = read_take(whole, plan=True)
    assert audit_take(take) == take.summary


@pytest.mark.parametrize("name", FILES)
def test_truncated_files_give_a_report_or_a_clear_error(whole: Path, name: str, tmp_path: Path) -> None:
    """A file cut anywhere is reported, and the verdict is not clean if anything of the log is gone."""
    data = (whole / name).read_bytes()
    folder = tmp_path / "take-0001"
    for step in range(20):
        shutil.copytree(whole, folder)
        cut = min(len(data) - 2, len(data) * step // 20 + (step * 7) % 11)
        (folder / name).write_bytes(data[:cut])
        text = examine(folder)
        assert text
        if name in ("events.jsonl", "clock.jsonl"):
            assert not text.startswith("CLEAN")
        state = [check.state for check in verify_take(folder).checks] if "error" not in text[:6] else []
        assert "changed" in state or "unrecorded" in state or not state
        shutil.rmtree(folder)


def test_missing_files_are_reported(whole: Path, tmp_path: Path) -> None:
    """Each file may be missing; the audit says so or there is an error that names the file."""
    for name in FILES:
        folder = tmp_path / name
        shutil.copytree(whole, folder)
        (folder / name).unlink()
        assert examine(folder)
    take = read_take(tmp_path / "events.jsonl")
    assert [damage.file for damage in take.damages] == ["events.jsonl"]
    assert take.header.song == "Ropewalk"


def test_flipped_bytes_never_give_a_traceback(whole: Path, tmp_path: Path) -> None:
    """A byte changed anywhere gives a report or a clear error, and the checksums tell which file it was."""
    rng = random.Random(11)
    folder = tmp_path / "take-0001"
    shutil.copytree(whole, folder)
    for _ in range(120):
        name = rng.choice(FILES)
        data = bytearray((whole / name).read_bytes())
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        (folder / name).write_bytes(data)
        assert examine(folder)
        if name != "take.json":
            bad = [check.name for check in verify_take(folder).checks if not check.fine]
            assert bad == [name]
        (folder / name).write_bytes((whole / name).read_bytes())


@pytest.mark.campaign
def test_damage_campaign(whole: Path, tmp_path: Path) -> None:
    """Every file cut at 100 places and 1,000 random changes: a report or a clear error each time."""
    rng = random.Random(12)
    folder = tmp_path / "take-0001"
    shutil.copytree(whole, folder)
    for name in FILES:
        data = (whole / name).read_bytes()
        for step in range(100):
            (folder / name).write_bytes(data[: len(data) * step // 100])
            assert examine(folder)
        (folder / name).write_bytes(data)
    for _ in range(1000):
        name = rng.choice(FILES)
        data = bytearray((whole / name).read_bytes())
        for _ in range(rng.choice((1, 1, 1, 5))):
            data[rng.randrange(len(data))] = rng.randrange(256)
        (folder / name).write_bytes(data)
        assert examine(folder)
        (folder / name).write_bytes((whole / name).read_bytes())


@pytest.mark.parametrize(
    ("line", "word"),
    [
        (b"\xff\xfe{}", "not text"),
        (b'{"x', "not JSON"),
        (b"nonsense", "not JSON"),
        (b"[]", "not a JSON object"),
        (b'{"kind":"sent","t":1}{}', "something follows"),
        (b'{"kind":"sent"}', "'t'"),
        (b'{"t":1}', "'kind'"),
        (b'{"kind":"sent","t":1e3}', "'t'"),
        (b'{"kind":"sent","t":NaN}', "NaN"),
        (b'{"kind":"sent","t":true}', "'t'"),
        (b'{"kind":"sent","t":99999999999999999999}', "'t'"),
        (b'{"kind":"sent","t":' + b"9" * 5000 + b"}", "not JSON"),
        (b'{"kind":"sent","t":1,"bytes":"9"}', "'bytes'"),
        (b'{"kind":"sent","t":1,"bytes":7}', "'bytes'"),
        (b'{"kind":"sent","t":1,"port":7}', "'port'"),
        (b'{"kind":"sent","t":1,"due":"x"}', "'due'"),
        (b'{"kind":"state","t":1,"data":[]}', "'data'"),
        (b"[" * 100_000, "not JSON"),
        (b'{"a":' * 100_000, "not JSON"),
    ],
)
def test_each_damaged_line_is_reported_with_its_number_and_size(
    line: bytes, word: str, tmp_path: Path
) -> None:
    """A line that is none is reported with file, line, size and reason; the lines around it are read."""
    write_take(tmp_path, HEADER, []).finish()
    good = b'{"t":5,"at":null,"kind":"state","n":1,"data":{"state":"ready"}}\n'
    with open(tmp_path / "events.jsonl", "ab") as file:
        file.write(good + line + b"\n" + good.replace(b'"n":1', b'"n":2'))
    take = read_take(tmp_path)
    assert [event.n for event in take.events] == [1, 2]
    (damage,) = take.damages
    assert (damage.file, damage.line, damage.size) == ("events.jsonl", 3, len(line) + 1)
    assert word in damage.text


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"direction": "up"}, "direction"),
        ({"times_ns": [1, "x"]}, "times_ns"),
        ({"times_ns": [1]}, "one length"),
        ({"times_ns": None}, "no lists"),
        ({"times_ns": [], "dev_us": []}, "no tick"),
        ({"dev_us": [1.0, True]}, "dev_us"),
        ({"dev_us": [1e20, 0.0]}, "dev_us"),
        ({"first": None}, "first"),
    ],
)
def test_each_damaged_beat_is_reported(changes: dict[str, object], word: str, tmp_path: Path) -> None:
    """A beat with a wrong field is reported by that field and leaves the track as it was."""
    import json

    write_take(tmp_path, HEADER, []).finish()
    beat = {"n": 1, "t": 0, "at": None, "port": "quay", "direction": "out", "first": 0,
            "times_ns": [0, 20], "dev_us": [0.0, 0.5]}  # fmt: skip
    rows = [beat, {**beat, **changes}, {**beat, "n": 2, "first": 2}]
    (tmp_path / "clock.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))
    take = read_take(tmp_path)
    assert list(take.tracks["quay", "out"].number) == [0, 1, 2, 3]
    assert list(take.tracks["quay", "out"].due_ns) == [0, 20 - 500, 0, 20 - 500]
    assert len(take.damages) == 1
    assert word in take.damages[0].text


def test_a_folder_without_a_take_is_a_clear_error(tmp_path: Path) -> None:
    """No folder, an empty folder and an empty log are errors that name the place."""
    with pytest.raises(TakeFormatError, match="no such folder"):
        read_take(tmp_path / "none")
    with pytest.raises(TakeFormatError, match=r"events\.jsonl"):
        read_take(tmp_path)
    (tmp_path / "events.jsonl").touch()
    with pytest.raises(TakeFormatError, match=r"events\.jsonl"):
        read_take(tmp_path)
    with pytest.raises(TakeFormatError, match="empty"):
        read_header(tmp_path)


def test_a_damaged_header_is_taken_from_the_summary(whole: Path, tmp_path: Path) -> None:
    """A closed take whose first line is damaged is still read: take.json holds the header too."""
    folder = tmp_path / "take-0001"
    shutil.copytree(whole, folder)
    data = (folder / "events.jsonl").read_bytes()
    (folder / "events.jsonl").write_bytes(b"#" + data[1:])
    take = read_take(folder)
    assert take.header.to_line() == read_take(whole).header.to_line()
    assert [damage.line for damage in take.damages] == [1]
    assert len(take.events) == len(read_take(whole).events)
    assert audit_take(take)["verdict"] == "flawed"


@pytest.mark.parametrize("end", [b"]\n", b"", b"{", b"[]\n]\n"])
def test_a_plan_is_read_without_its_clocks(tmp_path: Path, end: bytes) -> None:
    """The rows of a plan that we wrote come back but for its clocks; a plan that is torn is damage."""
    rows = [
        {"t_ns": 0, "port": "quay", "bytes": "F8", "what": "clock"},
        {"t_ns": 5, "port": "quay", "bytes": "C9 05", "what": "program 6"},
    ]
    time = song_time(125, bars=1)
    write_take(tmp_path, take_header(time, 1), steady_records(time, 1)).finish()
    text = b"[\n" + b",\n".join(json.dumps(row, separators=(",", ":")).encode() for row in rows) + b"\n"
    (tmp_path / "plan.json").write_bytes(text + end)
    take = read_take(tmp_path, plan=True)
    if end == b"]\n":
        assert take.plan == rows[1:] and not take.damages
    else:
        assert take.plan is None
        assert [damage.file for damage in take.damages] == ["plan.json"]
