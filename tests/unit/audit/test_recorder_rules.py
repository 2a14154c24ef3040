"""What a recorder said after the take had ended: told once, and only where it said so."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from runner.takes.format import Kind
from runner.takes.reader import RECORDER_FILE, read_take
from runner.takes.summary import summarise
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

TIME = song_time(125, bars=2)
GOOD = {"began": True, "held": True, "ended": True}


def summary_with(folder: Path, text: str, told: str = "") -> dict[str, Any]:
    """Audit a good take beside which `text` lies as recorder.json; `told` is a finding of the take itself."""
    records = steady_records(TIME, 2, notes_a_beat=0)
    if told:
        data = json.dumps({"code": told, "machine": "deck", "severity": "error", "text": "deck: told"})
        maker = RecordMaker()
        maker.add(Kind.FINDING, records[-2].t_ns, data=data.encode())
        records[-1:-1] = maker.records
    numbered = [replace(record, seq=number) for number, record in enumerate(records, 1)]
    write_take(folder, take_header(TIME, 2), numbered).finish()
    if text:
        (folder / RECORDER_FILE).write_text(text, "utf-8")
    return summarise(read_take(folder))


def report(stopped: bool | None, *punches: dict[str, bool | None]) -> str:
    return json.dumps({"recorders": [{"machine": "deck", "stopped": stopped, "punches": list(punches)}]})


def codes(summary: dict[str, Any]) -> list[str]:
    return [finding["code"] for finding in summary["findings"]]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (report(True, GOOD), []),
        (report(None, {"began": None, "held": None, "ended": None}), []),  # it said nothing
        (report(False, GOOD), ["recorder-not-stopped"]),
        (report(True, GOOD, {**GOOD, "ended": False}), ["recorder-still-recording"]),
        (report(False, {**GOOD, "ended": False}), ["recorder-still-recording", "recorder-not-stopped"]),
    ],
)
def test_its_own_words_after_the_end_are_in_the_audit(tmp_path: Path, text: str, expected: list[str]) -> None:
    """A recorder that records on or does not stop makes the take what it is, with the usual severity."""
    summary = summary_with(tmp_path / "take-0001", text)
    assert codes(summary) == expected
    assert all(finding["machine"] == "deck" for finding in summary["findings"])
    verdicts = {"recorder-still-recording": "failed", "recorder-not-stopped": "flawed"}
    assert summary["verdict"] == (verdicts[expected[0]] if expected else "clean")


def test_what_the_take_tells_already_is_not_told_again(tmp_path: Path) -> None:
    """The same code of the same machine, found while it rolled."""
    text = report(True, {**GOOD, "ended": False})
    summary = summary_with(tmp_path / "take-0001", text, told="recorder-still-recording")
    assert codes(summary) == ["recorder-still-recording"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"recorders": 3}', '{"recorders": [1, {"punches": 2}]}'])
def test_a_damaged_report_is_no_finding_of_the_recorder(tmp_path: Path, text: str) -> None:
    """Whatever lies there is read without a traceback, and nothing is made up from it."""
    found = codes(summary_with(tmp_path / "take-0001", text))
    assert not [code for code in found if code.startswith("recorder-")]
