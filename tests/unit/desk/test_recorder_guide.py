"""docs/guides/recorder.md: its codes, keys and figures are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

from runner.audit.meanings import MEANINGS
from runner.desk.recorders import AHEAD_NS, COMES_NS, COMES_UNSEEN_NS
from runner.plan.recorder import AFTER_NS, BEFORE_NS
from runner.play.machine_control import ANSWER_NS, RecorderSpec
from runner.play.recorder_report import RecorderReport

PAGE = (Path(__file__).parents[3] / "docs" / "guides" / "recorder.md").read_text("utf-8")


def test_each_code_of_the_guide_is_one_of_an_audit() -> None:
    """The table of what goes wrong names findings by their stable codes."""
    codes = set(re.findall(r"`((?:time-code|recorder)-[a-z-]+)`", PAGE))
    assert len(codes) >= 12
    assert codes <= set(MEANINGS)


def test_the_keys_of_the_report_are_all_there() -> None:
    """Each key of recorder.json but the machine's name is explained."""
    keys = set(RecorderReport("deck").to_dict()) - {"machine"}
    assert all(f"`{key}`" in PAGE for key in keys)


def test_the_figures_are_those_of_the_code() -> None:
    """Spans that the guide states."""
    words = " ".join(PAGE.split())
    assert f"asked {AFTER_NS / 1e9:g} s after each punch in, {BEFORE_NS / 1e9:g} s before" in words
    assert f"After {ANSWER_NS / 1e9:g} s without an answer" in words
    assert f"located {AHEAD_NS / 1e9:g} s ahead" in words
    assert f"`locate: {RecorderSpec('deck').locate_wait_ns / 1e9:g} s`" in words
    assert f"{COMES_NS / 1e9:g} s later ({COMES_UNSEEN_NS / 1e9:g} s if it does not answer)" in words
