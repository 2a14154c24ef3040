"""`takewright plan`: everything that would be sent, as JSON for programs and as text for people."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

FIELDS = {"t_ns", "at", "port", "machine", "bytes", "what", "source"}


def test_json_rows_have_the_stable_fields(short: Path, call: Callable[..., Any]) -> None:
    """Rows are in order of time, bytes are spaced upper-case hex, notes stand where they were written."""
    told = call("plan", short, "--json")
    rows = json.loads(told.out)
    assert told.code == 0
    assert all(set(row) == FIELDS for row in rows)
    assert all(re.fullmatch(r"[0-9A-F]{2}( [0-9A-F]{2})*", row["bytes"]) for row in rows)
    times = [row["t_ns"] for row in rows]
    assert times == sorted(times)
    (note,) = [row for row in rows if row["bytes"].startswith("90")]
    assert note == {
        "t_ns": 0, "at": "bar 1 beat 1", "port": "rack", "machine": "bass", "bytes": "90 28 50",
        "what": note["what"], "source": "songs[0].cues[1]",
    }  # fmt: skip
    (off,) = [row for row in rows if row["bytes"].startswith("80")]
    assert off["t_ns"] == 1_000_000_000  # a bar of four quarters at 240 a minute


def test_the_plan_has_24_clocks_a_quarter_and_start_before_them(
    short: Path, call: Callable[..., Any]
) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1: 24 clocks a quarter (p. 30), Start at least 1 ms before the
    clock that plays the downbeat (p. 30), and bar 1 is played by that clock."""
    rows = [row for row in json.loads(call("plan", short, "--json").out) if row["port"] == "box"]
    counts = Counter(row["bytes"] for row in rows)
    clocks = [row["t_ns"] for row in rows if row["bytes"] == "F8"]
    song = [t for t in clocks if 0 <= t < 2_000_000_000]
    assert len(song) == 2 * 4 * 24
    assert song[0] == 0
    assert counts["FA"] == counts["FC"] == 1
    starts = [row["t_ns"] for row in rows if row["bytes"] == "FA"]
    before = max(t for t in clocks if t < 0)
    assert all(before < t <= -1_000_000 for t in starts)


def test_from_locates_those_who_follow_and_names_those_who_cannot(
    short: Path, call: Callable[..., Any]
) -> None:
    """From bar 2: Song Position Pointer 16 (16 sixteenths, LSB first, MIDI 1.0 p. 27), then Continue; the
    program of bar 1 is sent first; the recorder that cannot follow position is named."""
    rows = json.loads(call("plan", short, "--from", "bar 2", "--json").out)
    sent = [row["bytes"] for row in rows if row["bytes"] != "F8"]
    assert "F2 10 00" in sent
    assert sent.index("F2 10 00") < sent.index("FB")
    assert sent.index("C0 21") < sent.index("FB")
    assert "FA" not in sent
    text = call("plan", short, "--from", "ebb").out
    assert "deck is not started: it " in text
    assert "song position 16 sixteenths" in text


def test_text_fits_and_sums_up(example: Callable[[str], Path], call: Callable[..., Any]) -> None:
    """The text of every example fits 80 columns, sums clocks and parts up, and keeps cues apart."""
    for name in ("demo.yaml", "stage-set.yaml", "home-overdub.yaml"):
        told = call("plan", example(name))
        assert told.code == 0
        assert max(len(line) for line in told.out.splitlines()) <= 80
        assert len(told.out.splitlines()) < 200
        assert "messages of its parts" in told.out
    assert "clocks" in told.out


def test_all_shows_each_message(short: Path, call: Callable[..., Any]) -> None:
    """`--all` has a line with its own time for each row of the JSON."""
    rows = json.loads(call("plan", short, "--json").out)
    lines = call("plan", short, "--all").out.splitlines()
    times = [line.split()[0] for line in lines[2:] if not line.startswith(" " * 12)]
    assert times == [f"{row['t_ns'] / 1e9:.4f}" for row in rows]


def test_wrong_songs_and_moments_exit_2(short: Path, bad: Path, call: Callable[..., Any]) -> None:
    """Near matches for a song; a moment that is none, a section that is not there, a bad file: all 2."""
    told = call("plan", short, "--song", "Tide Tabel")
    assert told.code == 2
    assert "did you mean Tide Table?" in told.err
    told = call("plan", short, "--from", "17:3")
    assert told.code == 2
    assert "bar 17 beat 3" in told.err
    assert call("plan", short, "--from", "bar 99").code == 2
    told = call("plan", short, "--from", "eb")
    assert told.code == 2
    assert "eb" in told.err
    assert call("plan", bad).code == 2


def test_an_early_machine_is_planned_early(tmp_path: Path, short: Path, call: Callable[..., Any]) -> None:
    """An offset shifts all that a machine is sent, and is in the plan's times already."""
    text = short.read_text(encoding="utf-8").replace("settle: 20 ms", "settle: 20 ms, offset: -5 ms")
    path = tmp_path / "early.yaml"
    path.write_text(text, encoding="utf-8")
    rows = json.loads(call("plan", path, "--json").out)
    (note,) = [row for row in rows if row["bytes"] == "90 28 50"]
    assert note["t_ns"] == -5_000_000
    assert note["at"] == "bar 1 beat 1"


def test_the_text_begins_with_a_picture_and_the_parts_in_figures(
    example: Callable[[str], Path], call: Callable[..., Any]
) -> None:
    """Sections, meters, tempos, notes and cues over the bars, then each part's notes, keys and velocities."""
    lines = call("plan", example("stage-set.yaml"), "--song", "Ropewalk").out.splitlines()
    assert lines[0] == "Ropewalk: 64 bars, 1:58, lead 4 s, pre-roll 2 bars, tail 1 bar"
    names = [line[:11].strip() for line in lines[2:12]]
    assert names == [
        "bars", "sections", "meter", "tempo", "bass", "cues", "strings", "cues", "drums cues", "a column is"
    ]  # fmt: skip
    assert "  bass: 208 notes in bars 1 to 64, keys 36 to 52, velocity 96" in lines


def test_a_rehearsal_is_planned_as_it_is_asked(
    example: Callable[[str], Path], call: Callable[..., Any]
) -> None:
    """Half the tempo, a loop, an end and a solo: 24 clocks a quarter note for 4 + 2 x 2 bars, one part."""
    words = (
        "--song", "Ropewalk", "--to", "bar 5", "--loop", "bar 3 to bar 5, 3 times", "--tempo", "50",
        "--solo", "bass",
    )  # fmt: skip
    rows = json.loads(call("plan", example("stage-set.yaml"), *words, "--json").out)
    clocks = [row["t_ns"] for row in rows if row["bytes"] == "F8" and row["t_ns"] >= -2_500_000]
    assert len(clocks) == 8 * 96
    assert clocks[96] - clocks[0] == round(4 * 60e9 / 56)  # a bar at 56 quarter notes a minute
    assert {row["machine"] for row in rows if row["bytes"].startswith("9")} == {"bass"}


def test_a_rehearsal_that_cannot_be_is_refused(short: Path, call: Callable[..., Any]) -> None:
    """Empty, unreadable or outside the song: exit 2 and words that do not blame the file."""
    for words, told in (
        (("--from", ""), "--from"),
        (("--loop", "bar 1"), "bar 9 to bar 17, 4 times"),
        (("--tempo", "1"), "10 to 400"),
        (("--mute", "bas"), "did you mean bass?"),
        (("--from", "bar -7"), "cannot begin Tide Table at bar -7: it begins at bar 1"),
        (("--to", "bar 1"), "not after the beginning"),
    ):
        refused = call("plan", short, *words)
        assert refused.code == 2
        assert told in " ".join(refused.err.split())
        assert str(short) not in refused.err
