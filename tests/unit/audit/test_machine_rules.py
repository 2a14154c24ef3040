"""Machines that start late, are silent, or lie elsewhere than in other takes, and what is none of these."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from runner.audit.facts import History
from runner.takes.format import Kind
from runner.takes.reader import read_take
from runner.takes.summary import history_of, summarise
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

TIME = song_time(125, bars=6, pre_roll=1)
HEADER = take_header(TIME, 2)
MS = 1_000_000
CLOCK_NS = 20 * MS
STARTED_NS = -96 * CLOCK_NS  #: the pre-roll's first clock
GROOVE = (0, 12, 24, 36, 48, 60, 72, 84)
Audit = Callable[..., dict[str, Any]]


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    """Audit a take in which the drums send a pattern of a bar, `late` clocks after Start and `more_ns`."""

    def run(
        late: int = 0, *, groove: Sequence[int] = GROOVE, more_ns: int = MS, history: Sequence[History] = ()
    ) -> dict[str, Any]:
        records = steady_records(TIME, 2, notes_a_beat=0)
        maker = RecordMaker(seq=records[-1].seq + 1)
        for bar in range(7):
            for place in groove:
                clock = 96 * bar + place + late
                if clock < 96 * 7:
                    t_ns = STARTED_NS + clock * CLOCK_NS + more_ns
                    maker.add(Kind.RECEIVED, t_ns, port=0, data=b"\x99\x24\x64")
        maker.records.sort(key=lambda record: record.t_ns)
        folder = tmp_path / f"take-{len(list(tmp_path.iterdir())):04d}"
        whole = sorted([*records, *maker.records], key=lambda record: record.t_ns)
        numbered = [replace(record, seq=number) for number, record in enumerate(whole, 1)]
        write_take(folder, HEADER, numbered).finish()
        return summarise(read_take(folder), history=history)

    return run


def found(summary: dict[str, Any], code: str) -> list[dict[str, Any]]:
    return [finding for finding in summary["findings"] if finding["code"] == code]


@pytest.mark.parametrize("late", [1, 5, 7, 12, 13, 24, 30, 48])
def test_a_machine_late_by_whole_clocks_is_told(late: int, audit: Audit) -> None:
    """However late: by its phase, by what the first bar lacks, or by beats that it never plays."""
    (finding,) = found(audit(late), "machine-started-late")
    assert (finding["machine"], finding["count"]) == ("drums", late)
    assert finding["evidence"]["late_us"] == pytest.approx(late * 20_000, rel=0.01)
    assert f"{late} clock" in finding["text"]


@pytest.mark.parametrize("more_ns", [0, MS, 9 * MS, 17 * MS])
def test_a_machine_with_latency_has_not_started_late(more_ns: int, audit: Audit) -> None:
    """What a machine needs from a clock to its note is no late start."""
    assert audit(more_ns=more_ns)["findings"] == []


@pytest.mark.parametrize(
    "groove",
    [
        (24, 72),
        (12, 36, 60, 84),
        (24, 36, 48, 60),
        (0, 6, 12, 30, 42, 48, 66),
        (0, 8, 16, 24, 48, 72),
        (72,) * 4,
    ],
)
def test_a_pattern_that_begins_with_a_rest_has_not_started_late(
    groove: tuple[int, ...], audit: Audit
) -> None:
    """Off-beats, back-beats, triplets, sparse patterns: what they are in each bar alike."""
    assert found(audit(groove=groove), "machine-started-late") == []


def test_the_lead_is_blamed_only_where_it_is_short(audit: Audit) -> None:
    """Start went out with hardly a clock before it: the lead is the first cause, the machine the second."""
    (finding,) = found(audit(7), "machine-started-late")
    assert finding["evidence"]["lead_clocks"] < 24
    assert [cause["code"] for cause in finding["causes"]] == ["short-lead", "machine-start"]


def past(audit: Audit, **how: Any) -> History:
    made = history_of(audit(**how))
    assert made is not None
    return made


def test_a_take_shifted_against_the_others_is_told(audit: Audit) -> None:
    """9 ms later than in two other takes is more than the 6 ms of the limit; 4 ms is not."""
    others = [past(audit), past(audit)]
    (finding,) = found(audit(more_ns=10 * MS, history=others), "take-shifted")
    assert finding["evidence"]["shift_us"] == pytest.approx(9000, abs=150)
    assert "2 other takes" in finding["text"]
    assert found(audit(more_ns=5 * MS, history=others), "take-shifted") == []


def test_other_takes_that_disagree_prove_nothing(audit: Audit) -> None:
    """Two takes that lie 11 ms apart are no measure for a third."""
    others = [past(audit), past(audit, more_ns=12 * MS)]
    assert found(audit(more_ns=19 * MS, history=others), "take-shifted") == []


def test_a_machine_that_fell_silent_is_told(audit: Audit) -> None:
    """Notes in the other takes and none in this one; without other takes nothing is known."""
    (finding,) = found(audit(groove=(), history=[past(audit)]), "machine-silent")
    assert finding["causes"][0]["code"] == "machine-deaf"
    assert found(audit(groove=()), "machine-silent") == []
    assert found(audit(groove=(), history=[past(audit, groove=())]), "machine-silent") == []


def test_a_take_that_broke_off_is_no_measure() -> None:
    """Neither a failed take nor a summary without its figures is compared with; nor a late machine in one."""
    row = {"first_note_clocks": 7.0, "notes": 40}
    alignment = {"machines": {"drums": row}, "settings": {}}
    assert history_of({"verdict": "failed", "alignment": alignment}) is None
    assert history_of({"verdict": "clean"}) is None
    late = [{"code": "machine-started-late", "machine": "drums"}]
    kept = history_of({"verdict": "flawed", "alignment": alignment, "findings": late})
    assert kept is not None
    assert kept.machines == {}
