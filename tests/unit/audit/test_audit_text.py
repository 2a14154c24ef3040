"""The audit as text: the verdict first, then what matters, then the figures."""

from __future__ import annotations

from pathlib import Path

from runner.audit.findings import MATTERS
from runner.audit.text import WIDTH, audit_take, audit_text
from runner.audit.verdict import Limits, Verdict, judge
from runner.takes.format import Kind
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

TIME = song_time(125, bars=2, pre_roll=1)


def test_a_clean_take_reads_short(tmp_path: Path) -> None:
    """The first line holds verdict and name; figures carry units; no line is too long."""
    write_take(tmp_path, take_header(TIME, 2), steady_records(TIME, 2)).finish()
    lines = audit_text(audit_take(read_take(tmp_path))).splitlines()
    assert lines[0] == "CLEAN  Ropewalk, bass overdub, take 1: within all limits"
    assert lines[1] == "Lantern Quay, evening run, 2026-05-04T19:30:00.000Z, 5.8 s"
    clock = next(line for line in lines if line.startswith("clock"))
    assert clock == "clock     master, source internal; 576 sent of 576 due; 0 missing, 0 too many"
    assert "tempo     125.00" in "\n".join(lines)
    assert lines[-1].startswith("log       ")
    assert lines[-1].endswith("records, whole")
    assert all(len(line) <= WIDTH + 20 for line in lines)


def test_what_the_stop_sent_is_counted(tmp_path: Path) -> None:
    """Messages that silence what sounded were sent too, and are told beside the others."""
    records = steady_records(TIME, 2)
    maker = RecordMaker(seq=records[-1].seq + 1)
    for data in (b"\x89\x24\x00", b"\xb9\x7b\x00", b"\xb1\x7b\x00"):
        maker.add(Kind.CUT, 3_000_000_000, port=0, machine=0, data=data)
    write_take(tmp_path, take_header(TIME, 2), [*records, *maker.records]).finish()
    summary = audit_take(read_take(tmp_path))
    sent = summary["messages"]["sent"]
    text = " ".join(audit_text(summary, began="2026-05-04 21:30").split())
    assert f"messages {sent} sent, 0 received, 3 more to stop and silence; half" in text
    assert "Lantern Quay, evening run, 2026-05-04 21:30, " in text


def test_what_matters_is_told_in_full(tmp_path: Path) -> None:
    """The first findings have place, cause and remedy; the rest one line each, or a count."""
    end = steady_records(TIME, 2)[-1]
    maker = RecordMaker(seq=end.seq + 1)
    for index, port in enumerate("abcde"):
        maker.json(Kind.PRESENCE, index * 100_000_000, {"port": port, "present": False})
    records = [*steady_records(TIME, 2), *maker.records]
    write_take(tmp_path, take_header(TIME, 2), records).finish()
    summary = audit_take(read_take(tmp_path))
    text = audit_text(summary)
    lines = text.splitlines()
    assert lines[0].startswith("FAILED  ")
    assert lines[3] == "!! bar 1 beat 1: port a vanished [port-lost]"
    assert lines[4].startswith("   likely: the cable was unplugged")
    assert lines[5].lstrip().startswith("try: ") or lines[6].lstrip().startswith("try: ")
    assert text.count("likely:") == MATTERS
    rest = len(summary["findings"]) - MATTERS
    assert f"\n{rest} more:\n" in text
    assert f"{rest} more findings" in audit_text(summary, all_findings=False)


def test_consequences_are_not_among_what_matters(tmp_path: Path) -> None:
    """The three that are told in full stand for themselves; what is part of one of them is in the rest."""
    write_take(tmp_path, take_header(TIME, 1), steady_records(TIME, 1)).finish()
    summary = audit_take(read_take(tmp_path))
    row = {"severity": "error", "at": "bar 1", "text": "it went", "causes": [], "try": "look", "part_of": ""}
    parts = [{**row, "code": f"part-{n}", "part_of": "root-1"} for n in range(3)]
    summary["findings"] = [{**row, "code": "root-1"}, *parts, {**row, "code": "root-2"}]
    full, rest = audit_text(summary).split("\n3 more:\n")
    assert "[root-1]" in full and "[root-2]" in full and "part-" not in full
    assert full.count("try: look") == 2
    assert [line for line in rest.splitlines() if "part-" in line] == [
        f"!! bar 1: it went [part-{n}], part of root-1" for n in range(3)
    ]


def test_an_unclosed_take_says_so(tmp_path: Path) -> None:
    """A take that has no take.json yet is audited from its files, and the notes say that it is open."""
    write_take(tmp_path, take_header(TIME, 1), steady_records(TIME, 1)[:99]).finish()
    summary = audit_take(read_take(tmp_path))
    assert summary["verdict"] == "interrupted"
    assert "no take.json" in summary["notes"]["unclosed"]


def test_verdicts_follow_from_severity_and_end() -> None:
    """Failed outranks interrupted, which outranks flawed; a note changes nothing."""
    assert judge([], "complete") is Verdict.CLEAN
    assert judge(["note"], "complete") is Verdict.CLEAN
    assert judge(["note", "warning"], "complete") is Verdict.FLAWED
    assert judge(["warning", "error"], "complete") is Verdict.FAILED
    assert judge(["warning"], "stopped") is Verdict.INTERRUPTED
    assert judge(["error"], "stopped") is Verdict.FAILED
    assert judge([], "failed") is Verdict.FAILED
    assert judge(["error"], None) is Verdict.INTERRUPTED


def test_limits_take_both_spellings_and_no_nonsense() -> None:
    """Limits are read by attribute and by file key; what is no number of 0 or more gets the default."""
    limits = Limits.from_mapping(
        {"clock": 1000, "lateness_ns": 2, "wire-wait": True, "cue": -1, "tempo-percent": 0.5,
         "missing-clocks": "3", "extra-clocks": float("nan")}
    )  # fmt: skip
    assert limits == Limits(clock_ns=1000, lateness_ns=2, tempo_percent=0.5)
    assert Limits.from_mapping(limits.to_dict()) == limits
