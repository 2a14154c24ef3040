"""Each code that a take can have: a take that shows it, and one that comes near and must not.

What the audit judges by itself is spoilt here record by record; what the engine and the clock watch tell is
rolled on simulated machines (`tests/sim/test_both_sides.py`), or made where it is told.
"""

from __future__ import annotations

import ast
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from rolled_takes import BOTH_SIDES

from runner.audit.facts import History
from runner.audit.meanings import MEANINGS
from runner.sync.findings import Code
from runner.takes.declared import Declared
from runner.takes.format import Kind, Record
from runner.takes.lines import TakeHeader
from runner.takes.reader import read_take
from runner.takes.summary import summarise
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

MS = 1_000_000
TIME = song_time(125, bars=3, pre_roll=1)
CLOCK_NS = 20 * MS
FIRST_NS = -96 * CLOCK_NS  #: the first clock: the pre-roll's
TESTS = Path(__file__).parents[2]
Edit = Callable[[Record], Record | None]


@dataclass(frozen=True)
class Spoilt:
    """The records of a take of two ports, and what is to be read with them."""

    records: Iterable[Record]
    header: TakeHeader = field(default_factory=lambda: take_header(TIME, 2))
    plan: object = None
    history: tuple[History, ...] = ()
    damage: Callable[[Path], object] = lambda folder: None


def steady(edit: Edit = lambda record: record) -> list[Record]:
    """Return a faultless take's records, each as `edit` makes it; None leaves it out."""
    return [kept for record in steady_records(TIME, 2) if (kept := edit(record)) is not None]


def with_(add: Callable[[RecordMaker], object], records: list[Record] | None = None, **more: Any) -> Spoilt:
    """Return a take into which further records are put."""
    maker = RecordMaker()
    add(maker)
    return Spoilt(sorted([*(records or steady()), *maker.records], key=lambda r: r.t_ns), **more)


def without(tick: int, after: int, port: int = 1) -> list[Record]:
    """Leave clocks out that were to be sent."""
    return steady(
        lambda r: None if r.kind == Kind.TICK_SENT and r.port == port and tick <= r.ref < after else r
    )


def late(ns: int, tick: int = 200) -> list[Record]:
    """Send one clock late on one port."""
    return steady(
        lambda r: (
            replace(r, t_ns=r.due_ns + ns)
            if r.kind == Kind.TICK_SENT and r.port == 0 and r.ref == tick
            else r
        )
    )


def ended(**data: object) -> list[Record]:
    """Let the take end in some way."""
    return steady(lambda r: replace(r, data=json.dumps(data).encode()) if r.kind == Kind.TAKE_END else r)


def told(code: str, t_ns: int = 1000 * MS, port: int = 0, **more: object) -> Callable[[RecordMaker], object]:
    """What the engine or the watch told at a time."""
    return lambda maker: maker.json(Kind.FINDING, t_ns, {"code": code, **more}, port=port)


def presence(*news: tuple[int, bool]) -> Callable[[RecordMaker], object]:
    """Let port loft go and come at some ms."""
    return lambda maker: [
        maker.json(Kind.PRESENCE, at * MS, {"port": "loft", "present": there}, port=1) for at, there in news
    ]


def message(late_ns: int, data: bytes = b"\xb1\x07\x10") -> Callable[[RecordMaker], object]:
    """Send a message to the bass so late."""
    return lambda maker: maker.add(
        Kind.SENT, 900 * MS + late_ns, due_ns=900 * MS, port=1, machine=1, data=data
    )


def start_gap(gap_ns: int) -> list[Record]:
    """Send Start so long before the first clock of the port."""
    records = steady_records(TIME, 2, sigma_ns=0)
    first = next(r for r in records if r.kind == Kind.TICK_SENT and r.port == 0)
    return [
        replace(r, t_ns=first.t_ns - gap_ns, due_ns=first.t_ns - gap_ns)
        if r.kind == Kind.SENT and r.data == b"\xfa" and r.port == 0
        else r
        for r in records
    ]


def last_off(cut: bool) -> Spoilt:
    """Leave out the last Note Off; with `cut`, the note is silenced at the end instead."""
    records = steady()
    index = max(i for i, r in enumerate(records) if r.data[:1] == b"\x81")
    del records[index]
    end = records[-1].t_ns - RecordMaker().anchor_ns + 5 * MS
    return with_(
        lambda m: m.add(Kind.CUT, end, port=1, machine=1, data=b"\x81\x24\x00") if cut else None, records
    )


def drumming(late_clocks: int = 0, more_ns: int = MS, bars: int = 4) -> list[Record]:
    """Let the drums send a pattern of eighths, so many clocks after their Start."""
    maker = RecordMaker()
    for eighth in range(8 * bars):
        clock = 12 * eighth + late_clocks
        if clock < 96 * 4:
            maker.add(Kind.RECEIVED, FIRST_NS + clock * CLOCK_NS + more_ns, port=0, data=b"\x99\x24\x64")
    return sorted([*steady_records(TIME, 2, notes_a_beat=0), *maker.records], key=lambda r: r.t_ns)


PAST = (History("take-0009", "drums", {"drums": {"first_note_clocks": 0.05, "notes": 32, "lead_clocks": 0}}),)


def follows(
    period_ns: int = CLOCK_NS, skip: Iterable[int] = (), start: bytes = b"\xfa",
    add: Callable[[RecordMaker], object] = lambda maker: None, echo: bool = False,
) -> Spoilt:  # fmt: skip
    """Return a take that follows the clock of port quay."""
    header = take_header(TIME, 2)
    declared = replace(Declared.from_dict(header.declared), role="follower", source="quay", clocks={},
                       pre_roll_quarters=0.0)  # fmt: skip
    maker = RecordMaker()
    maker.json(Kind.STATE, -100 * MS, {"state": "armed"})
    if start:
        maker.add(Kind.RECEIVED, -5 * MS, port=0, data=start)
    for tick in range(288):
        if tick not in set(skip):
            maker.add(Kind.TICK_RECEIVED, tick * period_ns, port=0, ref=tick, quarters=tick / 24)
        if echo:
            maker.add(Kind.TICK_RECEIVED, tick * period_ns + 2 * MS, port=0, ref=tick, quarters=tick / 24)
    maker.add(Kind.RECEIVED, 288 * period_ns, port=0, data=b"\xfc")
    maker.json(Kind.TAKE_END, 288 * period_ns + MS, {"why": "end of the song"})
    return with_(add, maker.records, header=replace(header, declared=declared.to_dict()))


def damaged(line: int) -> Spoilt:
    """Spoil a line of events.jsonl; the last one is only torn, as by a power cut."""

    def spoil(folder: Path) -> None:
        lines = (folder / "events.jsonl").read_bytes().splitlines(keepends=True)
        lines[line] = lines[line][: len(lines[line]) // 2] + (b"" if line == -1 else b"\n")
        (folder / "events.jsonl").write_bytes(b"".join(lines))

    return Spoilt(steady(), damage=spoil)


def planned(**row: object) -> Spoilt:
    """Plan a note of the bass that never goes out."""
    muted = row.pop("muted", False)
    note = {"t_ns": 5, "port": "loft", "machine": "bass", "bytes": "91 3C 40", "what": "note", **row}
    return with_(
        lambda m: m.json(Kind.STATE, 0, {"state": "mute", "machine": "bass"}) if muted else None, plan=[note]
    )


def with_limits(records: list[Record], **limits: int) -> Spoilt:
    return Spoilt(records, take_header(TIME, 2, limits=limits))


CASES: dict[str, tuple[Callable[[], Spoilt], Callable[[], Spoilt]]] = {
    "take-failed": (lambda: Spoilt(ended(why="rig", outcome="failed")),
                    lambda: Spoilt(ended(why="rig", outcome="complete"))),
    "take-interrupted": (lambda: Spoilt(steady()[:600]), lambda: Spoilt(ended(why="stopped by the pedal"))),
    "stopped-early": (lambda: Spoilt(ended(why="stopped by the pedal")), lambda: Spoilt(steady())),
    "log-incomplete": (lambda: with_(lambda m: m.add(Kind.DROPPED, 3000 * MS, ref=40)),
                       lambda: with_(message(0, b"\xf0\x7d" + bytes(60) + b"\xf7"))),
    "file-damaged": (lambda: damaged(5), lambda: damaged(-1)),
    "clock-not-sent": (lambda: Spoilt(without(300, 302)),
                       lambda: with_limits(without(300, 302), missing_clocks=2)),
    "clock-late": (lambda: Spoilt(late(330_000)), lambda: Spoilt(late(310_000))),
    "message-late": (lambda: with_(message(1_100_000)), lambda: with_(message(900_000))),
    "program-late": (lambda: with_(message(50 * MS, b"\xc1\x0b")),
                     lambda: with_(message(900_000, b"\xc1\x0b"))),
    "not-sent": (planned, lambda: planned(muted=True)),
    "port-send-failed": (lambda: with_(lambda m: m.add(Kind.SEND_FAILED, 0, port=1, machine=1, data=b"\xf8")),
                         lambda: with_(lambda m: m.add(Kind.SLOW_SEND, 0, port=1, ref=3000))),
    "slow-port": (lambda: with_(lambda m: m.add(Kind.SLOW_SEND, 0, port=1, ref=3000)),
                  lambda: Spoilt(late(5 * MS))),
    "port-lost": (lambda: with_(presence((500, False))), lambda: with_(presence((60_000, False)))),
    "port-returned": (lambda: with_(presence((500, False), (900, True))),
                      lambda: with_(presence((500, True)))),
    "bad-input": (lambda: with_(lambda m: m.add(Kind.BAD_INPUT, 0, port=0, ref=3)),
                  lambda: with_(lambda m: m.add(Kind.RECEIVED, 0, port=0, data=b"\xfe"))),
    "command-refused": (lambda: with_(lambda m: m.json(Kind.REFUSED, 0, {"text": "cannot arm"})),
                        lambda: with_(lambda m: m.json(Kind.STATE, 0, {"state": "armed"}))),
    "engine-restarted": (lambda: with_(told("engine-restarted")),
                         lambda: Spoilt(ended(why="the desk died", outcome="failed"))),
    "input-overflow": (lambda: with_(told("input-overflow")),
                       lambda: with_(lambda m: m.add(Kind.DROPPED, 3000 * MS, ref=40))),
    "start-too-close": (lambda: Spoilt(start_gap(900_000)), lambda: Spoilt(start_gap(MS))),
    "note-left": (lambda: last_off(cut=False), lambda: last_off(cut=True)),
    "machine-started-late": (lambda: Spoilt(drumming(7)), lambda: Spoilt(drumming(0, 17 * MS))),
    "machine-silent": (lambda: Spoilt(drumming(bars=0), history=PAST), lambda: Spoilt(drumming(bars=0))),
    "take-shifted": (lambda: Spoilt(drumming(0, 9 * MS), history=PAST),
                     lambda: Spoilt(drumming(0, 6 * MS), history=PAST)),
    "start-missing": (lambda: follows(start=b""), lambda: follows(start=b"\xfb")),
    "tempo-off": (lambda: follows(round(CLOCK_NS / 1.002)), lambda: follows(round(CLOCK_NS / 1.0009))),
    "clock-tempo": (lambda: follows(add=told("clock-tempo", size=1.0)),
                    lambda: follows(round(CLOCK_NS / 1.01), add=told("clock-tempo", size=1.0))),
    "clock-step": (lambda: follows(add=told("clock-step", size=3.0)),
                   lambda: follows(add=told("clock-step", size=0.02))),
    "clock-loop": (lambda: follows(echo=True, add=told("clock-loop", evidence={"lag_ms": 2.0})),
                   lambda: follows(add=told("clock-loop", evidence={"lag_ms": 2.0}))),
    "follower-misled": (lambda: follows(add=told("clock-missing", count=3)),
                        lambda: follows(skip=(150, 151, 152), add=told("clock-missing", 3100 * MS, count=3))),
}  # fmt: skip

#: Told by parts that have no take of their own: where the test is that shows it, and the one that must not.
ELSEWHERE: dict[str, tuple[str, str, str]] = {
    **dict.fromkeys(
        ("recorder-not-located", "recorder-not-rolling", "recorder-other-rate", "recorder-not-recording",
         "recorder-protected", "recorder-dropped-out", "recorder-stopped"),
        ("unit/play/test_machine_control.py", "test_each_fault_has_its_name",
         "test_a_take_locates_plays_records_stops_and_goes_back"),
    ),
    "recorder-open-loop": (
        "unit/play/test_machine_control.py", "test_without_answers_spans_stand_for_them",
        "test_a_take_locates_plays_records_stops_and_goes_back",
    ),
    **{
        code: (
            "unit/play/test_recorder_complaints.py", f"test_{name}", f"test_{name}_is_not_said_of_a_good_one"
        )
        for code, name in (
            ("recorder-still-recording", "one_that_records_on"), ("recorder-not-stopped", "one_that_runs_on"),
            ("recorder-refuses", "one_that_knows_less"),
        )
    },
    **{
        code: ("unit/sync/test_timecode_follower.py", f"test_{shown}", f"test_{spared}")
        for code, shown, spared in (
            ("time-code-missing", "what_is_missing_is_counted_and_nothing_lost",
             "what_is_late_and_comes_together_is_not_missing"),
            ("time-code-dropout", "a_dropout_is_bridged_and_told_with_its_length",
             "what_is_late_and_comes_together_is_not_missing"),
            ("time-code-ended", "time_code_that_stays_away_has_stopped",
             "a_dropout_is_bridged_and_told_with_its_length"),
            ("time-code-jump", "a_jump_while_it_runs_is_told", "midnight_is_no_jump"),
            ("time-code-reverse", "reverse_is_no_playing", "a_jump_while_it_runs_is_told"),
            ("time-code-rate", "the_sessions_rate_rules_and_a_difference_is_told", "midnight_is_no_jump"),
            ("time-code-drop-frame", "drop_numbers_under_a_non_drop_code_are_named_at_the_first_minute",
             "a_right_speed_is_not_complained_of"),
            ("time-code-speed", "a_wrong_speed_is_named_within_10_s_at_1_ms_jitter",
             "a_right_speed_is_not_complained_of"),
            ("time-code-jitter", "a_right_speed_is_not_complained_of", "a_jump_while_it_runs_is_told"),
        )
    },
    "time-code-broken": (
        "unit/sync/test_timecode_order.py", "test_pieces_out_of_order_are_told",
        "test_what_is_late_and_comes_together_is_in_order",
    ),
    "time-code-joined-late": (
        "sim/test_time_code_take.py", "test_a_take_that_was_joined_late_is_flawed_for_that_alone",
        "test_a_good_take_is_clean",
    ),
    "clock-dropout": (
        "sim/test_sync_006_masters.py", "test_a_dropout_beyond_the_span_is_told_with_its_length",
        "test_a_clock_that_ends_without_stop_is_told",
    ),
}  # fmt: skip


def audit_codes(spoilt: Spoilt, folder: Path) -> list[str]:
    """Write the take and return the codes of its audit."""
    numbered, seq = [], 1
    for record in spoilt.records:
        numbered.append(replace(record, seq=seq))
        seq += record.raw_count
    write_take(folder, spoilt.header, numbered).finish()
    spoilt.damage(folder)
    if spoilt.plan is not None:
        (folder / "plan.json").write_text(json.dumps(spoilt.plan))
    take = read_take(folder, plan=spoilt.plan is not None)
    return [finding["code"] for finding in summarise(take, history=spoilt.history)["findings"]]


@pytest.mark.parametrize("code", sorted(CASES))
def test_a_take_shows_it_and_one_that_comes_near_does_not(code: str, tmp_path: Path) -> None:
    """The code is found once in the one take, and not at all in the other."""
    shown, spared = CASES[code]
    assert audit_codes(shown(), tmp_path / "shown").count(code) == 1
    assert code not in audit_codes(spared(), tmp_path / "spared")


def test_no_code_is_without_both_sides() -> None:
    """Every code is in exactly one of the tables."""
    tables = [*CASES, *BOTH_SIDES, *ELSEWHERE]
    assert sorted(tables) == sorted(MEANINGS)


def test_the_tests_named_elsewhere_are_there() -> None:
    """Each names the code or its constant somewhere in its module, and both tests exist."""
    constants = {code.value: f"Code.{code.name}" for code in Code}
    for code, (file, shown, spared) in ELSEWHERE.items():
        text = (TESTS / file).read_text(encoding="utf-8")
        names = {node.name for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)}
        assert {shown, spared} <= names, code
        assert code in text or constants.get(code, "?") in text, code
