"""Collects what is wrong with a song, pointing at lines of the session file where that is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NoReturn

from runner.errors import PlanError, Problem, Severity, UsageError
from runner.session.marks import Marks, path_text

Path = tuple[str | int, ...]


@dataclass(slots=True)
class Reporter:
    """A list of problems in the making; without `marks` they name the path only."""

    marks: Marks | None = None
    problems: list[Problem] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)  #: what was asked for on the way and cannot be had
    _known: set[Problem] = field(default_factory=set)

    def add(
        self, path: Path, message: str, *, hint: str = "", seen: str = "", severity: Severity = "error"
    ) -> None:
        """Add a problem unless the very same is there already."""
        if self.marks is not None:
            problem = self.marks.problem(path, message, seen, hint, severity)
        else:
            problem = Problem(message, path_text(path), seen=seen, hint=hint, severity=severity)
        if problem not in self._known:
            self._known.add(problem)
            self.problems.append(problem)

    def warn(self, path: Path, message: str, *, hint: str = "") -> None:
        """Add something that does not keep the song from being played, but will be noticed."""
        self.add(path, message, hint=hint, severity="warning")

    def note(self, path: Path, message: str, *, hint: str = "") -> None:
        """Add something worth knowing."""
        self.add(path, message, hint=hint, severity="note")

    def refuse(self, text: str) -> None:
        """Add something that is wrong with what the user asks for, not with the file."""
        self.refused.append(text)

    def raise_if_refused(self) -> None:
        """Raise `UsageError` with all that cannot be had."""
        if self.refused:
            raise UsageError("\n".join(self.refused))

    @property
    def failed(self) -> bool:
        """Whether there is an error among the problems."""
        return any(problem.severity == "error" for problem in self.problems)

    def raise_if_failed(self) -> None:
        """Raise `PlanError` with all problems if one of them is an error."""
        if self.failed:
            self.fail()

    def fail(self) -> NoReturn:
        """Raise `PlanError` with all problems."""
        raise PlanError(list(self.problems))
