"""`takewright takes`: which takes are listed, in what order, and how long names fit into 80 columns."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from runner.cli.wording import middle_shortened
from runner.takes.rating import rate

Call = Callable[..., Any]


@pytest.fixture(autouse=True)
def _quay_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let local time be UTC, so that a day is the same day everywhere."""
    import time

    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


def place(takes: Path, song: str, number: int) -> Path:
    """Return the folder of one of the takes of the fixture."""
    return takes / "Lantern Quay, evening run" / song / "bass overdub" / f"take-{number:04d}"


def names(told: Any) -> list[str]:
    """Return song and number of each take of a list in JSON."""
    return [f"{row['song']} {row['number']}" for row in json.loads(told.out)]


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (("--song", "ropewalk"), ["Ropewalk 1", "Ropewalk 2"]),
        (("--song", "net*"), ["Net Loft 1"]),
        (("--pass", "bass*", "--verdict", "interrupted"), ["Net Loft 1"]),
        (("--pass", "drums"), []),
        (("--verdict", "clean", "--verdict", "interrupted"), ["Net Loft 1", "Ropewalk 1", "Ropewalk 2"]),
        (("--code", "stopped-*"), ["Net Loft 1"]),
        (("--since", "2026-05-04 19:32"), ["Ropewalk 2"]),
        (("--until", "2026-05-04 19:32"), ["Net Loft 1", "Ropewalk 1"]),
        (("--since", "2026-05-04", "--until", "2026-05-04"), ["Net Loft 1", "Ropewalk 1", "Ropewalk 2"]),
        (("--since", "2026-05-05"), []),
        (("--until", "2026-05-03"), []),
        (("--session", "*evening*", "--song", "Ropewalk"), ["Ropewalk 1", "Ropewalk 2"]),
        (("--kept",), ["Ropewalk 2"]),
        (("--discarded",), ["Net Loft 1"]),
        (("--unrated",), ["Ropewalk 1"]),
        (("--sort", "verdict"), ["Ropewalk 1", "Ropewalk 2", "Net Loft 1"]),
        (("--sort", "song", "--reverse"), ["Ropewalk 2", "Ropewalk 1", "Net Loft 1"]),
        (("--sort", "length", "--reverse", "--song", "r*"), ["Ropewalk 2", "Ropewalk 1"]),
    ],
)
def test_takes_are_filtered_and_sorted(
    takes: Path, call: Call, options: tuple[str, ...], expected: list[str]
) -> None:
    """Each filter leaves the takes that fit all of them; `--sort` puts them in order."""
    rate(place(takes, "Ropewalk", 2), "keep")
    rate(place(takes, "Net Loft", 1), "discard")
    assert names(call("takes", takes, "--json", *options)) == expected


def test_what_was_kept_is_seen_at_once(takes: Path, call: Call) -> None:
    """A rating that is given after the list was made shows in the next one, in text and in JSON."""
    told = call("takes", takes).out
    assert "+2" not in told and "before a take's number" not in told
    rate(place(takes, "Ropewalk", 2), "keep")
    told = call("takes", takes).out
    assert " +2 " in told and told.splitlines()[-1] == "before a take's number: + kept"
    rate(place(takes, "Ropewalk", 1), "keep")
    rate(place(takes, "Ropewalk", 2), "discard")
    told = call("takes", takes).out
    assert " -2 " in told and told.splitlines()[-1] == "before a take's number: + kept, - discarded"
    row = json.loads(call("takes", takes, "--json", "--discarded").out)[0]
    assert (row["kept"], row["rating"], row["marks"]) == (False, "discard", 0)


def test_no_take_like_that_says_how_many_there_are(takes: Path, call: Call) -> None:
    """A filter that nothing fits is not taken for an empty folder."""
    told = call("takes", takes, "--song", "Fog Signal")
    assert told.code == 0 and told.out == f"no such take among the 3 in {takes}\n"
    assert call("takes", takes, "--song", "ropewalk").out.splitlines()[-1].startswith("2 takes of 3 in ")


@pytest.mark.parametrize("words", [("--since", "yesterday"), ("--until", "2026-13-01"), ("--sort", "colour")])
def test_options_that_make_no_sense_exit_2(takes: Path, call: Call, words: tuple[str, str]) -> None:
    """The error names the option and what was given."""
    told = call("takes", takes, *words)
    assert told.code == 2
    assert words[1] in told.err


def test_long_names_leave_the_last_columns_whole(takes: Path, call: Call) -> None:
    """Names give way in their middle, findings go on in further lines, and nothing passes 80 columns."""
    file = place(takes, "Net Loft", 1) / "take.json"
    summary = json.loads(file.read_bytes())
    summary["song"] = "The Long Way Round the Outer Breakwater at Low Tide, second version"
    summary["pass"] = "organ and slide whistle overdub, the quiet one"
    codes = ("clock-late", "message-late", "program-late", "port-send-failed", "input-overflow")
    summary["seconds"] = 180.0
    summary["findings"] = [{"code": code} for code in codes]
    file.write_text(json.dumps(summary))
    out = call("takes", takes).out
    lines = out.splitlines()[:-1]
    assert max(map(len, lines)) <= 80
    (row,) = (line for line in lines if "interrupted" in line)
    assert "The Lo" in row and "rsion" in row and "…" in row
    assert all(code in out for code in codes)


def test_a_file_in_the_place_of_the_folder_is_named(tmp_path: Path, call: Call) -> None:
    """A takes folder that is a file is said plainly, given by hand or by a session."""
    (tmp_path / "takes").write_text("not here")
    told = call("takes", tmp_path / "takes")
    assert told.code == 2
    assert f"{tmp_path / 'takes'} is a file: name a folder of takes" in told.err
    from_session = tmp_path / "evening.yaml"
    from_session.write_text(
        "session: Lantern Quay\nformat: 1\nports: {quay: {create: quay}}\nmachines: {drums: {port: quay}}\n"
        "songs: [{song: Ropewalk, tempo: 112, meter: 4/4, length: 4 bars}]\n"
    )
    told = call("takes", from_session)
    assert told.code == 2 and "that is a file, no folder" in told.err


def test_a_broken_session_file_does_not_hide_the_takes(takes: Path, bad: Path, call: Call) -> None:
    """The takes beside a session file that cannot be read are listed; the problem is said."""
    told = call("takes", bad)
    assert told.code == 0
    assert "bad.yaml" in told.err
    assert told.out.splitlines()[-1].startswith("3 takes in ")


@pytest.mark.parametrize(
    ("text", "most", "expected"),
    [("Ropewalk", 8, "Ropewalk"), ("Ropewalk", 7, "Rop…alk"), ("Net Loft", 5, "Ne…ft"), ("Tide", 2, "T…")],
)
def test_names_are_shortened_in_their_middle(text: str, most: int, expected: str) -> None:
    """Beginning and end stay, since names often differ there."""
    assert middle_shortened(text, most) == expected
    assert len(middle_shortened(text, most)) <= most
