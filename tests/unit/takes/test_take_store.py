"""Where takes lie, how they are numbered, listed, found and recovered."""

from __future__ import annotations

import hashlib
import json
import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.errors import UsageError
from runner.takes.index import INDEX_FILE
from runner.takes.names import MAX_BYTES, safe_name, take_name, take_number, true_name
from runner.takes.store import Store
from runner.takes.testing import song_time, steady_records, take_header, write_take

TIME = song_time(bars=2, pre_roll=1)


def close_one(
    store: Store, song: str = "Ropewalk", pass_name: str = "bass overdub", **header: object
) -> Path:
    """Make and close a short take."""
    new = store.create("Lantern Quay", song, pass_name)
    facts = {"session": "Lantern Quay", "song": song, "pass_name": pass_name, "number": new.number, **header}
    write_take(new.folder, take_header(TIME, 1, **facts), steady_records(TIME, 1)).close()
    return new.folder


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(max_size=60))
def test_names_are_safe_and_come_back(text: str) -> None:
    """Any text gives a folder name that every file system takes, and the name gives the text back."""
    import unicodedata

    name = safe_name(text)
    assert name not in ("", ".", "..")
    assert not set(name) & set('/\\:*?"<>|\0')
    assert not name.startswith((".", " "))
    assert not name.endswith((".", " "))
    assert len(name.encode()) <= 255
    if "%~" not in name:
        assert true_name(name) == unicodedata.normalize("NFC", text)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(st.text(max_size=5), unique=True, max_size=10))
def test_different_texts_get_different_names(texts: list[str]) -> None:
    """Two texts share a folder only if they are the same text in Unicode's terms."""
    import unicodedata

    forms = {unicodedata.normalize("NFC", text) for text in texts}
    assert len({safe_name(text) for text in texts}) == len(forms)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Ropewalk", "Ropewalk"), ("Net Loft", "Net Loft"), ("Ebbe/Flut", "Ebbe%2FFlut"), ("..", "%2E%2E"),
        (".hidden", "%2Ehidden"), ("con", "%63on"), ("AUX.mid", "%41UX.mid"), ("100%", "100%25"), ("", "%"),
        ("Möwe", "Möwe"), ("end.", "end%2E"), ("what?", "what%3F"), ("constant", "constant"),
    ],
)  # fmt: skip
def test_names_stay_readable(text: str, name: str) -> None:
    """Only what some file system refuses is rewritten (reserved device names: common practice)."""
    assert safe_name(text) == name


def test_a_long_name_is_cut_and_still_its_own() -> None:
    """Names too long for a file system are cut, and two with one beginning stay apart."""
    one, two = safe_name("x" * 400 + "1"), safe_name("x" * 400 + "2")
    assert one != two
    assert max(len(one), len(two)) <= MAX_BYTES


def test_take_names_count_beyond_four_digits() -> None:
    """Take 10,000 has a name too, and what is no take's name has no number."""
    assert [take_number(take_name(n)) for n in (1, 9999, 10_000)] == [1, 9999, 10_000]
    assert take_number("take-1") is None
    assert take_number("retake-0001") is None


def test_takes_are_numbered_by_song_and_pass(tmp_path: Path) -> None:
    """Each song and pass counts from 1; a deleted take's number is not used again while a later exists."""
    store = Store(tmp_path)
    first = store.create("Lantern Quay", "Ropewalk", "drums")
    assert first.key == "Lantern Quay/Ropewalk/drums/take-0001"
    assert store.create("Lantern Quay", "Ropewalk", "bass").number == 1
    assert store.create("Lantern Quay", "Ropewalk", "drums").number == 2
    first.folder.rmdir()
    assert store.create("Lantern Quay", "Ropewalk", "drums").number == 3


def test_two_at_once_get_two_takes(tmp_path: Path) -> None:
    """Takes made at the same moment never share a folder."""
    with ThreadPoolExecutor(8) as pool:
        takes = list(pool.map(lambda _: Store(tmp_path).create("s", "song", "p"), range(40)))
    assert sorted(take.number for take in takes) == list(range(1, 41))


def test_writability_is_checked_and_leaves_nothing_behind(tmp_path: Path) -> None:
    """A good folder gives no reason and stays empty; a bad one gives a reason with the remedy."""
    store = Store(tmp_path / "new" / "takes")
    assert store.check_writable(1) is None
    assert list((tmp_path / "new" / "takes").iterdir()) == []
    (tmp_path / "file").touch()
    assert "in the way" in (Store(tmp_path / "file").check_writable() or "")
    assert "Not a directory" in (Store(tmp_path / "file" / "below").check_writable() or "")
    reason = store.check_writable(10**18) or ""
    assert "MB are free" in reason
    assert "--takes-folder" in reason


def test_a_read_only_folder_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A medium that takes no files is said with the system's reason."""
    import tempfile

    def refuse(**_: object) -> None:
        raise OSError(30, os.strerror(30))

    monkeypatch.setattr(tempfile, "NamedTemporaryFile", refuse)
    assert "Read-only file system" in (Store(tmp_path).check_writable() or "")


def test_room_that_cannot_be_told_is_a_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A medium that is pulled out between the two looks at it is told, and ends nothing."""
    store = Store(tmp_path / "gone")
    assert "No such file" in (store.why_short() or "")
    monkeypatch.setattr(store, "why_closed", lambda: None)
    assert "No such file" in (store.check_writable() or "")


def test_takes_are_listed_oldest_first(tmp_path: Path) -> None:
    """The list tells what take.json says, in the order of time."""
    store = Store(tmp_path)
    close_one(store, started_at="2026-05-04T20:00:00.000Z")
    close_one(store, "Tide/Table", started_at="2026-05-04T19:00:00.000Z")
    entries = store.takes()
    assert [(entry.song, entry.number, entry.verdict) for entry in entries] == [
        ("Tide/Table", 1, "clean"),
        ("Ropewalk", 1, "clean"),
    ]
    assert entries[0].seconds > 5
    assert entries[0].to_dict()["pass"] == "bass overdub"


def test_the_index_is_never_the_truth(tmp_path: Path) -> None:
    """A missing, damaged or outdated index changes nothing in the list."""
    store = Store(tmp_path)
    folder = close_one(store)
    before = store.takes()
    index = tmp_path / INDEX_FILE
    assert index.exists()
    for content in (b"", b"{}", b"[1,{}]", b'[1,{"a/b/c/take-0001":[[1],2]}]', b"\xff", b"[" * 90_000):
        index.write_bytes(content)
        assert store.takes() == before
    index.unlink()
    assert store.takes() == before
    summary = json.loads((folder / "take.json").read_text())
    (folder / "take.json").write_text(json.dumps({**summary, "verdict": "flawed"}))
    assert [entry.verdict for entry in store.takes()] == ["flawed"]


def test_the_list_shows_open_and_damaged_takes(tmp_path: Path) -> None:
    """A take without take.json is open, one with a damaged take.json is damaged; both are listed."""
    store = Store(tmp_path)
    new = store.create("Lantern Quay", "Fog Signal", "voice")
    write_take(new.folder, take_header(TIME, 1, song="Fog Signal"), []).release()
    damaged = close_one(store)
    for content in ("{", "[]", '{"findings": 3}', '{"findings": [], "session": 1}'):
        (damaged / "take.json").write_text(content)
        assert {entry.song: entry.verdict for entry in store.takes()} == {
            "Fog Signal": "open",
            "Ropewalk": "damaged",
        }


def test_foreign_files_in_the_folder_do_no_harm(tmp_path: Path) -> None:
    """Files and folders that are no takes are passed over."""
    store = Store(tmp_path)
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "a" / "b" / "c" / "mixdown").mkdir(parents=True)
    (tmp_path / "a" / "b" / "c" / "take-0009").write_text("a file, no folder")
    assert store.takes() == []


@pytest.mark.parametrize(
    ("text", "song", "pass_name", "number"),
    [
        ("Ropewalk/bass overdub/2", "Ropewalk", "bass overdub", 2),
        ("ropewalk/BASS OVERDUB/0002", "Ropewalk", "bass overdub", 2),
        ("Lantern Quay/Ropewalk/drums/take-0001", "Ropewalk", "drums", 1),
        ("drums/1", "Ropewalk", "drums", 1),
        ("Net Loft/1", "Net Loft", "drums 2", 1),
        ("2", "Ropewalk", "bass overdub", 2),
        ("last", "Ropewalk", "bass overdub", 2),
    ],
)
def test_a_take_is_found_by_a_short_name(
    text: str, song: str, pass_name: str, number: int, tmp_path: Path
) -> None:
    """A take is found by the end of its name, by song and number, or as the last one."""
    store = Store(tmp_path)
    close_one(store, "Ropewalk", "drums", started_at="2026-05-04T19:00:00Z")
    close_one(store, "Net Loft", "drums 2", started_at="2026-05-04T19:01:00Z")
    close_one(store, "Ropewalk", "bass overdub", started_at="2026-05-04T19:02:00Z")
    close_one(store, "Ropewalk", "bass overdub", started_at="2026-05-04T19:03:00Z")
    expected = tmp_path / "Lantern Quay" / song / pass_name / take_name(number)
    assert store.find(text) == expected
    assert store.find(str(expected)) == expected


def test_what_is_not_found_is_answered_with_near_names(tmp_path: Path) -> None:
    """An unknown name gives near matches, an ambiguous one the candidates, an empty folder says so."""
    store = Store(tmp_path)
    with pytest.raises(UsageError, match="there are no takes"):
        store.find("last")
    close_one(store, "Ropewalk", "drums")
    close_one(store, "Ropewalk", "bass")
    with pytest.raises(UsageError, match="did you mean Ropewalk/drums/1"):
        store.find("Ropewalk/drum/1")
    with pytest.raises(UsageError, match="means 2 takes"):
        store.find("1")
    with pytest.raises(UsageError, match="no take"):
        store.find("\0")


def test_torn_takes_are_recovered_and_their_bytes_kept(tmp_path: Path) -> None:
    """A take that lost its writer gets take.json and the verdict interrupted; its files are not touched."""
    store = Store(tmp_path)
    new = store.create("Lantern Quay", "Ropewalk", "drums")
    records = steady_records(TIME, 1)
    write_take(new.folder, take_header(TIME, 1, run="old run"), records[:150]).release()
    with open(new.folder / "events.jsonl", "ab") as file:
        file.write(b'{"t":123,"at":"bar 1 be')
    before = {path: hashlib.sha256(path.read_bytes()).digest() for path in new.folder.iterdir()}
    (recovered,) = store.recover_all("new run")
    assert recovered.folder == new.folder
    assert recovered.summary is not None
    assert recovered.summary["verdict"] == "interrupted"
    assert recovered.summary["recovered"] is True
    assert recovered.summary["log"]["records"] == 150
    codes = [finding["code"] for finding in recovered.summary["findings"]]
    assert codes[0] == "take-interrupted"
    assert "middle of a line" in recovered.summary["findings"][0]["causes"][0]["why"]
    for path, digest in before.items():
        assert hashlib.sha256(path.read_bytes()).digest() == digest
    assert (new.folder / "capture.mid").exists()
    assert store.recover_all("new run") == []


def test_live_takes_are_not_recovered(tmp_path: Path) -> None:
    """A take of this run, or one that a writer has open, is left alone."""
    store = Store(tmp_path)
    new = store.create("Lantern Quay", "Ropewalk", "drums")
    writer = write_take(new.folder, take_header(TIME, 1, run="this run"), steady_records(TIME, 1)[:9])
    assert store.recover_all("other run") == []
    writer.release()
    assert store.recover_all("this run") == []
    assert len(store.recover_all("other run")) == 1


def test_a_take_that_cannot_be_recovered_is_told(tmp_path: Path) -> None:
    """A take whose header is gone is reported with the reason and does not stop the others."""
    store = Store(tmp_path)
    bad = store.create("Lantern Quay", "Ropewalk", "drums")
    (bad.folder / "events.jsonl").write_bytes(b"\0" * 50)
    good = store.create("Lantern Quay", "Ropewalk", "drums")
    write_take(good.folder, take_header(TIME, 1), []).release()
    results = {result.folder: result for result in store.recover_all()}
    assert results[bad.folder].summary is None
    assert "events.jsonl" in results[bad.folder].error
    assert results[good.folder].summary is not None


@pytest.mark.bench
def test_ten_thousand_takes_are_listed_within_a_second(tmp_path: Path) -> None:
    """10,000 takes are listed in 1 s once the index is there."""
    store = Store(tmp_path)
    text = (close_one(store, "Ropewalk", "model") / "take.json").read_bytes()
    for song in range(20):
        for number in range(1, 501):
            folder = tmp_path / "Lantern Quay" / f"song {song}" / "p" / take_name(number)
            folder.mkdir(parents=True)
            (folder / "take.json").write_bytes(text)
    begun = time.perf_counter()
    assert len(store.takes()) == 10_001
    rebuilt = time.perf_counter()
    assert len(store.takes()) == 10_001
    listed = time.perf_counter() - rebuilt
    print(f"rebuilt in {rebuilt - begun:.2f} s, listed in {listed:.2f} s")
    assert listed <= 1.0
