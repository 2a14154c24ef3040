"""The demo's third take: another machine is the clock, and three of its clocks never come."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runner.cli.view import finding_line
from runner.cli.wording import plural, wrapped

if TYPE_CHECKING:
    from runner.cli.demo import Rolled

SESSION = Path(__file__).parent / "demo_session" / "demo-follow.yaml"
SONG = "Tide Gauge"
MISSING = 3  #: clocks that the simulated recorder leaves out, as the session says
INTRODUCTION = (
    f"Take 3: {SONG}. Now a simulated tape recorder is the clock master, with half\n"
    f"a millisecond of jitter; {MISSING} of its clocks never come."
)


def tell_third(rolled: Rolled) -> bool:
    """Tell of the followed take; return whether just the missing clocks were found, and all made up for."""
    summary = rolled.summary
    clock = summary["clock"]
    found = next((entry for entry in summary["findings"] if entry["code"] == "clock-missing"), None)
    _say(f"{summary['verdict']}. The audit found, among {plural(len(summary['findings']), 'finding')}:")
    if found is not None:
        click.echo(finding_line(found, "    "))
    click.echo("  In plain words:")
    exact = found is not None and clock["missing"] == MISSING
    _point(
        f"{clock['missing']} of the recorder's clocks are missing, as many as it left out."
        if exact
        else f"{clock['missing']} clocks were found missing; it left out {MISSING}."
    )
    sent, expected = sent_on(summary)
    whole = sent == expected
    _point(
        f"The drum machine got all {expected} of its clocks: what was missing was made up for, and the "
        "jitter is gone from them."
        if whole
        else f"The drum machine got {sent} clocks of {expected}. It should have had them all."
    )
    locked = clock.get("locked_after_beats")
    if locked is not None:
        _point(f"The recorder's tempo was known well enough {locked:.1f} beats after its clock began.")
    return exact and whole


def sent_on(summary: dict[str, Any]) -> tuple[int, int]:
    """Return how many clocks were sent to the drum machine, and how many were due."""
    track = next(
        track for track in summary["clock"]["ports"] if (track["port"], track["direction"]) == ("box", "out")
    )
    return int(track["expected"]) - int(track["missing"]), int(track["expected"])


def _say(text: str) -> None:
    click.echo(wrapped(text, "  ", "  "))


def _point(text: str) -> None:
    click.echo(wrapped(text, "  - ", "    "))
