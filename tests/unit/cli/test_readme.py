"""README and guides say what the program does: commands, session, outputs, links."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest

from runner.cli.main import takewright

REPOSITORY = Path(__file__).parents[3]
PAGES = [
    REPOSITORY / name
    for name in (
        "README.md",
        "DEVELOPERS.md",
        "docs/guides/audit.md",
        "docs/guides/following.md",
        "docs/guides/home-studio.md",
        "docs/guides/parts.md",
        "docs/guides/stage.md",
    )
]
README = PAGES[0].read_text(encoding="utf-8")


def blocks(kind: str) -> list[str]:
    """Return the README's code blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)\n```$", README, re.DOTALL | re.MULTILINE)


def test_the_two_commands_that_set_up_stand_alone() -> None:
    """The README opens with the job; one line installs and plays, and one installs and tests."""
    lines = README.splitlines()
    setups = [line for line in lines if line.startswith("python3 -m venv .venv")]
    assert len(setups) == 2
    assert setups[0].endswith(".venv/bin/pip install -q . && .venv/bin/takewright demo")
    assert [line for line in setups if "pytest" in line] == [setups[1]]
    for line in setups:
        at = lines.index(line)
        assert (lines[at - 1], lines[at + 1]) == ("```sh", "```")
    assert lines[0] == "# Takewright"
    assert lines[2].startswith("Takewright runs the takes of a MIDI rig")


def test_the_readmes_session_is_good_and_its_plan_is_the_one_shown(
    tmp_path: Path, call: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`check` and `plan` of the session in the README print, to the letter, what the README shows."""
    (session,) = [block for block in blocks("yaml") if "\nsession: " in block]
    (tmp_path / "evening.yaml").write_text(session + "\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for words in (("check", "evening.yaml"), ("plan", "evening.yaml")):
        told = call(*words)
        line = f"$ takewright {' '.join(words)}\n"
        shown = next(block for block in blocks("text") if block.startswith(line))
        assert told.code == 0
        assert told.out.rstrip() == shown.partition("\n")[2].rstrip()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_in_the_pages_exist(page: Path) -> None:
    """Every command line shown has a command that there is, and options that it knows."""
    text = page.read_text(encoding="utf-8")
    shown = re.findall(r"^(?:\$ )?(takewright .*)$", text, re.MULTILINE)
    shown += [quote for quote in re.findall(r"`(takewright [^`\n]+)`", text) if " bench" not in quote]
    for line in shown:
        name, *words = shlex.split(line, comments=True)[1:]
        if name.startswith("--"):
            continue
        command = takewright.get_command(None, name)  # type: ignore[arg-type]
        assert command is not None, line
        if isinstance(command, click.Group):  # `takes` lists unless it is told to export
            command = command.commands[words[0] if words[:1] and words[0] in command.commands else "list"]
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known, line


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_files_in_the_pages_exist(page: Path) -> None:
    """Relative links lead somewhere, and files and folders of the repository that are named are there."""
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
        assert (page.parent / target).exists(), target
    for name in re.findall(r"`((?:runner|tests|configs|docs)/[^`*<> ]*)`", text):
        assert (REPOSITORY / name).exists(), name


def test_shown_output_fits_80_columns() -> None:
    """What the README shows of the program's text is as wide as a plain terminal."""
    for block in blocks("text"):
        assert max(map(len, block.splitlines())) <= 80, block
