"""Old takes are tidied away as the session says; what somebody wants is never among them."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.desk.housekeeping import (
    TRASH,
    Rules,
    empty_trash,
    remove_beginnings,
    remove_take,
    size_of,
    tidy,
    what_to_remove,
)
from runner.takes.files import AppendFile, try_lock
from runner.takes.index import DAMAGED, OPEN, TakeEntry, list_takes
from runner.takes.rating import DISCARD, KEEP, rate
from runner.takes.reader import EVENTS_FILE, PLAN_FILE, SUMMARY_FILE

SESSION = "Lantern Quay"
MB = 1_000_000


def take(
    number: int, song: str = "Ropewalk", verdict: str = "clean", rating: str = "", **keys: str
) -> TakeEntry:
    """Return a take of the list; takes of a higher number are younger."""
    return TakeEntry(
        path=f"takes/{keys.get('session', SESSION)}/{song}/{keys.get('pass_name', 'main')}/{number}",
        session=keys.get("session", SESSION),
        song=song,
        pass_name=keys.get("pass_name", "main"),
        number=number,
        started_at=f"2026-11-25T19:{number:02d}:00Z",
        verdict=verdict,
        rating=rating,
    )


def numbers(
    entries: list[TakeEntry], rules: Rules, free_mb: int = 0, busy: tuple[str, ...] = ()
) -> list[int]:
    """Return the numbers of the takes that are to go, each of 10 MB."""
    removals = what_to_remove(entries, rules, free_mb * MB, lambda _entry: 10 * MB, busy)
    return [removal.entry.number for removal in removals]


def test_all_but_the_last_takes_of_a_song_and_pass_go_oldest_first() -> None:
    """Each song and pass is counted by itself."""
    entries = [take(number) for number in range(1, 6)]
    entries += [take(6, song="Net Loft"), take(7, pass_name="bass overdub")]
    assert numbers(entries, Rules(SESSION, keep_last=2)) == [1, 2, 3]


def test_takes_that_are_kept_stay_and_do_not_count() -> None:
    """The last of the others stay beside them."""
    entries = [take(1, rating=KEEP), take(2), take(3), take(4, rating=KEEP), take(5)]
    assert numbers(entries, Rules(SESSION, keep_last=3)) == []
    assert numbers(entries, Rules(SESSION, keep_last=2)) == [2]
    assert numbers(entries, Rules(SESSION, keep_last=1)) == [2, 3]


def test_takes_rated_discard_go_first() -> None:
    """However young they are."""
    entries = [take(1), take(2), take(3, rating=DISCARD), take(4)]
    assert numbers(entries, Rules(SESSION, keep_last=3)) == [3]
    assert numbers(entries, Rules(SESSION, keep_free_bytes=20 * MB), free_mb=5) == [3, 1]


def test_neither_the_last_take_nor_the_last_that_is_not_discarded_goes() -> None:
    """A discarded last take must not cost the good one before it."""
    entries = [take(1), take(2), take(3, rating=DISCARD)]
    assert numbers(entries, Rules(SESSION, keep_last=1)) == [1]
    assert numbers(entries, Rules(SESSION, keep_free_bytes=10**12)) == [1]


@pytest.mark.parametrize("verdict", [OPEN, DAMAGED])
def test_takes_that_are_open_or_cannot_be_read_stay(verdict: str) -> None:
    """What is in them is not known."""
    entries = [take(1, verdict=verdict), take(2, verdict=verdict), take(3), take(4)]
    assert numbers(entries, Rules(SESSION, keep_last=1, keep_free_bytes=10**12)) == [3]


def test_the_disk_is_freed_oldest_first_over_all_songs_and_no_further_than_asked() -> None:
    """What the rule of the last takes frees counts already."""
    entries = [take(1), take(2, song="Net Loft"), take(3), take(4, song="Net Loft"), take(5)]
    assert numbers(entries, Rules(SESSION, keep_free_bytes=30 * MB), free_mb=15) == [1, 2]
    assert numbers(entries, Rules(SESSION, keep_last=2, keep_free_bytes=30 * MB), free_mb=15) == [1, 2]
    assert numbers(entries, Rules(SESSION, keep_free_bytes=30 * MB), free_mb=30) == []


def test_takes_of_other_sessions_and_busy_ones_are_left_alone() -> None:
    """Another band may keep its takes in the same folder; a pedal may still rate the take of a moment ago."""
    entries = [take(1, session="Another evening"), take(2), take(3), take(4)]
    rules = Rules(SESSION, keep_free_bytes=10**12)
    assert numbers(entries, rules, busy=(entries[1].path,)) == [3]


ENTRIES = st.lists(
    st.builds(
        take,
        st.integers(1, 40),
        st.sampled_from(["Ropewalk", "Net Loft"]),
        st.sampled_from(["clean", "flawed", "failed", "interrupted", OPEN, DAMAGED]),
        st.sampled_from(["", "", KEEP, DISCARD]),
    ),
    max_size=40,
    unique_by=lambda entry: entry.path,
)
SIZES = st.integers(0, 50)


@given(
    ENTRIES, st.none() | st.integers(1, 5), st.none() | st.integers(0, 500), st.integers(0, 300), st.data()
)
def test_what_goes_may_go_and_no_more_goes_than_must(
    entries: list[TakeEntry], keep_last: int | None, keep_free: int | None, free: int, data: st.DataObject
) -> None:
    """Protected takes stay; nobody goes for room that is there; discarded ones go first; twice is as once."""
    sizes = {entry.path: data.draw(SIZES) for entry in entries}
    rules = Rules(SESSION, keep_last, keep_free)

    def plan(some: list[TakeEntry], room: int) -> list[TakeEntry]:
        removals = what_to_remove(some, rules, room, lambda entry: sizes[entry.path])
        return [removal.entry for removal in removals]

    gone = plan(entries, free)
    assert len({entry.path for entry in gone}) == len(gone)
    groups: dict[str, list[TakeEntry]] = {}
    for entry in entries:
        groups.setdefault(entry.song, []).append(entry)
    for group in groups.values():
        newest = max(group, key=lambda entry: entry.number)
        good = [entry for entry in group if entry.rating != DISCARD]
        assert newest not in gone
        assert not good or max(good, key=lambda entry: entry.number) not in gone
        if keep_last is not None and keep_free is None:
            left = [e for e in group if e not in gone and not e.kept and e.verdict not in (OPEN, DAMAGED)]
            mine = [e for e in gone if e in group]
            assert len(left) <= max(keep_last, 2)
            assert not mine or len(left) >= keep_last
    assert not any(entry.kept or entry.verdict in (OPEN, DAMAGED) for entry in gone)
    if keep_last is None and keep_free is not None and gone:
        assert free + sum(sizes[entry.path] for entry in gone[:-1]) < keep_free
        ratings = [entry.rating != DISCARD for entry in gone]
        assert ratings == sorted(ratings)
    if rules.keep_last is None and rules.keep_free_bytes is None:
        assert gone == []
    rest = [entry for entry in entries if entry not in gone]
    assert plan(rest, free + sum(sizes[entry.path] for entry in gone)) == []


# ---------------------------------------------------------------------- on a disk


def take_folder(root: Path, number: int, song: str = "Ropewalk") -> Path:
    """Make a closed take, as far as the list looks."""
    folder = root / SESSION / song / "main" / f"take-{number:04d}"
    folder.mkdir(parents=True)
    summary = {
        "session": SESSION, "song": song, "pass": "main", "started_at": f"2026-11-25T19:{number:02d}:00Z",
        "verdict": "clean", "findings": [], "number": number,
    }  # fmt: skip
    (folder / "take.json").write_text(json.dumps(summary))
    (folder / EVENTS_FILE).write_bytes(b"x" * 10_000)
    return folder


def test_a_folder_is_tidied_and_the_trash_is_empty_afterwards(tmp_path: Path) -> None:
    """The last two stay, each removal is told with what it freed, the list of takes agrees."""
    folders = [take_folder(tmp_path, number) for number in range(1, 6)]
    result = tidy(tmp_path, Rules(SESSION, keep_last=2))
    assert [Path(removal.entry.path) for removal in result.removed] == folders[:3]
    assert all(removal.freed_bytes >= 8_000 for removal in result.removed)
    assert (result.problems, result.short_bytes) == ([], 0)
    assert [entry.number for entry in list_takes(tmp_path)] == [4, 5]
    assert os.listdir(tmp_path / TRASH) == []


def test_room_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """Everything that may go is gone, and the rest is not enough."""
    for number in (1, 2):
        take_folder(tmp_path, number)
    wanted = shutil.disk_usage(tmp_path).free + 10**12
    result = tidy(tmp_path, Rules(SESSION, keep_free_bytes=wanted))
    assert [removal.entry.number for removal in result.removed] == [1]
    assert result.short_bytes >= 10**12 - 10**9


def test_a_take_that_was_rated_keep_at_the_last_moment_stays(tmp_path: Path) -> None:
    """The rating is read again before the take goes."""
    folder = take_folder(tmp_path, 1)
    rate(folder, KEEP)
    assert not remove_take(tmp_path, folder)
    assert folder.exists()


def test_a_take_that_is_being_written_stays(tmp_path: Path) -> None:
    """Whoever writes it: the log's lock says so."""
    folder = take_folder(tmp_path, 1)
    log = AppendFile(folder / EVENTS_FILE, lock=True)
    log.append(b"{}\n")
    log.write_out()
    assert not remove_take(tmp_path, folder)
    log.close()
    assert remove_take(tmp_path, folder)
    assert not folder.exists()


def test_a_removal_that_was_cut_short_is_finished_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the rename the take is gone from the list; its files go later."""
    folder = take_folder(tmp_path, 1)
    take_folder(tmp_path, 2)

    def cut(_path: Path) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr(shutil, "rmtree", cut)
        result = tidy(tmp_path, Rules(SESSION, keep_last=1))
    assert result.removed == []
    assert len(result.problems) == 1
    assert "cannot be removed: Input/output error" in result.problems[0]
    assert not folder.exists()
    assert [entry.number for entry in list_takes(tmp_path)] == [2]
    assert len(os.listdir(tmp_path / TRASH)) == 1
    assert empty_trash(tmp_path) == 1
    assert os.listdir(tmp_path / TRASH) == []
    assert empty_trash(tmp_path / "nowhere") == 0


def test_a_take_that_is_a_link_loses_only_the_link(tmp_path: Path) -> None:
    """Somebody moved it to another disk; what is there is theirs."""
    elsewhere = take_folder(tmp_path / "elsewhere", 1)
    take_folder(tmp_path / "takes", 2)
    link = tmp_path / "takes" / SESSION / "Ropewalk" / "main" / "take-0001"
    link.symlink_to(elsewhere)
    assert len(tidy(tmp_path / "takes", Rules(SESSION, keep_last=1)).removed) == 1
    assert not link.is_symlink()
    assert (elsewhere / EVENTS_FILE).exists()


def test_a_folder_that_is_gone_is_a_problem_and_no_crash(tmp_path: Path) -> None:
    """A memory stick was pulled out."""
    result = tidy(tmp_path / "stick", Rules(SESSION, keep_last=1))
    assert result.removed == []
    assert "No such file or directory" in result.problems[0]


def test_rules_that_ask_for_nothing_are_none() -> None:
    """Then nobody needs to look."""
    assert not Rules(SESSION)
    assert Rules(SESSION, keep_last=1)
    assert Rules(SESSION, keep_free_bytes=1)


def test_the_size_of_a_take_is_what_the_disk_gives_for_it(tmp_path: Path) -> None:
    """Blocks of 512 bytes (stat(2), st_blocks); of a take that is gone it is nothing."""
    folder = take_folder(tmp_path, 1)
    entry = list_takes(tmp_path)[0]
    blocks = sum(os.stat(folder / name).st_blocks for name in os.listdir(folder))
    assert size_of(entry) == blocks * 512 > 0
    assert size_of(replace(entry, path=str(tmp_path / "nowhere"))) == 0


def begun(folder: Path, number: int, *files: str, age_s: float = 100) -> Path:
    """Make the folder of a take with these files, last touched a while ago."""
    made = folder / SESSION / "Ropewalk" / "main" / f"take-{number:04d}"
    made.mkdir(parents=True)
    for name in files:
        (made / name).write_text("[]")
    then = made.stat().st_mtime - age_s
    os.utime(made, (then, then))
    return made


def test_what_a_desk_that_died_before_the_roll_had_made_goes_away(tmp_path: Path) -> None:
    """However far it had come with the folder; a young folder and what may be of use to anybody stay."""
    gone = [
        begun(tmp_path, 1),
        begun(tmp_path, 2, "session.yaml"),
        begun(tmp_path, 3, "session.yaml", PLAN_FILE),
    ]
    stay = [
        begun(tmp_path, 4, "session.yaml", PLAN_FILE, age_s=10),
        begun(tmp_path, 5, PLAN_FILE, EVENTS_FILE),
        begun(tmp_path, 6, SUMMARY_FILE),
        begun(tmp_path, 7, PLAN_FILE, "notes by hand.txt"),
    ]
    assert remove_beginnings(tmp_path) == 3
    assert [made.exists() for made in gone] == [False] * 3
    assert [made.exists() for made in stay] == [True] * 4


def test_a_take_that_waits_for_its_start_is_no_leftover(tmp_path: Path) -> None:
    """A daemon holds the plan of the take that it has made, however long the master stands still."""
    made = begun(tmp_path, 1, "session.yaml", PLAN_FILE, age_s=86_400)
    with (made / PLAN_FILE).open() as held:
        assert try_lock(held.fileno())
        assert remove_beginnings(tmp_path) == 0
    assert remove_beginnings(tmp_path) == 1
