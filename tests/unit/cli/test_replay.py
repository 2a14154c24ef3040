"""`takewright replay`: text, JSON, exit codes, settings and messages."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from kept_take import kept_take

from runner.audit.replay import Replay
from runner.audit.replay_compare import Decision, Difference, TickFigures
from runner.audit.replay_settings import SETTINGS
from runner.cli.replay import replay_lines

NONE_DIFFER = TickFigures(500, 0, 0, None, 500, 0)

SESSION = """
session: Lantern Quay, tape
format: 1
ports:
  tape: {simulate: master, settings: {tempo: 120, clocks: 240, lead: 48, jitter: 1 ms, missing: [130]}}
  box: {simulate: drum-machine}
machines:
  deck: {port: tape, kind: recorder}
  drums: {port: box, channel: 10, follows: [clock, transport]}
clock: {source: beat-clock, port: tape, on-dropout: {freewheel: 2 beats, then: stop}}
songs:
  - {song: Slack Water, tempo: 120, meter: 4/4, length: 1 bar, pre-roll: 1 bar}
order: [Slack Water]
"""


@pytest.fixture
def followed(tmp_path: Path) -> Path:
    """A takes folder with one take that followed a clock with one clock missing."""
    kept_take(SESSION, tmp_path, 8)
    return tmp_path / "takes"


def test_a_replay_is_told_in_lines_that_fit(followed: Path, call: Callable[..., Any]) -> None:
    """Decisions with time and place, then that nothing differs; exit 0; 80 columns."""
    told = call("replay", "--takes-folder", followed)
    assert told.code == 0
    assert "bar 1 beat 2 5/12: 1 clock is missing [clock-missing]" in told.out
    assert "acquiring -> locked: settled" in told.out
    assert told.out.rstrip().endswith("all predicted as in the take, to the nanosecond")
    assert "not as in the take" not in told.out
    assert max(map(len, told.out.splitlines())) <= 80


def test_the_replay_as_json(followed: Path, call: Callable[..., Any]) -> None:
    """`--json` holds take, settings, decisions, differences and the clocks' figures."""
    data = json.loads(call("replay", "last", "--takes-folder", followed, "--json").out)
    assert data["same"] is True
    assert data["settings"] == {}
    assert data["ticks"]["differing"] == 0
    assert {"lock", "finding", "settled"} <= {decision["kind"] for decision in data["decisions"]}


def test_settings_are_tried_and_what_they_change_is_marked(followed: Path, call: Callable[..., Any]) -> None:
    """Other settings may differ from the take without an error; `-` was then, `+` is now."""
    told = call("replay", "--takes-folder", followed, "--set", "lock-limit=0.6 ms", "--set", "then=carry-on")
    assert told.code == 0
    assert "lock-limit=0.6 ms, then=carry-on" in " ".join(told.out.split())
    marks = [line[0] for line in told.out.splitlines() if line[:2] in ("- ", "+ ")]
    assert {"-", "+"} == set(marks)


def made(*differences: Difference, ticks: TickFigures = NONE_DIFFER) -> list[str]:
    """The lines of a replay that was not played."""
    return replay_lines(Replay("Ropewalk/7", {"then": "carry-on"}, (), differences, ticks))


def test_clocks_that_are_predicted_no_more_are_told_as_such() -> None:
    """A refused clock has no prediction, so it differs by no time: never "by up to 0.000 ms"."""
    ticks = TickFigures(500, 377, 0, "bar 1 beat 2", 123, 377, only_then=377)
    assert " ".join(made(ticks=ticks)[-1].split()) == (
        "500 clocks came in, 377 of them refused; 377 predicted in the take and not now; "
        "the first of these at bar 1 beat 2"
    )
    ticks = TickFigures(500, 9, 400, None, 500, 0, only_now=2)
    assert " ".join(made(ticks=ticks)[-1].split()) == (
        "500 clocks came in; 7 predicted otherwise than in the take, by up to 400 ns, "
        "2 predicted now and not in the take"
    )


def test_rows_that_went_and_came_never_look_alike() -> None:
    """A moment that moved by a microsecond is told so finely that it shows."""
    first = Decision("finding", 5_083_000_000, "bar 1", "1 clock is missing", "clock-missing")
    moved = (Difference("take", first), Difference("now", first._replace(t_ns=first.t_ns + 1_000)))
    rows = [line for line in made(*moved) if line[:2] in ("- ", "+ ")]
    assert [row.split()[1] for row in rows] == ["5.083000", "5.083001"]
    rows = [line for line in made(moved[0]) if line[:2] in ("- ", "+ ")]
    assert [row.split()[1] for row in rows] == ["5.083"]


def test_a_difference_without_settings_is_exit_1(followed: Path, call: Callable[..., Any]) -> None:
    """A take whose record says otherwise than today's follower gives 1, for use in scripts."""
    events = next(followed.glob("*/*/*/*/events.jsonl"))
    events.write_text(
        events.read_text().replace("1 clock is missing", "x").replace("clock-missing", "clock-extra")
    )
    told = call("replay", "--takes-folder", followed)
    assert told.code == 1
    assert "not as in the take (- then, + now):" in told.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--set", "freewheel"), "is no setting; write key=value"),
        (("--set", "=4"), "is no setting; write key=value"),
        (("--set", "then=stop", "--set", "then=stop"), "given twice"),
        (("--set", "frewheel=4 beats"), "did you mean freewheel?"),
        (("--set", "freewheel=many"), "such as freewheel=4 beats"),
    ],
)
def test_bad_settings_are_usage_errors(
    words: tuple[str, ...], said: str, followed: Path, call: Callable[..., Any]
) -> None:
    """Exit 2 and one message that says what would be right."""
    told = call("replay", "--takes-folder", followed, *words)
    assert told.code == 2
    assert said in " ".join(told.err.split())
    assert "internal" not in told.err


def test_a_take_that_was_its_own_master_cannot_be_replayed(takes: Path, call: Callable[..., Any]) -> None:
    """The message says why."""
    told = call("replay", "ropewalk/2", "--takes-folder", takes)
    assert told.code == 2
    assert "was its own clock master" in told.err


def test_the_guides_session_is_good_and_its_settings_are_all_there(
    tmp_path: Path, call: Callable[..., Any]
) -> None:
    """docs/guides/following.md: `check` takes its session, and its table names every setting and no other."""
    page = (Path(__file__).parents[3] / "docs" / "guides" / "following.md").read_text(encoding="utf-8")
    session = page.partition("```yaml\n")[2].partition("```")[0]
    (tmp_path / "tape.yaml").write_text(session, encoding="utf-8")
    told = call("check", tmp_path / "tape.yaml")
    assert told.code == 0, told.out + told.err
    table = page.partition("| setting | such as |")[2]
    named = [
        word
        for row in table.splitlines()
        if row.startswith("| `")
        for word in re.findall(r"`([a-z-]+)`", row.split("|")[1])
    ]
    assert sorted(named) == sorted(SETTINGS)
