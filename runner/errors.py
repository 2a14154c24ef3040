"""Every exception of the project, whose fault each is, and the exit codes of the command line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal


class ExitCode(IntEnum):
    """What the command `takewright` returns to the shell."""

    OK = 0
    NOT_CLEAN = 1  #: it ran, and something is wrong: a take that is not clean, a check with findings
    USAGE = 2  #: wrong use of the command line, or a session file that cannot be accepted
    RIG_MISSING = 3  #: a port or machine that the session needs is not there
    INTERNAL = 4  #: our own fault
    INTERRUPTED = 130  #: stopped by the user (128 + SIGINT)


Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in an input file, with the place and the remedy.

    `line` and `column` count from 1; 0 means that the problem belongs to the file as a whole.
    `path` is the place in the document's own terms, such as ``songs[2].cues[0].at``.
    `seen` is the offending value as the user wrote it; `hint` says what to do.
    """

    message: str
    path: str = ""
    line: int = 0
    column: int = 0
    seen: str = ""
    hint: str = ""
    file: str = ""
    severity: Severity = "error"

    def __str__(self) -> str:
        place = self.file or "session"
        if self.line:
            place += f":{self.line}:{self.column}"
        text = f"{place}: {self.path}: {self.message}" if self.path else f"{place}: {self.message}"
        if self.seen:
            text += f", got {self.seen}"
        if self.hint:
            text += f" ({self.hint})"
        return text


class TakewrightError(Exception):
    """The base of every error that Takewright raises on purpose; its text is fit to show to a user."""

    exit_code: ExitCode = ExitCode.NOT_CLEAN


class UsageError(TakewrightError):
    """The user asked for something that does not exist or makes no sense."""

    exit_code = ExitCode.USAGE


class SessionError(TakewrightError):
    """A session file that cannot be accepted; carries every problem found, in file order."""

    exit_code = ExitCode.USAGE

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class PartFileError(TakewrightError):
    """A Standard MIDI File that cannot be read; `offset` is the byte at which reading failed."""

    exit_code = ExitCode.USAGE

    def __init__(self, message: str, *, file: str = "", offset: int | None = None) -> None:
        self.file = file
        self.offset = offset
        place = f"{file or 'part file'}: "
        if offset is not None:
            place += f"byte {offset}: "
        super().__init__(place + message)


class PlanError(TakewrightError):
    """A song that cannot be played as written; carries every problem found."""

    exit_code = ExitCode.USAGE

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class RigError(TakewrightError):
    """A port or machine of the session that is not there."""

    exit_code = ExitCode.RIG_MISSING


class PortError(RigError):
    """A MIDI port that cannot be opened or used; `port` is the session's name for it."""

    def __init__(self, port: str, message: str) -> None:
        self.port = port
        super().__init__(f"port {port}: {message}")


class StateError(TakewrightError):
    """An action that makes no sense in the present state; says both."""

    def __init__(self, state: str, action: str, message: str = "") -> None:
        self.state = state
        self.action = action
        super().__init__(f"cannot {action} while {state}" + (f": {message}" if message else ""))


class TakesFolderError(TakewrightError):
    """A folder in which no take can be kept; said before anything rolls."""


class TakeFormatError(TakewrightError):
    """A take's file that cannot be read; says which, and where."""

    def __init__(self, file: str, message: str, *, line: int = 0) -> None:
        self.file = file
        self.line = line
        super().__init__(f"{file}:{line}: {message}" if line else f"{file}: {message}")


class LinkError(TakewrightError):
    """A frame between two of our processes, or from a client, that breaks the framing rules."""


class ControlSocketError(UsageError):
    """A control socket that cannot be opened; says which, and what is in the way."""


class NoDaemonError(RigError):
    """No daemon answers where one was looked for."""


class InternalError(TakewrightError):
    """A fault of Takewright itself: please report it, with the take's folder."""

    exit_code = ExitCode.INTERNAL
