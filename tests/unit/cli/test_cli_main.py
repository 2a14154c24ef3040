"""The command `takewright` itself: help, wrong use, exit codes, text that fits."""

from __future__ import annotations

import io
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from runner.cli import schema
from runner.cli.main import COMMANDS, run, takewright
from runner.cli.wording import say
from runner.errors import InternalError, RigError


def test_help_names_every_command(call: Callable[..., Any]) -> None:
    """`--help` lists all commands with a line each, and warns that MIDI is no safety system."""
    told = call("--help")
    assert told.code == 0
    for name, _, text in COMMANDS:
        assert f"{name} " in told.out
        assert text in told.out
    assert "MIDI is no safety system" in told.out


@pytest.mark.parametrize("name", [name for name, _, _ in COMMANDS])
def test_every_command_can_be_had_and_explains_itself(name: str, call: Callable[..., Any]) -> None:
    """Each command of the list exists, has the name that the list gives it, and help that fits 80 columns."""
    command = takewright.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    assert command.name == name
    told = call(name, "--help")
    assert told.code == 0
    assert max(len(line) for line in told.out.splitlines()) <= 80


def test_help_imports_nothing_heavy() -> None:
    """`--help` must come at once: it loads no command, no model, no MIDI library."""
    code = (
        "import sys\nfrom runner.cli.main import run\nassert run(['--help']) == 0\n"
        "print(sorted(set(sys.modules) & {'pydantic', 'rich', 'rtmidi', 'mido', 'yaml'}), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_unknown_commands_and_options_exit_2(call: Callable[..., Any]) -> None:
    """A misspelt command is told what is near; a wrong option is a usage error too."""
    told = call("pln", "x.yaml")
    assert told.code == 2
    assert "did you mean plan?" in told.err
    assert call("qqqq").code == 2
    told = call("plan", "x.yaml", "--sing", "Ropewalk")
    assert told.code == 2
    assert "--sing" in told.err


def test_the_version_is_that_of_the_package(call: Callable[..., Any]) -> None:
    """`--version` gives the name and a version with dots."""
    told = call("--version")
    assert told.code == 0
    assert told.out.startswith("takewright 0.")


@pytest.mark.parametrize(
    ("error", "code", "text"),
    [
        (RigError("port front: no such port"), 3, "takewright: port front: no such port"),
        (InternalError("a leg without an end"), 4, "takewright: a leg without an end"),
        (ZeroDivisionError("division by zero"), 4, "internal error: ZeroDivisionError"),
        (KeyboardInterrupt(), 130, ""),
    ],
)
def test_errors_become_exit_codes(
    error: BaseException,
    code: int,
    text: str,
    call: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each kind of error has its exit code and a line on standard error, never a traceback."""

    def fail() -> None:
        raise error

    monkeypatch.setattr(schema.command, "callback", fail)
    told = call("schema")
    assert told.code == code
    assert text in told.err
    assert "Traceback" not in told.err


def test_a_reader_that_goes_away_is_no_error() -> None:
    """`takewright schema | head -1` ends quietly: 0, nothing on standard error."""
    command = f"{{ {sys.executable} -m runner.cli schema; echo $? >&2; }} | head -n 1"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=True)
    assert done.stdout == "{\n"
    assert done.stderr.strip() == "0"


def test_a_full_disk_behind_the_output_is_told_in_a_line() -> None:
    """`takewright schema > file` on a full disk (Linux: /dev/full refuses all writes): exit 4."""
    with open("/dev/full", "w") as full:
        command = [sys.executable, "-m", "runner.cli", "schema"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 4
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_long_errors_are_broken_between_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every word stays whole in 80 columns; a file or pipe gets the line as it is, to be searched."""
    monkeypatch.setenv("COLUMNS", "80")
    text = "takewright: session file " + "quay/" * 8 + "nope.yaml cannot be read: No such file or directory"
    terminal, pipe = _Terminal(), io.StringIO()
    say(text, terminal)
    say(text, pipe)
    lines = terminal.getvalue().splitlines()
    assert len(lines) == 2 and max(map(len, lines)) <= 80
    assert " ".join(terminal.getvalue().split()) == text
    assert pipe.getvalue() == text + "\n"


def test_errors_of_use_are_broken_on_a_terminal_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Those that the command line's own library words go the same way."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stderr", terminal := _Terminal())
    assert run(["run", "quay.yaml", "--tempo", "not-a-tempo " * 8]) == 2
    assert "Error: Invalid value for '--tempo'" in terminal.getvalue()
    assert max(map(len, terminal.getvalue().splitlines())) <= 80
