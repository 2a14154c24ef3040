"""Every rule of the audit: a take that shows the trouble, and takes that must not trigger it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from runner.audit.findings import MEANINGS
from runner.takes.declared import Declared
from runner.takes.format import Kind, Record
from runner.takes.lines import TakeHeader
from runner.takes.reader import read_take
from runner.takes.summary import summarise
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

TIME = song_time(125, bars=4, pre_roll=1)
HEADER = take_header(TIME, 2)
MS = 1_000_000
Audit = Callable[..., dict[str, Any]]


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    """Write records as a take and return its summary; `plan` becomes its plan.json."""

    def run(records: list[Record], header: TakeHeader = HEADER, plan: object = None) -> dict[str, Any]:
        folder = tmp_path / f"take-{len(list(tmp_path.iterdir())):04d}"
        write_take(folder, header, renumbered(records)).finish()
        if plan is not None:
            (folder / "plan.json").write_text(json.dumps(plan))
        return summarise(read_take(folder, plan=plan is not None))

    return run


def steady(**changes: Any) -> list[Record]:
    return steady_records(TIME, 2, **changes)


def renumbered(records: list[Record]) -> list[Record]:
    """Number the records again after some were taken out or put in."""
    result = []
    seq = 1
    for record in records:
        result.append(replace(record, seq=seq))
        seq += record.raw_count
    return result


def with_records(records: list[Record], add: Callable[[RecordMaker], object]) -> list[Record]:
    """Put further records in at their time."""
    maker = RecordMaker()
    add(maker)
    return sorted([*records, *maker.records], key=lambda record: record.t_ns)


def late(record: Record, ns: int) -> Record:
    return replace(record, t_ns=record.t_ns + ns)


def is_tick(record: Record, port: int, first: int, after: int) -> bool:
    return record.kind == Kind.TICK_SENT and record.port == port and first <= record.ref < after


def only(summary: dict[str, Any], code: str) -> dict[str, Any]:
    """The one finding with a code."""
    found = [finding for finding in summary["findings"] if finding["code"] == code]
    assert len(found) == 1, [finding["code"] for finding in summary["findings"]]
    return dict(found[0])


def codes(summary: dict[str, Any]) -> list[str]:
    return [finding["code"] for finding in summary["findings"]]


def first_cause(finding: dict[str, Any]) -> str:
    return str(finding["causes"][0]["code"])


@pytest.mark.parametrize("seed", range(6))
def test_a_faultless_take_has_no_finding(audit: Audit, seed: int) -> None:
    """A take within its limits is clean and has nothing to say."""
    summary = audit(steady(seed=seed, notes_a_beat=seed % 3))
    assert summary["verdict"] == "clean"
    assert summary["findings"] == []
    assert summary["clock"]["missing"] == summary["clock"]["extra"] == 0
    assert summary["clock"]["expected"] == summary["clock"]["sent"] == 2 * 5 * 96
    assert summary["clock"]["tempo"]["measured"] == pytest.approx(125, abs=0.01)
    assert summary["log"] == {"records": len(steady(notes_a_beat=seed % 3)), "dropped": 0, "complete": True,
                              "damages": []}  # fmt: skip


def test_late_clocks_on_all_ports_are_this_computer(audit: Audit) -> None:
    """Clocks late on both ports at once point at this computer, placed at the worst."""
    records = [
        late(r, 5 * MS) if is_tick(r, 0, 200, 210) else late(r, 4 * MS) if is_tick(r, 1, 200, 210) else r
        for r in steady()
    ]
    summary = audit(records)
    assert summary["verdict"] == "flawed"
    assert codes(summary) == ["clock-late", "clock-late"]
    finding = next(f for f in summary["findings"] if f["port"] == "quay")
    assert finding["count"] == 10
    assert finding["severity"] == "warning"
    assert finding["at"].startswith("bar 2 beat 1")
    assert [cause["code"] for cause in finding["causes"]] == ["computer"]
    assert "port loft" in finding["causes"][0]["why"]
    assert finding["evidence"]["worst_us"] == pytest.approx(5000, abs=101)


def test_late_clocks_where_a_port_blocked_are_that_port(audit: Audit) -> None:
    """A port that held the engine up outranks the computer as the cause."""
    records = [late(r, 5 * MS) if is_tick(r, port, 200, 203) else r for port in (0,) for r in steady()]
    records = [late(r, 5 * MS) if is_tick(r, 1, 200, 203) else r for r in records]
    due = next(r for r in records if is_tick(r, 0, 200, 201)).due_ns
    records = with_records(records, lambda m: m.add(Kind.SLOW_SEND, due - m.anchor_ns, port=1, ref=5200))
    summary = audit(records)
    assert [first_cause(f) for f in summary["findings"] if f["code"] == "clock-late"] == ["slow-port"] * 2
    assert "5.2" in only(summary, "slow-port")["text"]


@pytest.mark.parametrize(
    ("limits", "verdict"),
    [
        ({}, "flawed"),
        ({"clock": 6 * MS}, "flawed"),
        ({"lateness": 6 * MS}, "flawed"),
        ({"clock": 6 * MS, "lateness": 6 * MS}, "clean"),
        ({"clock": 5 * MS, "lateness": 6 * MS}, "flawed"),
    ],
)
def test_a_port_that_held_the_engine_up_is_judged_by_the_limits(
    audit: Audit, limits: dict[str, int], verdict: str
) -> None:
    """A send may take as long as the stricter limit lets anything be late; nothing else is off here."""
    records = with_records(steady(), lambda m: m.add(Kind.SLOW_SEND, MS, port=1, ref=5200))
    summary = audit(records, take_header(TIME, 2, limits=limits))
    assert summary["verdict"] == verdict
    assert codes(summary) == (["slow-port"] if verdict == "flawed" else [])


def test_limits_decide(audit: Audit) -> None:
    """The same lateness is clean under a wider limit of the session, in its own keys."""
    records = [late(r, 1 * MS) if is_tick(r, 0, 300, 301) else r for r in steady()]
    assert audit(records)["verdict"] == "flawed"
    assert audit(records, take_header(TIME, 2, limits={"clock": 2 * MS}))["verdict"] == "clean"


def test_clocks_that_never_went_out_with_the_port_gone(audit: Audit) -> None:
    """Clocks missing where the port vanished: unplugged, as the first cause of each finding."""
    records = [r for r in steady() if not is_tick(r, 1, 300, 340)]
    at = next(r for r in steady() if is_tick(r, 1, 300, 301)).due_ns

    def add(maker: RecordMaker) -> None:
        maker.json(Kind.PRESENCE, at - maker.anchor_ns + 3 * MS, {"port": "loft", "present": False}, port=1)
        maker.json(Kind.PRESENCE, at - maker.anchor_ns + 800 * MS, {"port": "loft", "present": True}, port=1)
        maker.add(Kind.SEND_FAILED, at - maker.anchor_ns, port=1, machine=1, data=b"\xf8")

    summary = audit(with_records(records, add))
    assert summary["verdict"] == "failed"
    assert summary["clock"]["missing"] == 40
    assert only(summary, "clock-not-sent")["count"] == 40
    for code in ("clock-not-sent", "port-send-failed", "port-lost"):
        assert first_cause(only(summary, code)) == "unplugged", code
    assert only(summary, "port-returned")["severity"] == "note"
    assert summary["machines"][1]["present"] is True
    assert summary["machines"][1]["send_failures"] == 1


def test_clocks_lost_only_in_the_log_are_not_blamed_on_the_port(audit: Audit) -> None:
    """Where the engine's pipe was full, missing clocks are first of all missing records."""
    records = [r for r in steady() if not is_tick(r, 1, 300, 340)]
    records = with_records(records, lambda m: m.add(Kind.DROPPED, 3000 * MS, ref=40))
    summary = audit(records)
    lost = only(summary, "clock-not-sent")
    assert [cause["code"] for cause in lost["causes"][:2]] == ["pipe-full", "log"]
    assert lost["part_of"] == "log-incomplete"
    assert only(summary, "log-incomplete")["count"] == 40
    assert summary["log"]["dropped"] == 40
    assert summary["log"]["complete"] is False


def test_a_port_without_any_clock_is_found(audit: Audit) -> None:
    """A port that was to get clock and got none is an error, though there is nothing to count."""
    summary = audit([r for r in steady() if not is_tick(r, 1, 0, 10_000)])
    assert only(summary, "clock-not-sent")["port"] == "loft"
    assert summary["verdict"] == "failed"


def test_late_messages_say_whether_they_can_be_heard(audit: Audit) -> None:
    """Notes beyond the lateness limit are told by machine, with how many are beyond hearing's limit."""
    notes = [r for r in steady() if r.kind == Kind.SENT and r.data[:1] == b"\x91"]
    shifts = {id(notes[3]): 2 * MS, id(notes[5]): 9 * MS}
    source = [(r, shifts.get(id(r), 0)) for r in steady()]
    by_key = {(n.seq): shifts[id(n)] for n in notes if id(n) in shifts}
    summary = audit([late(r, by_key.get(r.seq, 0)) for r, _ in source])
    finding = only(summary, "message-late")
    assert (finding["machine"], finding["count"], finding["evidence"]["audible"]) == ("bass", 2, 1)
    assert "9.0" in finding["text"]


def test_a_program_that_came_too_late_to_settle(audit: Audit) -> None:
    """A program change that left less than the machine's settle time is told with what was left."""

    def add(maker: RecordMaker) -> None:
        maker.add(Kind.SENT, 900 * MS + 50 * MS, due_ns=900 * MS, port=1, machine=1, ref=2, data=b"\xc1\x0b")

    finding = only(audit(with_records(steady(), add)), "program-late")
    assert "program 12" in finding["text"]
    assert "70 ms were left of the 120 ms" in finding["text"]
    on_time = with_records(
        steady(), lambda m: m.add(Kind.SENT, 900 * MS, due_ns=900 * MS, port=1, machine=1, data=b"\xc1\x0b")
    )
    assert codes(audit(on_time)) == []


def test_a_clock_right_after_start_is_told(audit: Audit) -> None:
    """MIDI 1.0 (Detailed Specification 4.2.1, p. 30) asks for 1 ms between Start and the first clock."""
    tick = next(r for r in steady(sigma_ns=0) if is_tick(r, 0, 0, 1))

    def start(gap_ns: int) -> list[Record]:
        return [
            replace(r, t_ns=tick.t_ns - gap_ns, due_ns=tick.t_ns - gap_ns)
            if r.kind == Kind.SENT and r.data == b"\xfa" and r.port == 0
            else r
            for r in steady(sigma_ns=0)
        ]

    assert "400 us" in only(audit(start(400_000)), "start-too-close")["text"]
    assert codes(audit(start(1_000_000))) == []


@pytest.mark.parametrize(
    ("rights", "said", "unsaid"),
    [
        ({}, "give this computer real-time rights", "already"),
        ({"realtime": False, "memory_locked": True}, "give this computer real-time rights", "already"),
        ({"realtime": True, "memory_locked": True}, "`takewright bench`", "real-time rights"),
        ({"realtime": True, "memory_locked": False}, "memlock unlimited", "real-time rights"),
    ],
)
def test_late_clocks_get_no_advice_that_was_followed_already(
    audit: Audit, rights: dict[str, bool], said: str, unsaid: str
) -> None:
    """What the take's header says of the engine's rights decides what there is to try."""
    records = [late(r, 2 * MS) if is_tick(r, 0, 100, 101) else r for r in steady()]
    found = only(audit(records, replace(HEADER, rights=rights)), "clock-late")
    assert said in found["try"] and unsaid not in found["try"]


def test_a_note_left_sounding_is_an_error_unless_it_was_cut(audit: Audit) -> None:
    """A Note On without its Note Off is found; one silenced at the end is not; a doubled one needs two."""
    records = steady()
    last_off = max(i for i, r in enumerate(records) if r.data[:1] == b"\x81")
    hanging = records[:last_off] + records[last_off + 1 :]
    finding = only(audit(hanging), "note-left")
    assert "note 36 on channel 2 of bass" in finding["text"]
    after = hanging[-1].t_ns - HEADER.anchor_ns + 5 * MS
    cut = with_records(hanging, lambda m: m.add(Kind.CUT, after, port=1, machine=1, data=b"\x81\x24\x00"))
    assert codes(audit(cut)) == []
    doubled = with_records(
        cut, lambda m: m.add(Kind.SENT, 10 * MS, due_ns=10 * MS, port=1, machine=1, data=b"\x91\x24\x40")
    )
    assert only(audit(doubled), "note-left")["count"] == 1


def test_planned_messages_that_never_went_out_are_named(audit: Audit) -> None:
    """What plan.json holds and the log does not is an error, with the first one's name."""
    plan = [
        {"t_ns": 0, "port": "quay", "machine": "drums", "bytes": "FA", "what": "Start"},
        {"t_ns": 5, "port": "loft", "machine": "bass", "bytes": "C1 05", "what": "program 6"},
        {"t_ns": 0, "port": "quay", "machine": "drums", "bytes": "F8", "what": "clock"},
        {"t_ns": 0, "port": "quay", "bytes": "zz"},
        "no row",
    ]
    finding = only(audit(steady(), plan=plan), "not-sent")
    assert (finding["port"], finding["count"]) == ("loft", 1)
    assert "program 6" in finding["text"]


@pytest.mark.parametrize(
    ("data", "verdict", "code"),
    [
        ({"why": "end of the song"}, "clean", None),
        ({"why": "stopped by the pedal"}, "interrupted", "stopped-early"),
        ({"why": "the engine process died", "died": True}, "failed", "take-failed"),
        ({"why": "rig", "outcome": "failed"}, "failed", "take-failed"),
        ({"why": "x", "outcome": "complete"}, "clean", None),
    ],
)
def test_the_end_decides(audit: Audit, data: dict[str, object], verdict: str, code: str | None) -> None:
    """How the log says that the take ended shows in the verdict and in a finding."""
    records = [
        replace(r, data=json.dumps(data).encode(), raw_count=1) if r.kind == Kind.TAKE_END else r
        for r in steady()
    ]
    summary = audit(records)
    assert summary["verdict"] == verdict
    assert codes(summary) == ([code] if code else [])


@pytest.mark.parametrize(
    ("more", "verdict", "code"),
    [({}, "interrupted", "stopped-early"), ({"outcome": "failed"}, "failed", "take-failed")],
)
def test_a_keeper_that_was_killed_is_nobodys_stop(
    audit: Audit, more: dict[str, object], verdict: str, code: str
) -> None:
    """Whoever saw it first, engine or desk, the finding names the process, and where to look further."""
    data = json.dumps({"why": "the keeper process is gone", **more}).encode()
    summary = audit([replace(r, data=data, raw_count=1) if r.kind == Kind.TAKE_END else r for r in steady()])
    assert (summary["verdict"], codes(summary)) == (verdict, [code])
    found = only(summary, code)
    assert [cause["code"] for cause in found["causes"]] == ["keeper-died"]
    assert "the daemon's first process" in found["text"] and "killed or died" in found["text"]
    assert "journalctl -k" in found["try"] and "memory" in found["try"]


def test_a_log_without_an_end_is_interrupted(audit: Audit) -> None:
    """A log that breaks off is interrupted, whatever else it holds, at the last thing known."""
    records = steady()
    summary = audit(records[: len(records) // 2])
    assert summary["verdict"] == "interrupted"
    assert only(summary, "take-interrupted")["at"].startswith("bar 2")


def test_bad_bytes_and_refused_commands_are_notes(audit: Audit) -> None:
    """Bytes that are no MIDI and refused commands are told and do not spoil the verdict."""

    def add(maker: RecordMaker) -> None:
        maker.add(Kind.BAD_INPUT, 100 * MS, port=0, ref=3)
        maker.add(Kind.BAD_INPUT, 200 * MS, port=0, ref=2)
        maker.json(Kind.REFUSED, 300 * MS, {"text": "cannot arm while rolling"})

    summary = audit(with_records(steady(), add))
    assert summary["verdict"] == "clean"
    assert only(summary, "bad-input")["count"] == 5
    assert "cannot arm" in only(summary, "command-refused")["text"]


def test_what_the_engine_found_is_passed_on(audit: Audit) -> None:
    """Findings made during the take keep code, severity, text and the time of the fact."""

    def add(maker: RecordMaker) -> None:
        maker.json(
            Kind.FINDING, 3000 * MS,
            {"code": "clock-wander", "severity": "warning", "text": "the tempo sways by 3 ms",
             "t_ns": maker.anchor_ns + 1000 * MS, "machine": "deck", "evidence": {"ms": 3.0}},
        )  # fmt: skip
        maker.json(Kind.FINDING, 3100 * MS, {"code": "something-new", "severity": "catastrophe"})

    summary = audit(with_records(steady(), add))
    finding = only(summary, "clock-wander")
    assert (finding["t_ns"], finding["machine"], finding["evidence"]) == (1000 * MS, "deck", {"ms": 3.0})
    assert finding["text"] == "the tempo sways by 3 ms"
    assert only(summary, "something-new")["severity"] == "note"
    assert summary["verdict"] == "flawed"


def follower(tmp: TakeHeader = HEADER) -> TakeHeader:
    declared = Declared.from_dict(tmp.declared)
    followed = replace(declared, role="follower", source="quay", clocks={}, pre_roll_quarters=0.0)
    return replace(tmp, declared=followed.to_dict())


def received(
    period_ns: int = 20 * MS, skip: tuple[int, ...] = (), double: tuple[int, ...] = ()
) -> list[Record]:
    """The records of a take that follows the clock of port quay."""
    maker = RecordMaker()
    maker.json(Kind.STATE, -100 * MS, {"state": "armed"})
    maker.add(Kind.RECEIVED, -5 * MS, port=0, data=b"\xfa")
    count = 0
    for tick in range(384):
        for copy in range(0 if tick in skip else 2 if tick in double else 1):
            maker.add(Kind.TICK_RECEIVED, tick * period_ns + copy * MS, port=0, ref=count, quarters=tick / 24)
            count += 1
    maker.add(Kind.RECEIVED, 384 * period_ns, port=0, data=b"\xfc")
    maker.json(Kind.TAKE_END, 384 * period_ns + MS, {"why": "end of the song"})
    return maker.records


def test_a_good_master_gives_a_clean_take(audit: Audit) -> None:
    """A take that followed a clean clock is clean, and its tempo is measured."""
    summary = audit(received(), follower())
    assert summary["findings"] == []
    clock = summary["clock"]
    assert (clock["role"], clock["source"], clock["received"], clock["sent"]) == ("follower", "quay", 384, 0)
    assert clock["tempo"] == {"declared": 125.0, "measured": 125.0}


def test_missing_and_extra_clocks_of_a_master_are_counted(audit: Audit) -> None:
    """Clocks that never came and clocks too many are counted from the arrivals alone."""
    summary = audit(received(skip=(100, 101, 250), double=(50, 300)), follower())
    assert (summary["clock"]["missing"], summary["clock"]["extra"]) == (3, 2)
    missing = only(summary, "clock-missing")
    assert (missing["count"], missing["severity"]) == (3, "error")
    assert missing["at"].startswith("bar 2 beat 1")
    assert only(summary, "clock-extra")["count"] == 2
    assert first_cause(missing) == "link-loss"
    places = [(place["at"], place["count"]) for place in missing["evidence"]["places"]]
    assert places == [("bar 2 beat 1 1/6", 2), ("bar 3 beat 3 5/12", 1)]


def test_missing_clocks_in_dense_data_are_wire_load(audit: Audit) -> None:
    """Clocks missing while the same wire was full point at the wire (320 us a byte on DIN, MIDI 1.0 p. 1)."""

    def add(maker: RecordMaker) -> None:
        for index in range(40):
            maker.add(Kind.RECEIVED, 1985 * MS + index * MS, port=0, data=b"\xb0\x07\x10")

    summary = audit(with_records(received(skip=(100,)), add), follower())
    assert first_cause(only(summary, "clock-missing")) == "wire-load"


def test_a_wrong_tempo_is_told_with_its_size(audit: Audit) -> None:
    """A master 1 % fast is told in BPM, percent and ms a minute; 0.05 % is within the limit."""
    finding = only(audit(received(period_ns=round(20 * MS / 1.01)), follower()), "tempo-off")
    assert "126.250 BPM instead of 125.000" in finding["text"]
    assert "+1.000 %, 600 ms a minute" in finding["text"]
    assert first_cause(finding) == "master-tempo"
    assert codes(audit(received(period_ns=round(20 * MS / 1.0005)), follower())) == []


def test_clock_without_start_is_told(audit: Audit) -> None:
    """A master that sends clock but no Start is told; with the watch's own finding it is told once."""
    records = [r for r in received() if r.data != b"\xfa"]
    assert first_cause(only(audit(records, follower()), "start-missing")) == "master-setting"
    told = with_records(records, lambda m: m.json(Kind.FINDING, 900 * MS, {"code": "clock-without-start"}))
    assert codes(audit(told, follower())) == ["start-missing"]


def test_a_clock_that_rests_while_stopped_is_no_fault(audit: Audit) -> None:
    """After Stop a master may send no clock for a while; that is no dropout."""
    records = [r for r in received() if not (r.kind == Kind.TICK_RECEIVED and 200 <= r.ref < 240)]
    records = with_records(records, lambda m: m.add(Kind.RECEIVED, 3999 * MS, port=0, data=b"\xfc"))
    records = with_records(records, lambda m: m.add(Kind.RECEIVED, 4795 * MS, port=0, data=b"\xfb"))
    assert codes(audit(records, follower())) == []
    plugged = [r for r in received() if not (r.kind == Kind.TICK_RECEIVED and 200 <= r.ref < 240)]
    assert only(audit(plugged, follower()), "clock-missing")["count"] == 40


def test_every_code_has_a_meaning_and_a_remedy(audit: Audit) -> None:
    """No code is without words."""
    for code, meaning in MEANINGS.items():
        assert code == code.lower()
        assert meaning.meaning
        assert meaning.evidence
        assert meaning.remedy, code


def test_findings_come_worst_first(audit: Audit) -> None:
    """Errors come before warnings and these before notes, each in the order of time."""
    records = [late(r, 5 * MS) if is_tick(r, 0, 200, 203) else r for r in steady()]
    records = [r for r in records if not is_tick(r, 1, 400, 402)]
    records = with_records(records, lambda m: m.add(Kind.BAD_INPUT, -900 * MS, port=0, ref=1))
    severities = [finding["severity"] for finding in audit(records)["findings"]]
    assert severities == ["error", "warning", "note"]


def test_what_comes_in_is_the_machines_that_has_the_port_to_itself(audit: Audit) -> None:
    """Machine control has no channel; where machines share a port only a channel tells whose a message is."""

    def add(maker: RecordMaker) -> None:
        for port in (0, 1):
            maker.add(Kind.RECEIVED, 10 * MS, port=port, data=bytes.fromhex("F0 7F 01 07 48 F7"))
            maker.add(Kind.RECEIVED, 20 * MS, port=port, data=bytes.fromhex("92 3C 40"))

    header = take_header(TIME, 3)
    shared = json.loads(json.dumps(header.declared).replace('"loft"', '"quay"'))
    alone = audit(with_records(steady(), add), header)["machines"]
    together = audit(with_records(steady(), add), replace(header, declared=shared))["machines"]
    assert [row["port"] for row in alone[:2]] == [*header.ports[:2]]
    assert [row["received"] for row in alone] == [2, 2, 0]
    assert [row["port"] for row in together].count("quay") == 2
    assert {row["name"]: row["received"] for row in together}["drums"] == 0
