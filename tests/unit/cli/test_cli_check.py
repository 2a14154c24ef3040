"""`takewright check`: problems with their places, wire load, exit codes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from runner.cli import check_live
from runner.cli.check import problem_text, summed, wire_lines
from runner.cli.check_live import Row
from runner.errors import Problem

WARNED = """\
session: Lantern Quay, crowded wire
format: 1
ports: {quay: {simulate: synthesizer, link: din}}
machines: {organ: {port: quay, channel: 1, follows: [clock]}}
songs:
  - song: Net Loft
    tempo: 120
    meter: 4/4
    length: 4 bars
    cues: [{at: bar 2, machine: organ, sysex: "7D LONG"}]
""".replace("LONG", "01 " * 70)


def test_a_good_session_exits_0(short: Path, call: Callable[..., Any]) -> None:
    """Nothing wrong: 0, one line that says so, and the load of each port."""
    told = call("check", short)
    assert told.code == 0
    lines = told.out.splitlines()
    assert lines[-1] == f"{short}: no problems"
    assert lines[0].split() == ["song", "port", "link", "clocks", "messages", "busy", "a", "clock", "waits"]
    assert [line.split()[:2] for line in lines[1:3]] == [["Tide", "Table"], ["rack", "usb"]]


def test_a_bad_session_exits_2_and_names_every_place(bad: Path, call: Callable[..., Any]) -> None:
    """All errors at once, each with file, line, column, path, the value seen and a near match."""
    told = call("check", bad)
    assert told.code == 2
    flat = " ".join(told.out.split())
    assert f"{bad}:4:30: error: unknown key, got chanel in machines.drums.chanel" in flat
    assert "did you mean channel?" in flat
    assert "no port of this name, got bx in machines.drums.port; did you mean box?" in flat
    assert f"{bad}:5:" in flat
    assert flat.endswith("4 errors; it cannot be played")


@pytest.mark.parametrize("rest", [b"\x00\x00\x00\x06\x00\x00\x00\x01\x01\xe0", b": {"])
def test_a_midi_file_is_not_taken_for_yaml(rest: bytes, tmp_path: Path, call: Callable[..., Any]) -> None:
    """`check x.mid` says what the file is, and the command that makes a session of it, fit for a shell."""
    path = tmp_path / "net loft.mid"
    path.write_bytes(b"MThd" + rest)
    told = call("check", path)
    assert told.code == 2
    flat = " ".join(told.out.split())
    assert f"{path}: error: this is a Standard MIDI File, not a session" in flat
    assert f"takewright draft '{path}' --write 'net loft.yaml'" in flat
    assert flat.endswith("1 error; it cannot be played")
    ran = call("run", path, "--song", "Net Loft")
    assert (ran.code, "takewright draft" in ran.err) == (2, True)


def test_a_warning_exits_1(tmp_path: Path, call: Callable[..., Any]) -> None:
    """A long message on a DIN wire makes a clock wait: a warning, exit 1, and the wait in figures.

    MIDI 1.0: 31.25 kbaud, ten bits a byte, so 320 us a byte. The 73 bytes take 23.36 ms, and from one clock
    to the next there are 20.83 ms at 120: the clock that waits least waits 2.53 ms, and a byte at most more.
    """
    path = tmp_path / "crowded.yaml"
    path.write_text(WARNED, encoding="utf-8")
    told = call("check", path, "--json")
    result = json.loads(told.out)
    (wire,) = result["wires"]
    assert told.code == 1
    assert result["ok"] is False
    assert [problem["severity"] for problem in result["problems"]] == ["warning"]
    assert 2_530_000 < wire["worst_wait_ns"] <= 2_530_000 + 2 * 320_000
    text = call("check", path)
    assert text.code == 1
    assert f"{wire['worst_wait_ns'] / 1e6:.2f} ms at most" in text.out
    assert "1 warning" in text.out


def test_json_has_the_stable_fields(bad: Path, short: Path, call: Callable[..., Any]) -> None:
    """`--json` is one object: file, ok, problems, wires, missing; a problem has place, value and remedy."""
    good = json.loads(call("check", short, "--json").out)
    assert good["ok"] is True
    assert good["problems"] == []
    assert {"song", "port", "link", "clocks", "messages", "worst_wait_ns", "at"} <= set(good["wires"][0])
    result = json.loads(call("check", bad, "--json").out)
    assert set(result) == {"file", "ok", "problems", "wires", "missing", "live"}
    fields = {"message", "path", "line", "column", "seen", "hint", "file", "severity"}
    assert all(set(problem) == fields for problem in result["problems"])
    assert all(problem["line"] > 0 for problem in result["problems"])


def test_a_missing_file_exits_2(tmp_path: Path, call: Callable[..., Any]) -> None:
    """A session file that is not there is said plainly."""
    told = call("check", tmp_path / "nothing.yaml")
    assert told.code == 2
    assert "cannot be read: No such file or directory" in told.err


def test_live_looks_for_ports(
    tmp_path: Path, short: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--live` exits 3 where a port is not there; simulated machines always are, and answer."""
    monkeypatch.setattr(check_live, "computer_rows", lambda: [Row("ok", "rights", "all that is wanted")])
    told = call("check", short, "--live")
    assert told.code == 0, told.out
    assert "ok       port box (drums): device 16 answers: maker 7D" in told.out
    assert "no problems" in told.out.splitlines()[-1]
    result = json.loads(call("check", short, "--live", "--json").out)
    assert {row["sign"] for row in result["live"]} == {"ok"}
    assert result["missing"] == []
    path = tmp_path / "real.yaml"
    text = short.read_text(encoding="utf-8").replace("{simulate: drum-machine}", '{match: "No Such Thing*"}')
    path.write_text(text, encoding="utf-8")
    told = call("check", path, "--live")
    assert told.code == 3
    assert "missing  port box: " in told.out
    assert told.out.splitlines()[-1].endswith("; the rig is not complete")
    assert call("check", path).code == 0


def test_problems_fit_80_columns() -> None:
    """A long problem is broken into lines at blanks; path and hint follow, indented."""
    problem = Problem(
        "must be " + "one of these " * 12, "songs[0].tempo", 7, 3, "0", "write a tempo", "quay.yaml"
    )
    lines = problem_text(problem).splitlines()
    assert lines[0].startswith("quay.yaml:7:3: error: must be one of these")
    assert lines[-1] == "    in songs[0].tempo; write a tempo"
    assert max(map(len, lines)) <= 80


def test_long_names_leave_the_figures_of_a_wire_whole() -> None:
    """Songs, and then ports, are cut in their middle; the names in JSON are not touched."""
    wire = {
        "song": "The Long Way Round the Outer Breakwater at Low Tide, second version",
        "port": "the-port-of-the-second-synthesizer-in-the-rack", "link": "din", "clocks": 123_456,
        "messages": 2000, "busy_share": 0.123, "byte_count": 100, "worst_wait_ns": 1_280_000, "at": "bar 1",
        "behind": "bass",
    }  # fmt: skip
    lines = wire_lines([wire])
    assert max(map(len, lines)) <= 80
    assert lines[1].endswith("din   123456      2000  12.3 %  1.28 ms at most")
    assert "…" in lines[1] and wire["song"].endswith("second version")
    (row,) = wire_lines([{**wire, "port": "front"}])[1:2]
    assert row.startswith("The Long Way…ond version  front  din")


def test_what_a_clock_waits_for_stands_below_its_row() -> None:
    """The table gives the wait; the line after it the place and the message that is in the way."""
    wire = {
        "song": "Net Loft", "port": "quay", "link": "din", "clocks": 96, "messages": 3, "busy_share": 0.021,
        "worst_wait_ns": 1_280_000, "at": "bar 2 beat 1", "behind": "program 4 (songs[0].cues[0])",
    }  # fmt: skip
    head, row, below = wire_lines([wire])
    assert row.split()[-4:] == ["1.28", "ms", "at", "most"]
    assert head.index("a clock") == row.index("1.28")
    assert below.strip() == "at bar 2 beat 1, behind program 4 (songs[0].cues[0])"


def test_stretches_between_loops_are_one_row_for_each_song_and_port() -> None:
    """Sums of clocks and messages, the worst wait with its place, the share of all the time; loops once."""

    def wire(port: str, clocks: int, wait_ns: int, busy: float, count: int) -> dict[str, Any]:
        return {
            "song": "Net Loft", "port": port, "link": "din", "clocks": clocks, "messages": 3,
            "byte_count": count, "busy_share": busy, "worst_wait_ns": wait_ns, "at": f"bar {clocks}",
            "behind": "a note",
        }  # fmt: skip

    legs = [wire("front", 96, 0, 0.1, 100), wire("rack", 0, 0, 0.0, 0)]
    legs += [wire("front", 48, 1_280_000, 0.3, 300), wire("rack", 0, 0, 0.0, 0)]
    front, rack = summed(legs)
    assert (front["clocks"], front["messages"], front["byte_count"]) == (144, 6, 400)
    assert (front["worst_wait_ns"], front["at"]) == (1_280_000, "bar 48")
    assert front["busy_share"] == pytest.approx(0.2)  # 100 bytes of 1000 and 300 of 1000
    assert (rack["messages"], rack["busy_share"]) == (6, 0.0)
    lines = wire_lines(legs)
    assert [line.split()[0] for line in lines[1:]] == ["Net", "at", "rack", "(what"]
    assert not any("counted once" in line for line in wire_lines(legs[:2]))
