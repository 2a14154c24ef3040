"""One line that says what the daemon does, for `systemctl status`."""

from __future__ import annotations

from typing import Any

from runner.desk.job import Report
from runner.keeper.notify import Notifier


class StatusLine:
    """Follows the desk's reports; while there is `trouble`, that is what is said."""

    def __init__(self, notifier: Notifier) -> None:
        self._notifier = notifier
        self._text = "starting"
        self._trouble = ""
        self._last_take = ""

    @property
    def trouble(self) -> str:
        """What is wrong with the daemon itself; empty if nothing is."""
        return self._trouble

    @trouble.setter
    def trouble(self, text: str) -> None:
        self._trouble = text
        self._say()

    def take(self, report: Report) -> None:
        """Hear a report."""
        text = _text_of(report.kind, report.data)
        if report.kind == "take":
            self._last_take = text
            text = ""
        if text or report.kind == "take":
            self._text = text
            self._say()

    def _say(self) -> None:
        if self._trouble:
            self._notifier.status(f"trouble: {self._trouble}")
        else:
            self._notifier.status("; ".join(part for part in (self._text, self._last_take) if part))


def _text_of(kind: str, data: dict[str, Any]) -> str:
    """Return what a report says about the present, empty if nothing."""
    if kind == "ready":
        return "ready"
    if kind == "standing":
        waits = f", waiting for {data['for']}" if data.get("for") else ""
        return f"{data.get('song', '')} is up{waits}"
    if kind == "rolling":
        return f"rolling {data.get('song', '')}, {data.get('pass', '')}, take {data.get('number', '')}"
    if kind == "take":
        return f"{data.get('song', '')} take {data.get('number', '')} was {data.get('verdict', '')}"
    if kind == "error":
        return f"error: {data.get('text', '')}"
    return ""
