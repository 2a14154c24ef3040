"""The audit tried blind: takes with one fault each, and sound ones; the fault is never in the log.

The seeds by which the rules were tuned are below 1000; those here are others.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from faulty_takes import FAULTS, SOUND, Case, audited, corpus

from runner.audit.cause_codes import CAUSES
from runner.audit.meanings import MEANINGS

SHARE = 0.95  #: of the faulty takes whose cause must stand first


@pytest.fixture(autouse=True)
def _quick_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Syncs to the medium cost seconds and prove nothing here."""
    from runner.takes import files

    monkeypatch.setattr("os.fsync", lambda fd: None)
    monkeypatch.setattr(files, "data_sync", lambda fd: None)


def misjudged(cases: list[Case], folder: Path) -> list[str]:
    """Return what is wrong with the audits of cases, one line each."""
    wrong = []
    for number, case in enumerate(cases):
        summary = audited(case, folder / f"case-{number}")
        findings = summary["findings"]
        _assert_known(findings)
        if case.cause:
            first = findings[0] if findings else {"code": None, "causes": [], "severity": "note"}
            named = first["causes"][0]["code"] if first["causes"] else None
            if named != case.cause or first["severity"] == "note":
                wrong.append(f"{case.kind} ({number}): {case.cause} wanted, {first['code']}: {named} found")
        else:
            above = [finding["code"] for finding in findings if finding["severity"] != "note"]
            if above:
                wrong.append(f"{case.kind} ({number}): {above}")
    return wrong


def _assert_known(findings: list[dict[str, object]]) -> None:
    """Every code is in the tables, every cause is one that its finding, or the root of it, can name."""
    for finding in findings:
        meaning = MEANINGS[str(finding["code"])]
        root = MEANINGS[str(finding["part_of"])].causes if finding["part_of"] else ()
        causes = finding["causes"]
        assert isinstance(causes, list)
        for cause in causes:
            assert cause["code"] in CAUSES
            assert cause["code"] in (*meaning.causes, *root), (finding["code"], cause["code"])


@pytest.mark.timeout(600)
def test_the_right_cause_stands_first(tmp_path: Path) -> None:
    """Of 27 faulty takes, one of each kind, at least 95 % have their true cause at their first finding."""
    wrong = misjudged(corpus(1001, FAULTS, 27), tmp_path)
    assert len(wrong) <= (1 - SHARE) * 27, wrong


@pytest.mark.timeout(600)
def test_nothing_is_held_against_a_sound_take(tmp_path: Path) -> None:
    """In 10 sound takes nothing above a note is found, however jittery or late the master began."""
    assert misjudged(corpus(1001, SOUND, 10), tmp_path) == []


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(2001, 2009))
def test_the_right_cause_stands_first_on_other_seeds(seed: int, tmp_path: Path) -> None:
    """Eight further ranges of 108 faulty takes and 40 sound ones each, by the same bars."""
    wrong = misjudged(corpus(seed, FAULTS, 108), tmp_path / "faulty")
    print(f"seed {seed}: {108 - len(wrong)} of 108; {wrong}")
    assert len(wrong) <= (1 - SHARE) * 108, wrong
    assert misjudged(corpus(seed, SOUND, 40), tmp_path / "sound") == []
