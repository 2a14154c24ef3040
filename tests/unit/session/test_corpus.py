"""The corpus of good and bad session files: add a file and what it is to give beside it.

`bad/NAME.yaml` must be refused with exactly the lines of `bad/NAME.expected`; `good/NAME.yaml` must load
with exactly the notices of `good/NAME.expected`. The expected lines are written by hand or looked at one by
one: ``python tests/corpus/sessions/show.py FILE`` prints what a file gives now.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.errors import SessionError
from runner.session.load import load_session

CORPUS = Path(__file__).parents[2] / "corpus" / "sessions"
BAD = sorted((CORPUS / "bad").glob("*.yaml"))
GOOD = sorted((CORPUS / "good").glob("*.yaml"))


def expected(path: Path) -> list[str]:
    """Return the lines that a corpus file is to give."""
    return path.with_suffix(".expected").read_text("utf-8").splitlines()


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_bad_session_is_refused_with_every_problem(path: Path) -> None:
    """A bad file is refused with all its problems, in file order, worded as expected."""
    with pytest.raises(SessionError) as caught:
        load_session(path.read_bytes(), path.name)
    assert [str(problem) for problem in caught.value.problems] == expected(path)


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_every_problem_of_a_bad_session_has_a_line(path: Path) -> None:
    """Each problem of a bad file names a line and a column that the file has."""
    lines = path.read_bytes().decode("utf-8", "replace").splitlines()
    with pytest.raises(SessionError) as caught:
        load_session(path.read_bytes(), path.name)
    for problem in caught.value.problems:
        assert 1 <= problem.line <= len(lines) + 1, problem
        text = lines[problem.line - 1] if problem.line <= len(lines) else ""
        assert 1 <= problem.column <= len(text) + 1, problem


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_good_session_loads_with_its_notices(path: Path) -> None:
    """A good file loads and gives the expected warnings and notes."""
    loaded = load_session(path.read_bytes(), path.name)
    assert [str(problem) for problem in loaded.notices] == expected(path)
    assert loaded.session.songs


def test_corpus_is_there() -> None:
    """The corpus holds files of both kinds, so that the tests above test something."""
    assert len(BAD) >= 30
    assert len(GOOD) >= 5
