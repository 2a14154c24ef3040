"""`takewright demo`: three takes of packaged sessions on simulated machines, and what their audits say.

The first take is left alone. In the second, two things go wrong that do go wrong on stage: the computer
stands still for a moment (the engine process is stopped and let go again), and a program dies (the desk
process is killed). The audit must find the first, and the record of the take must survive the second. In
the third, another machine is the clock (`demo_follow`).
"""

from __future__ import annotations

import signal
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runner.cli import demo_follow
from runner.cli.view import RunView, finding_line, worst_first
from runner.cli.wording import as_called, plural, wrapped
from runner.errors import ExitCode, TakewrightError
from runner.keeper.keeper import Keeper, new_run_name

if TYPE_CHECKING:
    from runner.desk.job import Job, Report

SESSION = Path(__file__).parent / "demo_session" / "demo.yaml"
SONG = "Slack Water"
STALL_BAR, STALL_S = 3, 0.3
KILL_BAR = 6
FOUND_WITHIN_NS = 1_000_000_000  #: how near to the stall the audit must place what it found

#: What a computer that is too busy does to a take all by itself. None of it loses anything.
OWN_NOISE = frozenset(
    {
        "clock-late",
        "message-late",
        "program-late",
        "slow-port",
        "start-too-close",
        "computer-stalled",
        "tempo-off",
    }
)
#: What shows that the computer stood still.
STALL_CODES = frozenset({"clock-late", "message-late", "computer-stalled"})


@click.command("demo")
@click.option(
    "--takes-folder", default="", metavar="DIR", help="Keep the takes there, not in a new temporary folder."
)
def command(takes_folder: str) -> int:
    """Play built-in sessions on simulated machines: a clean take, then two in which things go wrong.

    Needs no hardware and makes no sound; takes under a minute. Each take is audited. Exits 0 if all were as
    they should be: the first clean, and in the others what was done to them found and nothing lost.
    """
    folder = takes_folder or tempfile.mkdtemp(prefix="takewright-demo-")
    click.echo(wrapped(f"{SONG}, on four simulated machines. No sound, no hardware.", after=""))
    click.echo("\nTake 1: nothing is done to it.")
    first = roll(folder, "left alone")
    if _only_noise(first.summary):
        click.echo(wrapped("This computer was busy just then. Once more:", "  ", "  "))
        first = roll(folder, "left alone")
    first_good = _tell_first(first)
    click.echo(
        f"\nTake 2: in bar {STALL_BAR} the engine is held up for {STALL_S * 1000:.0f} ms; "
        f"in bar {KILL_BAR} the desk,\nwhich writes the log, is killed."
    )
    second = roll(folder, "disturbed", Disturber())
    second_good = _tell_second(second)
    click.echo(f"\n{demo_follow.INTRODUCTION}")
    third = roll(folder, "followed", session=demo_follow.SESSION, song=demo_follow.SONG)
    third_good = demo_follow.tell_third(third)
    click.echo("\nThe takes are kept. To look further:")
    click.echo(f"  {as_called()} takes '{folder}'")
    click.echo(f"  {as_called()} audit --takes-folder '{folder}' last")
    return int(ExitCode.OK if first_good and second_good and third_good else ExitCode.NOT_CLEAN)


# ---------------------------------------------------------------------- rolling


@dataclass(slots=True)
class Disturber:
    """Does the two bad things once each, when the song gets to their bars."""

    stalled_ns: int | None = None  #: monotonic time at which the engine was stopped
    killed: bool = False

    def hear(self, report: Report, pids: tuple[int, int]) -> None:
        """Act on a report of where the song is; `pids` are engine and desk."""
        if report.kind != "position" or report.data.get("state") != "rolling":
            return
        bar = bar_of(str(report.data.get("at", "")))
        engine, desk = pids
        if self.stalled_ns is None and bar >= STALL_BAR:
            self.stalled_ns = time.monotonic_ns()
            _stall(engine)
        elif not self.killed and bar >= KILL_BAR:
            self.killed = True
            _signal(desk, signal.SIGKILL)


@dataclass(slots=True)
class Rolled:
    """One take of the demo: its summary as in take.json, and what was said while it rolled."""

    folder: Path
    summary: dict[str, Any]
    disturber: Disturber | None = None
    warnings: list[str] = field(default_factory=list)


def bar_of(at: str) -> int:
    """Return the bar of a position such as ``bar 5 beat 2 7/12``; -99 if it is none."""
    words = at.split()
    try:
        return int(words[1])
    except (IndexError, ValueError):
        return -99


def roll(
    folder: str,
    pass_name: str,
    disturber: Disturber | None = None,
    session: Path = SESSION,
    song: str = SONG,
) -> Rolled:
    """Roll one take in three processes, as `run` does; raises `TakewrightError` if none comes of it."""
    warnings: list[str] = []
    closed: list[dict[str, Any]] = []
    with RunView(takes_told=False) as view:

        def hear(report: Report) -> None:
            if report.kind == "warning":
                warnings.append(str(report.data.get("text", "")))
                return
            view(report)
            if report.kind == "take":
                closed.append(report.data)
            if disturber is not None:
                disturber.hear(report, keeper.pids)

        keeper = Keeper(job_of(folder, pass_name, session, song), hear)
        code = keeper.run()
    if code == ExitCode.INTERRUPTED:
        raise KeyboardInterrupt
    if not closed:
        raise TakewrightError("\n".join(view.errors) or f"no take came of it (exit code {int(code)})")
    take = Path(closed[-1]["folder"])
    return Rolled(take, _summary(take), disturber, warnings)


def job_of(folder: str, pass_name: str, session: Path = SESSION, song: str = SONG) -> Job:
    """Return the job of one take of a packaged session."""
    from runner.desk.job import Job

    return Job(
        session_file=str(session),
        run=new_run_name(),
        mode="song",
        song=song,
        pass_name=pass_name,
        takes_folder=str(Path(folder).absolute()),
    )


def _summary(take: Path) -> dict[str, Any]:
    from runner.audit.text import audit_take
    from runner.takes.reader import read_take

    return audit_take(read_take(take))


def _stall(pid: int) -> None:
    """Stop a process, and let it go on after a while, whatever happens meanwhile."""
    _signal(pid, signal.SIGSTOP)
    try:
        time.sleep(STALL_S)
    finally:
        _signal(pid, signal.SIGCONT)


def _signal(pid: int, number: signal.Signals) -> None:
    import os

    if pid > 0:
        os.kill(pid, number)


# ---------------------------------------------------------------------- telling


def _only_noise(summary: dict[str, Any]) -> bool:
    """Return whether a take is not clean, and all that it suffers from is a computer that is too busy."""
    codes = {finding["code"] for finding in summary["findings"] if finding["severity"] != "note"}
    return summary["verdict"] == "flawed" and bool(codes) and codes <= OWN_NOISE


def _tell_first(rolled: Rolled) -> bool:
    """Tell of the clean take; return whether it was as it should be."""
    summary = rolled.summary
    _tell_rights(rolled.warnings)
    if summary["verdict"] == "clean":
        _say(f"clean. {_whole(summary)} Nothing was later than {_latest_ms(summary):.1f} ms.")
        return True
    if _only_noise(summary):
        _say(
            f"{summary['verdict']}, by this computer alone: other work kept the engine waiting, "
            f"{_latest_ms(summary):.0f} ms at worst. {_whole(summary)} Before a take that counts, give it "
            "real-time rights (see the README) and stop what else is running."
        )
        return True
    _say(f"{summary['verdict']}, and it should have been clean:")
    for finding in worst_first(summary["findings"]):
        click.echo(finding_line(finding, "    "))
    return False


def _tell_second(rolled: Rolled) -> bool:
    """Tell of the disturbed take; return whether what was done to it was found, and nothing lost."""
    summary, disturber = rolled.summary, rolled.disturber
    assert disturber is not None
    found = stall_finding(summary, disturber.stalled_ns)
    whole = bool(summary["log"]["complete"]) and disturber.killed
    _say(f"{summary['verdict']}. The audit found, among {plural(len(summary['findings']), 'finding')}:")
    if found is not None:
        click.echo(finding_line(found, "    "))
        for cause in found["causes"][:1]:
            click.echo(wrapped(f"likely: {cause['text']} ({cause['why']})", "    ", "        "))
    click.echo("  In plain words:")
    if found is not None:
        size_ms = found["evidence"]["worst_us"] / 1000 if found["evidence"].get("worst_us") else 0
        _point(
            f"The hold-up shows. What was due then went out late, {size_ms:.0f} ms at worst, and the take "
            "is not fit to keep. Nothing was left out, and the clock was back on its grid at once."
        )
    else:
        _point("The hold-up was NOT found. It should have been.")
    if whole:
        _point(
            "The dead desk does not show. The engine played on, a new desk was started and went on with "
            f"the log: all {summary['log']['records']} records are there."
        )
    else:
        _point(f"The log is NOT whole: {summary['log']['dropped']} records are missing.")
    missing = summary["clock"]["missing"]
    if missing:
        _point(f"{plural(missing, 'clock')} NEVER went out. All should have.")
    return found is not None and whole and not missing


def stall_finding(summary: dict[str, Any], stalled_ns: int | None) -> dict[str, Any] | None:
    """Return the finding that tells of the engine's stop at monotonic time `stalled_ns`, if there is one.

    It must say that something was late by most of the stop, and place it there.
    """
    if stalled_ns is None:
        return None
    for finding in summary["findings"]:
        t_ns = finding["t_ns"]
        if finding["code"] not in STALL_CODES or t_ns is None:
            continue
        near = abs(t_ns + summary["header"]["anchor_ns"] - stalled_ns) <= FOUND_WITHIN_NS
        if near and finding["evidence"].get("worst_us", 0) >= STALL_S * 0.5e6:
            return dict(finding)
    return None


def _whole(summary: dict[str, Any]) -> str:
    clock, messages = summary["clock"], summary["messages"]
    return (
        f"{clock['sent']} clocks of {clock['expected']} and {plural(messages['sent'], 'other message')} "
        "went out."
    )


def _latest_ms(summary: dict[str, Any]) -> float:
    spreads = (summary["clock"].get("lateness_us"), summary["messages"].get("lateness_us"))
    return max((spread["max"] for spread in spreads if spread), default=0.0) / 1000


def _tell_rights(warnings: list[str]) -> None:
    for text in warnings:
        click.echo(wrapped(text, "  note: ", "        "))


def _say(text: str) -> None:
    click.echo(wrapped(text, "  ", "  "))


def _point(text: str) -> None:
    click.echo(wrapped(text, "  - ", "    "))
