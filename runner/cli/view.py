"""What a person sees while takes roll: one line that moves, and one line for each thing that happened."""

from __future__ import annotations

import os
import sys
from typing import Any

from rich.cells import cell_len
from rich.console import Console
from rich.live import Live
from rich.text import Text

from runner.cli.watch_text import WHOLE, cut_middle, fitted
from runner.cli.wording import clock_text, near_path, plural, wrapped
from runner.desk.job import Report

_STAGES = {
    "lead": "lead, clock only",
    "pre-roll": "pre-roll",
    "rolling": "rolling",
    "tail": "tail",
    "armed": "waiting for the other machine's start",
}
_VERDICT_STYLES = {"clean": "bold", "flawed": "bold yellow", "failed": "bold red", "interrupted": "yellow"}
_FEWEST_CELLS = 6  #: a shorter strip tells nothing
_SHORTEST_NAME, _LONGEST_NAME = 8, 34  #: cells of the take's name in the moving line
_STRIP_CELLS = 16
_SHOWN_FINDINGS = 3


class _Screen(Console):
    """A console whose reader may go away: then it falls silent, and the take goes on."""

    def on_broken_pipe(self) -> None:
        """Write to nothing from now on; the library would end the program."""
        fall_silent(self)


def fall_silent(console: Console) -> None:
    """Turn a console off, and its file away from a reader that is gone."""
    console.quiet = True
    try:
        number = console.file.fileno()
    except (OSError, ValueError, AttributeError):
        return
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, number)
    os.close(nothing)


class RunView:
    """Shows the desk's reports. On a terminal the position moves in place; elsewhere it is left out.

    With `takes_told` false the verdicts of takes are left to the caller. A terminal or pipe that takes
    no more text costs the text and nothing else.
    """

    def __init__(self, console: Console | None = None, *, takes_told: bool = True) -> None:
        self._out = console or _Screen(file=sys.stdout, highlight=False, soft_wrap=True)
        self._live: Live | None = None
        self._takes_told = takes_told
        self._rolling: dict[str, Any] = {}
        self._longest_s = 0.0
        self._standing = ""
        self.summaries: list[dict[str, Any]] = []
        self.errors: list[str] = []

    def __enter__(self) -> RunView:
        if self._out.is_terminal:
            first = Text("starting: the rig is being opened", style="dim")
            self._live = Live(first, console=self._out, refresh_per_second=8, transient=True)
            self._live.start(refresh=True)
        return self

    def __exit__(self, *_details: object) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def __call__(self, report: Report) -> None:
        """Show one report."""
        show = getattr(self, f"_on_{report.kind}", None)
        if show is None:
            return
        try:
            show(report.data)
        except OSError:
            fall_silent(self._out)

    def _print(self, text: Text | str) -> None:
        self._out.print(Text(text) if isinstance(text, str) else text)  # no brackets of a name are obeyed

    def _on_warning(self, data: dict[str, Any]) -> None:
        self._print(Text(wrapped(str(data.get("text", "")), "note: ", "      "), style="yellow"))

    def _on_error(self, data: dict[str, Any]) -> None:
        self.errors.append(str(data.get("text", "")))

    def _on_rolling(self, data: dict[str, Any]) -> None:
        self._rolling = data
        self._longest_s = 0.0
        if self._live is None and self._takes_told:
            head = "rolling  "
            self._print(head + take_name(data, self._room(head)))

    def _room(self, head: str) -> int:
        """Return the cells beside `head` for names; a file, or another program, gets them whole."""
        return self._out.width - cell_len(head) if self._out.is_terminal else WHOLE

    def _on_standing(self, data: dict[str, Any]) -> None:
        """The daemon waits: say once what for."""
        rest = " is up" + (f"; waiting for {data['for']}" if data.get("for") else "")
        song, room = str(data["song"]), self._room(rest)
        text = (song if room == WHOLE else cut_middle(song, max(_LONGEST_NAME, room))) + rest
        if self._live is not None:
            self._live.update(Text(text), refresh=True)
        elif text != self._standing and self._takes_told:
            self._print(text)
        self._standing = text

    def _on_order(self, data: dict[str, Any]) -> None:
        """An order came from outside: what became of it."""
        origin = f" ({data['from']})" if data.get("from") else ""
        done = "" if data.get("done") else "refused: "
        self._print(Text(wrapped(f"{data['order']}{origin}: {done}{data['text']}", "", "      ")))

    def _on_schedule(self, data: dict[str, Any]) -> None:
        """What is due next by itself."""
        self._print(Text(wrapped(f"next by the schedule: {data['next']}", "", "      ")))

    def _on_tidied(self, data: dict[str, Any]) -> None:
        """An old take was removed, as the session asks for."""
        self._print(Text(wrapped(f"tidied away {data['take']}: {data['why']}", "", "      ")))

    def _on_position(self, data: dict[str, Any]) -> None:
        if self._live is None:
            return
        left_s = data.get("left_s")
        if left_s is not None:
            self._longest_s = max(self._longest_s, left_s)
        self._live.update(self._line(data, left_s))

    def _line(self, data: dict[str, Any], left_s: float | None) -> Text:
        """Return the moving line: place and time left always, the name as far as it fits, then the strip."""
        place = "  " + position_text(data)
        if left_s is not None:
            place += f"  {clock_text(left_s)} left"
        room = self._out.width - 1 - len(place)
        rolling = self._rolling or {"song": data.get("song", "")}
        name = take_name(rolling, max(_SHORTEST_NAME, min(_LONGEST_NAME, room)))
        line = Text(no_wrap=True, overflow="ellipsis")
        line.append(name, style="bold")
        line.append(place)
        cells = min(_STRIP_CELLS, room - len(name) - 2)
        if left_s is not None and self._longest_s and cells >= _FEWEST_CELLS:
            line.append("  " + strip(1 - left_s / self._longest_s, cells))
        return line

    def _on_take(self, data: dict[str, Any]) -> None:
        self.summaries.append(data)
        if self._live is not None:
            self._live.update(Text(""), refresh=True)
        if not self._takes_told:
            return
        verdict = str(data.get("verdict"))
        head = f"{verdict:<11}  "
        line = Text(head, style=_VERDICT_STYLES.get(verdict, ""))
        line.append(take_name(data, self._room(head)), style="not bold default")
        self._print(line)
        findings = worst_first(data.get("findings") or [])
        for finding in findings[:_SHOWN_FINDINGS]:
            self._print(finding_line(finding))
        if len(findings) > _SHOWN_FINDINGS:
            self._print(f"    and {plural(len(findings) - _SHOWN_FINDINGS, 'more finding')}")
        self._print(f"    {near_path(data['folder'])}")


def take_name(data: dict[str, Any], cells: int) -> str:
    """Return song, pass and number of a take in `cells`; the names give way, cut in their middle."""
    number = f"take {data['number']}" if "number" in data else ""
    names = [str(data.get("song", "")), str(data.get("pass", ""))]
    if cells == WHOLE:
        return ", ".join(filter(None, [*names, number]))
    return fitted(names, cells, last=number)


def position_text(data: dict[str, Any]) -> str:
    """Return where the song is, in words: the stage before bar 1 and after the end, else bar and beat."""
    state = str(data.get("state", ""))
    stage = _STAGES.get(state, state)
    at = str(data.get("at", ""))
    if not at or state in ("lead", "armed"):
        return stage
    words = at.split()  # "bar 5 beat 2 7/12": the beat's fraction changes too fast to be read
    place = " ".join([*words[:3], words[3].partition(".")[0]]) if len(words) > 3 else at
    if state != "rolling":
        return f"{stage}, {place}"
    return f"{place}, {data['section']}" if data.get("section") else place


def strip(share: float, cells: int = _STRIP_CELLS) -> str:
    """Return a strip that shows how much of a song is behind us, 0 to 1."""
    done = round(min(1.0, max(0.0, share)) * cells)
    return "▪" * done + "·" * (cells - done)


def finding_line(finding: dict[str, Any], first: str = "    ") -> str:
    """Return one finding as a line or two: how bad, where, what."""
    at = f"{finding['at']}: " if finding.get("at") else ""
    return wrapped(f"{finding.get('severity')}: {at}{finding.get('text')}", first, first + "    ")


def worst_first(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return findings with the worst first, in order of time within one severity."""
    ranks = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda finding: ranks.get(str(finding.get("severity")), 3))
