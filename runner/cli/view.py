"""What a person sees while takes roll: one line that moves, and one line for each thing that happened."""

from __future__ import annotations

import sys
from typing import Any

from rich.console import Console
from rich.live import Live
from rich.text import Text

from runner.desk.job import Report

_STAGES = {
    "lead": "lead, clock only",
    "pre-roll": "pre-roll",
    "rolling": "rolling",
    "tail": "tail",
    "armed": "waiting for the other machine's start",
}
_VERDICT_STYLES = {"clean": "bold", "flawed": "bold yellow", "failed": "bold red", "interrupted": "yellow"}


def clock_text(seconds: float) -> str:
    """Return a span as minutes and seconds, `3:07`."""
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


class RunView:
    """Shows the desk's reports. On a terminal the position moves in place; elsewhere it is left out."""

    def __init__(self, console: Console | None = None) -> None:
        self._out = console or Console(file=sys.stdout, highlight=False, soft_wrap=True)
        self._live: Live | None = None
        self._take = ""
        self.summaries: list[dict[str, Any]] = []
        self.errors: list[str] = []

    def __enter__(self) -> RunView:
        if self._out.is_terminal:
            self._live = Live(Text(""), console=self._out, refresh_per_second=8, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_details: object) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def __call__(self, report: Report) -> None:
        """Show one report."""
        show = getattr(self, f"_on_{report.kind}", None)
        if show is not None:
            show(report.data)

    def _print(self, text: Text | str) -> None:
        self._out.print(text)

    def _on_warning(self, data: dict[str, Any]) -> None:
        self._print(Text(f"note: {data.get('text', '')}", style="yellow"))

    def _on_error(self, data: dict[str, Any]) -> None:
        self.errors.append(str(data.get("text", "")))

    def _on_rolling(self, data: dict[str, Any]) -> None:
        self._take = f"{data['song']}, {data['pass']}, take {data['number']}"
        if self._live is None:
            self._print(f"rolling {self._take}")

    def _on_position(self, data: dict[str, Any]) -> None:
        if self._live is None:
            return
        pieces = [
            self._take or data.get("song", ""),
            _STAGES.get(data.get("state", ""), data.get("state", "")),
        ]
        if data.get("at"):
            pieces.append(data["at"])
        if data.get("section"):
            pieces.append(data["section"])
        if "left_s" in data:
            pieces.append(f"{clock_text(data['left_s'])} left")
        self._live.update(Text("  |  ".join(pieces), style="bold"))

    def _on_take(self, data: dict[str, Any]) -> None:
        self.summaries.append(data)
        if self._live is not None:
            self._live.update(Text(""))
        verdict = str(data.get("verdict"))
        line = Text(f"{data['song']}, {data['pass']}, take {data['number']}: ")
        line.append(verdict, style=_VERDICT_STYLES.get(verdict, ""))
        self._print(line)
        for finding in worst_first(data.get("findings") or [])[:3]:
            at = f"{finding['at']}: " if finding.get("at") else ""
            self._print(f"    {finding.get('severity')}: {at}{finding.get('text')}")
        self._print(f"    {data['folder']}")


def worst_first(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return findings with the worst first, in order of time within one severity."""
    ranks = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda finding: ranks.get(str(finding.get("severity")), 3))
