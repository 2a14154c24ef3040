"""What the daemon writes where nobody watches."""

from __future__ import annotations

import io
import json
import os
from pathlib import Path
from typing import Any

import pytest

from runner.cli.service_view import ServiceView, in_journal
from runner.desk.job import Report

TAKE = {"song": "Fog Signal", "pass": "bass", "number": 3}
FINDING = {
    "code": "clock-late",
    "severity": "warning",
    "text": "3 clocks were late",
    "at": "bar 9",
    "port": "box",
}


def _lines(*reports: Report) -> list[dict[str, Any]]:
    stream = io.StringIO()
    with ServiceView("/etc/quay/evening.yaml", stream, {}) as view:
        for report in reports:
            view(report)
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def test_each_line_is_an_object_with_session_song_and_take_beside_it() -> None:
    """From the roll to the take's end all lines carry what is recorded; after it they no longer do."""
    rolling, warning, take, finding, later = _lines(
        Report("rolling", {**TAKE, "folder": "takes/x"}),
        Report("position", {"at": "bar 2"}),
        Report("warning", {"text": "the log has stopped"}),
        Report("take", {**TAKE, "verdict": "flawed", "folder": "takes/x", "findings": [FINDING]}),
        Report("warning", {"text": "a cable"}),
    )
    assert {line["session"] for line in (rolling, warning, take, finding, later)} == {"evening"}
    for line in (rolling, warning, take, finding):
        assert (line["song"], line["pass"], line["number"]) == ("Fog Signal", "bass", 3)
    assert "song" not in later
    assert (take["event"], take["level"]) == ("take flawed", "warning")
    assert (finding["event"], finding["code"], finding["at"]) == ("3 clocks were late", "clock-late", "bar 9")
    assert warning["timestamp"].endswith("Z")


def test_the_session_has_its_own_name_once_it_was_read() -> None:
    """The same that `watch` and a take have; until then, and where it cannot be read, its file's."""
    name = "Lantern Quay, evening run"
    error, warning, renamed = _lines(
        Report("error", {"text": "line 3: not YAML"}),
        Report("session", {"session": name}),
        Report("warning", {"text": "a cable"}),
        Report("session", {"session": "Lantern Quay, late run"}),
        Report("warning", {"text": "a cable"}),
    )
    seen = [line["session"] for line in (error, warning, renamed)]
    assert seen == ["evening", name, "Lantern Quay, late run"]


def test_a_wrong_use_is_told_in_plain_words_unless_a_service_manager_reads() -> None:
    """Before there is a daemon, and only then.

    systemd sets JOURNAL_STREAM (systemd.exec(5)); for a service of type notify, NOTIFY_SOCKET (sd_notify(3)).
    """
    wrong = Report("error", {"text": "no session file nope.yaml", "exit": 2})
    for environment in ({}, {"NOTIFY_SOCKET": "/run/n"}, {"JOURNAL_STREAM": "1:2"}):
        stream = io.StringIO()
        with ServiceView("nope.yaml", stream, environment) as view:
            view(wrong)
        assert stream.getvalue().startswith("{" if environment else "takewright: no session file nope.yaml\n")
        assert view.errors == ["no session file nope.yaml"]
    _, later = _lines(Report("ready", {}), wrong)
    assert (later["event"], later["exit"]) == ("no session file nope.yaml", 2)


@pytest.mark.parametrize(
    ("report", "level"),
    [
        (Report("take", {**TAKE, "verdict": "clean"}), "info"),
        (Report("take", {**TAKE, "verdict": "failed"}), "error"),
        (
            Report("order", {"order": "roll", "from": "control on pedal", "done": False, "text": "no"}),
            "warning",
        ),
        (Report("error", {"text": "port box: none", "exit": 3}), "error"),
        (Report("schedule", {"next": "Wed 19:30:00: roll Ropewalk"}), "info"),
        (Report("ready", {"ports": [], "realtime": True}), "info"),
        (Report("something new", {"text": "x", "odd": object()}), "info"),
    ],
)
def test_what_is_worse_is_logged_at_a_higher_level(report: Report, level: str) -> None:
    """Failed takes and errors are errors, refusals warnings; an unknown report is none."""
    (line,) = _lines(report)
    assert line["level"] == level


def test_in_the_journal_each_line_begins_with_its_priority(tmp_path: Path) -> None:
    """sd-daemon(3): `<4>` is a warning; the journal's own time stands in place of ours."""
    path = tmp_path / "stream"
    with path.open("w") as stream:
        status = os.fstat(stream.fileno())
        environment = {"JOURNAL_STREAM": f"{status.st_dev}:{status.st_ino}"}
        assert in_journal(environment, stream.fileno())
        assert not in_journal({"JOURNAL_STREAM": "1:1"}, stream.fileno())
        with ServiceView("evening.yaml", stream, environment) as view:
            view(Report("warning", {"text": "a cable"}))
            view(Report("error", {"text": "gone"}))
    first, second = path.read_text().splitlines()
    assert first.startswith("<4>{")
    assert second.startswith("<3>{")
    assert "timestamp" not in json.loads(first[3:])


def test_a_reader_that_is_gone_costs_only_the_text() -> None:
    """A closed stream raises nothing: the takes go on."""
    stream = io.StringIO()
    view = ServiceView("evening.yaml", stream, {})
    view(Report("warning", {"text": "one"}))
    stream.close()
    view(Report("warning", {"text": "two"}))
    assert view.errors == []
