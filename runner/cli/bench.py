"""`takewright bench`: is this computer good enough for the stage?"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from runner.cli.options import json_option
from runner.cli.wording import table, width, wrapped
from runner.errors import ExitCode

if TYPE_CHECKING:
    from runner.audit.statistics import Spread
    from runner.cli.bench_computer import Computer
    from runner.cli.bench_engine import EngineRun
    from runner.cli.bench_verdict import Judgement

DEFAULT_SECONDS = 20.0


@click.command("bench")
@click.option(
    "--seconds", type=click.FloatRange(2, 36_000), default=DEFAULT_SECONDS, show_default=True,
    help="How long each of the two parts takes.",
)  # fmt: skip
@click.option(
    "--loop", nargs=2, default=None, metavar="OUT IN",
    help="Two ports of the system that a cable joins: what goes out is timed when it comes back.",
)  # fmt: skip
@json_option
def command(seconds: float, loop: tuple[str, str] | None, as_json: bool) -> int:
    """Measure how late this computer sends a clock, idle and busy, and say whether that is good enough.

    The real engine plays clocks at 125 BPM on four ports that lead nowhere, once while nothing else
    happens and once beside a load of its own on every core and the disk. Do not bench during a show.

    Exits 0 if the computer is good enough for the stage, 1 if it is not, 3 if a port of --loop is missing.
    """
    from runner.cli.bench_computer import read_computer
    from runner.cli.bench_engine import own_load, run_engine
    from runner.cli.bench_verdict import Grade, judge

    computer = read_computer()
    runs: dict[str, EngineRun] = {}
    with _Progress(not as_json and sys.stderr.isatty()) as progress:
        runs["idle"] = run_engine(seconds, loop, progress.part("idle"))
        with own_load():
            runs["busy"] = run_engine(seconds, loop, progress.part("busy"))
    judgement = judge(runs, computer)
    if as_json:
        click.echo(json.dumps(_plain(runs, computer, judgement), indent=2))
    else:
        _show(runs, computer, judgement)
    return int(ExitCode.OK if judgement.grade is Grade.GOOD else ExitCode.NOT_CLEAN)


class _Progress:
    """A line on a terminal that says how far the bench is; silent elsewhere."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown

    def __enter__(self) -> _Progress:
        return self

    def __exit__(self, *_details: object) -> None:
        self._write("")

    def part(self, name: str) -> Any:
        """Return what hears the share of a part that is over."""
        return lambda share: self._write(f"measuring, {name}: {100 * share:3.0f} %")

    def _write(self, text: str) -> None:
        if self._shown:
            sys.stderr.write(f"\r{text:<40}\r")
            sys.stderr.flush()


def _spread(values: Any) -> Spread | None:
    from runner.audit.statistics import Spread

    return Spread.of_ns(values)


def _show(runs: dict[str, EngineRun], computer: Computer, judgement: Judgement) -> None:
    from runner.cli.bench_verdict import histogram

    for line in computer.lines():
        click.echo(wrapped(line))
    rights = runs["idle"].rights
    priority = "real-time priority" if rights.get("realtime") else "no real-time priority"
    memory = "memory locked" if rights.get("memory_locked") else "memory not locked"
    click.echo(f"the engine has {priority}, {memory}")
    for name, run in runs.items():
        click.echo(f"\n{name}: how late {len(run.late_ns)} clocks were sent")
        for line in _figures(run):
            click.echo(f"  {line}")
        for text, count, cells in histogram(run.late_ns, width() - 30):
            click.echo(f"  {text:>14}  {count:>7}  {'▪' * cells}".rstrip())
    click.echo("")
    meaning = "one byte on a MIDI cable takes 320 µs; from 6 ms on a displaced note is heard"
    click.echo(wrapped(meaning, "", ""))
    click.echo(wrapped(f"verdict: {judgement.grade.text}", "", "  "))
    for reason in judgement.reasons:
        click.echo(wrapped(reason, "  ", "    "))
    if judgement.remedies:
        click.echo("what to do")
    for remedy in judgement.remedies:
        click.echo(wrapped(remedy, "  ", "    "))


def _figures(run: EngineRun) -> list[str]:
    rows = []
    for what, values in (("sent", run.late_ns), ("came back", run.back_ns)):
        spread = _spread(values)
        if spread is not None:
            numbers = (spread.p50, spread.p99, spread.p999, spread.max)
            rows.append([what, *(f"{value:.0f}" for value in numbers)])
    lines = table([["", "p50 µs", "p99 µs", "p99.9 µs", "max µs"], *rows], right=(1, 2, 3, 4))
    return [*lines, f"engine: {100 * run.cpu:.1f} % of a core, {run.rss_mb:.0f} MB"]


def _plain(runs: dict[str, EngineRun], computer: Computer, judgement: Judgement) -> dict[str, Any]:
    from dataclasses import asdict

    parts = {}
    for name, run in runs.items():
        sent, back = _spread(run.late_ns), _spread(run.back_ns)
        parts[name] = {
            "clocks": len(run.late_ns),
            "lateness_us": sent.to_dict() if sent else None,
            "loop_us": back.to_dict() if back else None,
            "loop_missing": run.loop_sent - len(run.back_ns),
            "records_dropped": run.dropped,
            "cpu": round(run.cpu, 4),
            "rss_mb": round(run.rss_mb, 1),
            "steal_ms": round(run.steal_ms, 1),
        }
    rights = {key: runs["idle"].rights.get(key) for key in ("realtime", "memory_locked")}
    return {
        "format": 1,
        "verdict": str(judgement.grade),
        "reasons": list(judgement.reasons),
        "remedies": list(judgement.remedies),
        "computer": asdict(computer),
        "rights": rights,
        "runs": parts,
    }
