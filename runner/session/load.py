"""The text of a session file into a checked session, or into everything that is wrong with it.

Reading goes on as far as it can: values that the model refuses are set aside and the rest is checked
against the rest, so that a wrong tempo in one song does not hide a misspelt machine in another.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field, replace
from pathlib import PurePath

from pydantic import ValidationError

from runner.errors import Problem, SessionError
from runner.session.check import check_session
from runner.session.marks import Marks
from runner.session.model import Session
from runner.session.not_yet import not_yet
from runner.session.set_aside import Remainder, set_aside, set_aside_more
from runner.session.wording import MAX_PROBLEMS, problems_of
from runner.session.yaml_tree import Node, Path, Plain, decode, read_tree

_MIDI_FILE = b"MThd"  #: how every Standard MIDI File begins (RP-001)


@dataclass(frozen=True, slots=True)
class LoadedSession:
    """A session that can be played; `notices` are warnings and notes, none of them an error."""

    session: Session
    marks: Marks
    notices: list[Problem] = field(default_factory=list)
    text: str = ""


def load_session(text: str | bytes, file: str = "session") -> LoadedSession:
    """Return the session that a file's text, or its bytes, describes.

    Raises:
        SessionError: with every problem found, in the order of the file.
    """
    if isinstance(text, bytes):
        if text.startswith(_MIDI_FILE):
            raise SessionError([_midi_file(file)])
        text, problems = decode(text, file)
        if problems:
            raise SessionError(problems)
    tree = read_tree(text, file)
    if tree.root is None:
        raise _refused(tree.problems or [Problem("the file is empty", line=1, column=1, file=file)])
    marks = Marks(tree.root, file)
    if tree.root.entries is None:
        problem = marks.problem(
            (), "a session is a mapping of keys and values", hint="begin with `session: NAME`"
        )
        raise _refused([*tree.problems, problem])
    empty = _empty_values(tree.root, marks)
    problems = [*tree.problems, *empty.values()]
    session, refused = _validate(tree.root.plain(), marks)
    # what only follows from an empty or unreadable value is not told twice
    told = {*empty, *(path[:-1] for path in empty)}
    places = {(problem.line, problem.column) for problem in tree.problems}
    if session is not None:
        found = check_session(session, marks, Remainder())
    else:
        more, found = _check_rest(tree.root, marks, [path for path, _ in refused])
        refused += more
    problems += [
        problem
        for path, problem in refused
        if path not in told and (problem.line, problem.column) not in places
    ]
    if session is None:
        raise _refused([*problems, *(each for each in found if each.severity == "error")])
    return _judged(LoadedSession(session, marks, text=text), [*problems, *found])


def _midi_file(file: str) -> Problem:
    """Return what to do with a Standard MIDI File: its bytes are no text that could be told what is wrong."""
    target = shlex.quote(str(PurePath(file).with_suffix(".yaml").name))
    return Problem(
        "this is a Standard MIDI File, not a session",
        hint=f"draft a session from it: takewright draft {shlex.quote(file)} --write {target}",
        file=file,
    )


def check_again(loaded: LoadedSession, session: Session, more: list[Problem]) -> LoadedSession:
    """Return a loaded session in which `session` stands instead, checked as if it had been read like that.

    `more` are problems that were found on the way. Raises SessionError like `load_session`.
    """
    found = check_session(session, loaded.marks, Remainder())
    return _judged(replace(loaded, session=session), [*more, *found])


def _judged(loaded: LoadedSession, problems: list[Problem]) -> LoadedSession:
    """Return the session with its notices; raise SessionError if there are errors among the problems."""
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors:
        raise _refused(errors)
    notices = [*problems, *not_yet(loaded.session, loaded.marks)]
    return replace(loaded, notices=list(dict.fromkeys(_in_order(notices))))


def _validate(plain: Plain, marks: Marks) -> tuple[Session | None, list[tuple[Path, Problem]]]:
    try:
        return Session.model_validate(plain), []
    except ValidationError as error:
        return None, problems_of(error, marks)


def _check_rest(
    root: Node, marks: Marks, refused: list[Path]
) -> tuple[list[tuple[Path, Problem]], list[Problem]]:
    """Check a session with refused values as far as it can be known.

    Returns what else is refused now that those values no longer hide it, and the problems of names and
    moments.
    """
    if len(refused) > MAX_PROBLEMS:
        return [], []
    plain, rest = set_aside(root.plain(), refused)
    session, again = _validate(plain, marks)
    if session is None:
        set_aside_more(plain, rest, [path for path, _ in again])
        session, _ = _validate(plain, marks)
    # a mapping with an unknown key may lack only what that key was meant to be
    more = [(path, problem) for path, problem in again if path not in rest.loose and not rest.is_vague(path)]
    return more, check_session(session, marks, rest) if session is not None else []


def _empty_values(root: Node, marks: Marks) -> dict[Path, Problem]:
    """Find keys and list items that have nothing after them; nothing in a session may be empty."""
    problems: dict[Path, Problem] = {}
    stack: list[tuple[Path, Node]] = [((), root)]
    while stack and len(problems) <= MAX_PROBLEMS:
        path, node = stack.pop()
        steps: list[tuple[str | int, Node]] = list((node.entries or {}).items())
        steps += list(enumerate(node.items or ()))
        for step, child in steps:
            if child.entries is None and child.items is None:
                if child.scalar is None:
                    here = (*path, step)
                    problems[here] = marks.problem(here, "nothing stands here", child.text, key=True)
            else:
                stack.append(((*path, step), child))
    return problems


def _in_order(problems: list[Problem]) -> list[Problem]:
    return sorted(problems, key=lambda problem: (problem.line, problem.column, problem.path))


def _refused(problems: list[Problem]) -> SessionError:
    """Return the error for the problems: each once, in file order, bounded in number."""
    kept = list(dict.fromkeys(_in_order(problems)))
    if len(kept) > MAX_PROBLEMS:
        last = kept[MAX_PROBLEMS]
        kept[MAX_PROBLEMS:] = [
            Problem("there are more problems from here on", "", last.line, last.column, file=last.file)
        ]
    return SessionError(kept)
