"""docs/guides/controls.md: its sessions load, and its figures are those of the code."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from runner.desk.controls import HYSTERESIS
from runner.desk.lamps import BYTE_NS
from runner.session.load import load_session
from runner.session.model_desk import MAX_LAMP_BYTES, ControlSpec, LampState

PAGE = (Path(__file__).parents[3] / "docs" / "guides" / "controls.md").read_text("utf-8")
REST = """\
session: Lantern Quay
format: 1
songs: [{song: Ropewalk, tempo: 120, length: 8 bars}]
"""


def test_the_examples_load_without_a_warning() -> None:
    """Each example stands in a session as it is, once its ports are there."""
    blocks = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
    assert len(blocks) == 3
    for block in blocks:
        text = block if "ports:" in block else f'ports: {{rack: {{match: "Rack*"}}}}\nlamps:\n{block}'
        found = load_session((REST + text).encode(), "guide.yaml")
        assert [notice for notice in found.notices if notice.severity != "note"] == []


def test_the_guide_names_every_lamp_state() -> None:
    """A player finds every state a lamp can show."""
    for state in get_args(LampState):
        assert f"`{state}`" in PAGE


def test_the_guide_s_figures_are_in_force() -> None:
    """Times and limits on the page are the defaults of the session file and the code's."""
    default = {name: field.default for name, field in ControlSpec.model_fields.items()}
    assert f"after {default['long_after_ns'] // 10**6} ms (`long-after`)" in PAGE
    assert f"within {default['double_within_ns'] // 10**6} ms of the first" in PAGE
    assert f"**debounce** ({default['debounce_ns'] // 10**6} ms)" in PAGE
    assert f"{HYSTERESIS} below its threshold" in PAGE
    assert f"{10**9 // BYTE_NS} bytes a second" in PAGE
    assert f"may have {MAX_LAMP_BYTES} bytes" in PAGE
