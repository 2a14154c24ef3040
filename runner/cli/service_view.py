"""What a service says: one log line for each thing that happens, for the journal or for programs.

On a terminal the lines are for people; elsewhere each is a JSON object, with session, song and take beside
what happened. Under systemd (`$JOURNAL_STREAM` names our own standard error) each line begins with its
priority as in sd-daemon(3), so that `journalctl -p warning` finds what it should. Written through structlog,
which is loaded with the first line: the children are on their way by then.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TextIO

from runner.desk.job import Report
from runner.errors import ExitCode

#: syslog(3)'s numbers by structlog's levels
_PRIORITIES = {"debug": 7, "info": 6, "warning": 4, "error": 3}
_VERDICT_LEVELS = {"failed": "error", "flawed": "warning"}
_QUIET = frozenset({"position", "beat", "progress"})
_SHOWN_FINDINGS = 5


def in_journal(environment: Mapping[str, str], descriptor: int) -> bool:
    """Whether a descriptor is the journal's: `$JOURNAL_STREAM` has its device and inode, systemd.exec(5)."""
    with contextlib.suppress(OSError):
        status = os.fstat(descriptor)
        return environment.get("JOURNAL_STREAM", "") == f"{status.st_dev}:{status.st_ino}"
    return False


def for_a_service(environment: Mapping[str, str]) -> bool:
    """Whether a service manager started us: it reads what we log, and nobody what we print."""
    return any(environment.get(name) for name in ("NOTIFY_SOCKET", "JOURNAL_STREAM"))


class ServiceView:
    """Writes the desk's reports to `stream`, standard error by default; what cannot be written is let go."""

    def __init__(
        self,
        session: str,
        stream: TextIO | None = None,
        environment: Mapping[str, str] = os.environ,
    ) -> None:
        """`session` is the session's file, whose name stands for the session's until the desk has read it."""
        self._session = Path(session).stem
        self._stream = stream or sys.stderr
        self._environment = environment
        self._logger: Any = None
        self._ready = False
        self._bound: dict[str, Any] = {}
        self.errors: list[str] = []  #: what ended the run; it is in the log already

    def __enter__(self) -> ServiceView:
        return self

    def __exit__(self, *_details: object) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()

    def __call__(self, report: Report) -> None:
        """Log one report."""
        if report.kind in _QUIET:
            return
        data = dict(report.data)
        if report.kind == "session":
            self._session = str(data.get("session", self._session))
            return
        if report.kind == "rolling":
            self._bound = {key: data.get(key) for key in ("song", "pass", "number")}
        level, event, more = _line_of(report.kind, data)
        if report.kind == "error":
            self.errors.append(event)
            if (
                data.get("exit") == ExitCode.USAGE
                and not self._ready
                and not for_a_service(self._environment)
            ):
                with contextlib.suppress(OSError, ValueError):
                    self._stream.write(f"takewright: {event}\n")
                return  # there is no daemon: who called it wrongly is told in plain words
        self._ready = self._ready or report.kind == "ready"
        self._write(level, event, {"kind": report.kind, **self._bound, **more})
        if report.kind == "take":
            for finding in (data.get("findings") or [])[:_SHOWN_FINDINGS]:
                self._write(*_finding_line(finding, self._bound))
            self._bound = {}

    def _write(self, level: str, event: str, more: Mapping[str, Any]) -> None:
        if self._logger is None:
            self._logger = _logger(self._stream, self._environment)
        told = {"session": self._session, **more}
        with contextlib.suppress(OSError, ValueError):  # a reader that is gone must not end a take
            getattr(self._logger, level)(event, **{key: value for key, value in told.items() if value != ""})


def _line_of(kind: str, data: dict[str, Any]) -> tuple[str, str, dict[str, Any]]:
    """Return level, text and further fields of a report."""
    if kind == "warning":
        return "warning", str(data.get("text", "")), {}
    if kind == "error":
        return "error", str(data.get("text", "")), {"exit": data.get("exit")}
    if kind == "rolling":
        return "info", "rolling", {"folder": str(data.get("folder", ""))}
    if kind == "take":
        verdict = str(data.get("verdict", ""))
        fields = {key: data.get(key) for key in ("song", "pass", "number", "folder")}
        return _VERDICT_LEVELS.get(verdict, "info"), f"take {verdict}", {"verdict": verdict, **fields}
    if kind == "order":
        done = bool(data.get("done"))
        fields = {"order": data.get("order"), "from": data.get("from", ""), "done": done}
        return "info" if done else "warning", str(data.get("text", "")) or str(data.get("order")), fields
    if kind == "schedule":
        return "info", f"next by the schedule: {data.get('next', '')}", {}
    if kind == "ready":
        return "info", "ready", {"realtime": data.get("realtime")}
    return "info", kind, {key: value for key, value in data.items() if isinstance(value, (str, int, float))}


def _finding_line(finding: Mapping[str, Any], bound: Mapping[str, Any]) -> tuple[str, str, dict[str, Any]]:
    severity = str(finding.get("severity", ""))
    level = severity if severity in ("warning", "error") else "info"
    keys = ("code", "at", "port", "machine")
    return (
        level,
        str(finding.get("text", "")),
        {"kind": "finding", **bound, **{k: finding.get(k) for k in keys}},
    )


def _logger(stream: TextIO, environment: Mapping[str, str]) -> Any:
    """Return a structlog logger that writes to `stream` in the form that suits it."""
    structlog = _structlog()
    terminal = stream.isatty()
    journal = not terminal and in_journal(environment, _descriptor(stream))
    processors: list[Any] = [structlog.processors.add_log_level]
    if not journal:  # the journal has a clock of its own
        processors.append(structlog.processors.TimeStamper(fmt="iso", utc=True))
    if terminal:
        processors.append(structlog.dev.ConsoleRenderer(colors=False))
    else:
        processors.append(structlog.processors.JSONRenderer(ensure_ascii=False, default=str))
    if journal:
        processors.append(_with_priority)
    return structlog.wrap_logger(
        structlog.WriteLogger(stream), processors=processors, cache_logger_on_first_use=True
    )


def _structlog() -> Any:
    """Return structlog, loaded without `rich`.

    It loads that for coloured tracebacks if it is installed; there are none here, and it is 5 MB that the
    keeper would hold for as long as the service runs.
    """
    modules: dict[str, Any] = sys.modules  # None in it: "not to be had"
    kept = modules.get("rich")
    modules["rich"] = kept
    try:
        import structlog
    finally:
        if kept is None:
            del modules["rich"]
    return structlog


def _with_priority(_logger: Any, method: str, line: str) -> str:
    return f"<{_PRIORITIES.get(method, 6)}>{line}"


def _descriptor(stream: TextIO) -> int:
    try:
        return stream.fileno()
    except (OSError, ValueError):
        return -1
