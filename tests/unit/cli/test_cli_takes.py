"""`takewright takes` and `takewright audit`: the list, one take, names, exit codes, stable fields."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from runner.cli.wording import clock_text, local_time, near_path, plural, shortened, table

CLOCK_FIELDS = {"role", "source", "expected", "sent", "received", "missing", "extra", "lateness_us", "tempo"}


def test_takes_are_listed_oldest_first(takes: Path, call: Callable[..., Any]) -> None:
    """A row a take under its session's name, verdicts counted below; all within 80 columns."""
    told = call("takes", takes)
    assert told.code == 0
    lines = told.out.splitlines()
    assert lines[0] == "Lantern Quay, evening run  2026-05-04"
    assert lines[1].split() == ["time", "song", "pass", "take", "verdict", "length", "findings"]
    assert [("Ropewalk" in line, "Net Loft" in line) for line in lines[2:5]].count((True, False)) == 2
    assert lines[-1] == f"3 takes in {takes}: 2 clean, 1 interrupted"
    assert max(map(len, lines[:-1])) <= 80


def test_the_list_as_json(takes: Path, call: Callable[..., Any]) -> None:
    """`--json` is a list with path, names, number, verdict, start and codes of findings."""
    rows = json.loads(call("takes", takes, "--json").out)
    assert [(row["song"], row["number"], row["verdict"]) for row in rows] == [
        ("Net Loft", 1, "interrupted"),
        ("Ropewalk", 1, "clean"),
        ("Ropewalk", 2, "clean"),
    ]
    assert {"path", "session", "pass", "started_at", "codes", "seconds"} <= set(rows[0])


def test_a_damaged_take_is_listed_as_such(takes: Path, call: Callable[..., Any]) -> None:
    """A take.json that cannot be read does not hide the take, nor the others."""
    (
        takes / "Lantern Quay, evening run" / "Net Loft" / "bass overdub" / "take-0001" / "take.json"
    ).write_bytes(b"{")
    told = call("takes", takes)
    assert told.code == 0
    assert "damaged" in told.out
    assert told.out.splitlines()[-1].startswith("3 takes in ")


def test_the_folder_is_takes_here_or_the_sessions(
    takes: Path, short: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a folder it is `takes` here; a session file stands for the folder that it names."""
    monkeypatch.chdir(takes.parent)
    assert "3 takes in takes:" in call("takes").out
    assert "3 takes" in call("takes", short).out
    assert call("audit", "ropewalk/2").code == 0
    assert call("audit", "ropewalk/2", "--takes-folder", short).code == 0


def test_a_folder_that_is_not_there_exits_2(
    takes: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The error names a folder of takes that is near."""
    (takes.parent / "harbour").mkdir()
    takes.rename(takes.parent / "harbour" / "takes")
    monkeypatch.chdir(takes.parent)
    told = call("takes")
    assert told.code == 2
    assert "no folder takes; there is harbour/takes" in told.err
    empty = takes.parent / "empty"
    empty.mkdir()
    assert call("takes", empty).out == f"no takes in {empty}\n"
    monkeypatch.chdir(takes.parent)
    (takes.parent / "nothing").mkdir()
    assert call("takes", "nothing").out == f"no takes in nothing ({takes.parent / 'nothing'})\n"
    assert call("audit", "--takes-folder", empty).code == 2


def test_an_audit_as_json_has_the_stable_fields(takes: Path, call: Callable[..., Any]) -> None:
    """Names, verdict, clock figures, machines, findings, log and files, as the format promises."""
    told = call("audit", "Ropewalk/1", "--takes-folder", takes, "--json")
    summary = json.loads(told.out)
    assert told.code == 0
    assert {
        "format", "take", "session", "song", "pass", "number", "verdict", "started_at", "clock", "machines",
        "findings", "log", "files",
    } <= set(summary)  # fmt: skip
    assert set(summary["clock"]) >= CLOCK_FIELDS
    assert set(summary["clock"]["lateness_us"]) >= {"p50", "p99", "p999", "max"}
    assert set(summary["clock"]["tempo"]) >= {"declared", "measured"}
    assert set(summary["log"]) >= {"records", "dropped", "complete"}
    stopped = json.loads(call("audit", "Net Loft/1", "--takes-folder", takes, "--json").out)
    (finding,) = stopped["findings"]
    assert set(finding) >= {"code", "severity", "at", "t_ns", "machine", "text", "causes"}
    assert finding["code"] == "stopped-early"


def test_an_audit_says_the_verdict_and_exits_by_it(takes: Path, call: Callable[..., Any]) -> None:
    """Clean is 0, anything else 1; text fits 80 columns; a take is found by name, number or `last`."""
    clean = call("audit", "Ropewalk/2", "--takes-folder", takes)
    assert clean.code == 0
    assert clean.out.startswith("CLEAN  Ropewalk, bass overdub, take 2")
    last = call("audit", "--takes-folder", takes)
    assert last.out == clean.out
    stopped = call("audit", "Net Loft/1", "--takes-folder", takes)
    assert stopped.code == 1
    assert stopped.out.startswith("INTERRUPTED  Net Loft")
    assert "stopped before the end: told to end" in stopped.out
    assert max(len(line) for line in stopped.out.splitlines()) <= 80


def test_a_take_is_found_by_its_folder_from_anywhere(
    takes: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder of a take is enough, wherever one stands."""
    monkeypatch.chdir(takes.parent.parent)
    folder = takes / "Lantern Quay, evening run" / "Ropewalk" / "bass overdub" / "take-0001"
    assert call("audit", folder).out.startswith("CLEAN  Ropewalk")


def test_names_that_mean_no_take_exit_2(takes: Path, call: Callable[..., Any]) -> None:
    """Nothing of that name: near ones are told; a name of several takes: they are listed."""
    told = call("audit", "Ropwalk/bass overdub/1", "--takes-folder", takes)
    assert told.code == 2
    assert "did you mean Ropewalk/bass overdub/1" in told.err
    told = call("audit", "1", "--takes-folder", takes)
    assert told.code == 2
    assert "means 2 takes" in told.err


def test_small_wordings() -> None:
    """Plurals, spans, cut names, local time, tables: as they stand in the lists."""
    assert (plural(1, "take"), plural(2, "take"), plural(0, "entry", "entries")) == (
        "1 take",
        "2 takes",
        "0 entries",
    )
    assert (clock_text(187.4), clock_text(-3), clock_text(59.6)) == ("3:07", "0:00", "1:00")
    assert shortened("Caulking Song", 8) == "Caulkin…"
    assert shortened("Ropewalk", 8) == "Ropewalk"
    assert local_time("not a time") == "not a time"
    assert table([("a", "1"), ("bcd", "22")], right=(1,), indent="  ") == ["  a     1", "  bcd  22"]


def test_paths_are_told_from_where_one_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A path below the current folder is shortened to it; another one stays whole."""
    monkeypatch.chdir(tmp_path)
    assert near_path(str(tmp_path / "takes" / "take-0001")) == "takes/take-0001"
    assert near_path("/srv/takes/take-0001") == "/srv/takes/take-0001"


def test_times_are_told_in_local_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stamp in UTC is shown as the wall clock here shows it (POSIX TZ: `XST-2` is two hours ahead)."""
    import time

    monkeypatch.setenv("TZ", "XST-2")
    time.tzset()
    try:
        assert local_time("2026-05-04T23:30:59.000Z") == "2026-05-05 01:30"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_an_audit_as_a_page(takes: Path, call: Callable[..., Any], tmp_path: Path) -> None:
    """`--html` writes the page beside the text; the exit code stays that of the verdict."""
    file = tmp_path / "page.html"
    told = call("audit", "Ropewalk/1", "--takes-folder", takes, "--html", file)
    assert told.code == 0
    assert told.out.startswith("CLEAN") and f"page in {file}" in told.err
    assert file.read_text().startswith("<!DOCTYPE html>")
    assert json.loads(call("audit", "Net Loft/1", "--takes-folder", takes, "--html", file, "--json").out)
    told = call("audit", "Ropewalk/1", "--takes-folder", takes, "--html", tmp_path / "none" / "page.html")
    assert told.code == 2
    assert "cannot be written" in told.err and told.out == ""
