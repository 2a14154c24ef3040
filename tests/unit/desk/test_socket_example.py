"""docs/control-socket.md: its example runs as it stands, and its tables are those of the code."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

from fake_desk import ROLLING, FakeDesk

from runner.desk.actions import Outcome
from runner.desk.server import MAX_CLIENTS
from runner.desk.server_client import ORDERS_PER_S
from runner.desk.socket_file import LONGEST_PATH
from runner.desk.status import STATES, Status
from runner.desk.talk import PROTOCOL, REQUEST_LIMIT, Ask, Say
from runner.framing import VERSION

PAGE = (Path(__file__).parents[3] / "docs" / "control-socket.md").read_text("utf-8")


def test_the_example_marks_the_take_and_follows_the_bars(tmp_path: Path) -> None:
    """A program in plain Python speaks to the daemon as the page says."""
    (example,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert "runner" not in example
    command = [sys.executable, "-c", example, str(tmp_path / "s")]
    with (
        FakeDesk(tmp_path / "s", {"mark lights are on": Outcome(True, "marked")}) as desk,
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process,
    ):
        assert process.stdout is not None
        assert process.stdout.readline() == "done: marked\n"
        assert process.stdout.readline() == "bar 17\n"
        desk.publish(replace(ROLLING, at="bar 17 beat 4"))
        desk.publish(replace(ROLLING, at="bar 18 beat 1"))
        assert process.stdout.readline() == "bar 18\n"
        desk.__exit__()
        _, trouble = process.communicate(timeout=30)
    assert trouble == "the daemon has ended\n"
    assert [(str(order), order.origin) for order in desk.orders] == [("mark lights are on", "lights")]


def test_the_page_names_every_kind_field_and_state() -> None:
    """Nothing can be sent that the page does not tell of."""
    for kind in (*Ask, *Say):
        assert f"| {int(kind)} " in PAGE
    for field in fields(Status):
        assert f"`{field.name}`" in PAGE
    for state in STATES:
        assert f"`{state}`" in PAGE


def test_the_page_s_limits_are_those_of_the_code() -> None:
    """The figures on the page are in force."""
    assert f"{REQUEST_LIMIT:,} bytes long" in PAGE
    assert f"{MAX_CLIENTS} clients at most" in PAGE
    assert f"{ORDERS_PER_S} orders at once" in PAGE
    assert f"{LONGEST_PATH} bytes at most" in PAGE
    assert f"`protocol` is {PROTOCOL}" in PAGE and f"framing: {VERSION}" in PAGE
