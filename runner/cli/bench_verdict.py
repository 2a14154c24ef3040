"""What the figures of a bench mean: a plain verdict, and what can be done. Pure.

The measures: one byte takes 320 µs on a DIN cable (MIDI 1.0: 31.25 kbaud, 10 bits a byte), so a clock that is
less late than that cannot be told from one that waited behind another byte; a full-speed USB frame is 1 ms; a
displaced tone in a regular run is heard from about 6 ms (Friberg and Sundberg, J. Acoust. Soc. Am. 98, 1995).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from runner.audit.statistics import Spread

if TYPE_CHECKING:
    from runner.cli.bench_computer import Computer
    from runner.cli.bench_engine import EngineRun

BYTE_US = 320.0
FRAME_US = 1000.0
HEARD_US = 6000.0
ENOUGH_CPU = 0.15  #: of one core: above this there is little room for parts and simulated machines
EDGES_US = (10, 20, 50, 100, 200, 320, 500, 1000, 2000, 6000)


class Grade(StrEnum):
    """How good a computer is, from best to worst."""

    GOOD = "good"  #: good enough for the stage
    FAIR = "fair"  #: good enough to rehearse
    POOR = "poor"  #: it will be heard

    @property
    def text(self) -> str:
        """The verdict for people."""
        return {
            Grade.GOOD: "good enough for the stage",
            Grade.FAIR: "good enough to rehearse, not for the stage",
            Grade.POOR: "not good enough: it will be heard",
        }[self]


_ORDER = (Grade.GOOD, Grade.FAIR, Grade.POOR)


@dataclass(frozen=True, slots=True)
class Judgement:
    """A grade, why it is no better, and what to do about it."""

    grade: Grade
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]


def grade_of(spread: Spread) -> tuple[Grade, str]:
    """Return the grade of one run's lateness, and the reason if it is not good."""
    if spread.p999 > FRAME_US or spread.max > 5 * HEARD_US:
        rare, worst = spread.p999 / 1000, spread.max / 1000
        return Grade.POOR, f"one clock in a thousand is {rare:.1f} ms late, the worst {worst:.1f} ms"
    if spread.p999 > BYTE_US:
        rare = spread.p999
        return Grade.FAIR, f"one clock in a thousand is {rare:.0f} µs late, more than a byte on a cable takes"
    if spread.max > HEARD_US:
        return Grade.FAIR, f"the worst clock was {spread.max / 1000:.1f} ms late, which can be heard"
    return Grade.GOOD, ""


def judge(runs: Mapping[str, EngineRun], computer: Computer) -> Judgement:
    """Return the judgement over all runs."""
    grades, reasons = [Grade.GOOD], []
    for name, run in runs.items():
        spread = Spread.of_ns(run.late_ns)
        if spread is None:
            grades.append(Grade.POOR)
            reasons.append(f"{name}: no clock went out")
            continue
        grade, why = grade_of(spread)
        grades.append(grade)
        if why:
            reasons.append(f"{name}: {why}")
        if run.cpu > ENOUGH_CPU:
            grades.append(Grade.FAIR)
            reasons.append(f"{name}: the engine took {100 * run.cpu:.0f} % of a core")
        lost = run.loop_sent - len(run.back_ns)
        if lost:
            grades.append(Grade.POOR)
            reasons.append(f"{name}: {lost} of {run.loop_sent} clocks did not come back over the loop")
        if run.refused:
            grades.append(Grade.POOR)
            reasons.append(f"{name}: the port of the loop refused {run.refused} messages")
    rights = next(iter(runs.values())).rights
    if not rights.get("realtime"):
        grades.append(Grade.FAIR)
        reasons.append("the engine has no real-time priority: other programs can hold it up at any time")
    worst = max(grades, key=_ORDER.index)
    remedies = _remedies(worst, runs, computer, rights.get("warnings", ()))
    return Judgement(worst, tuple(reasons), tuple(remedies))


def _remedies(
    grade: Grade, runs: Mapping[str, EngineRun], computer: Computer, warnings: Sequence[str]
) -> list[str]:
    found = [str(text) for text in warnings]
    if grade is Grade.GOOD:
        return found
    worst_us = max((max(run.late_ns, default=0) for run in runs.values()), default=0) / 1000
    if any(name not in ("performance", "schedutil") for name in computer.governors):
        found.append(
            "the cores' frequency is saved: set it to performance (cpupower frequency-set -g performance)"
        )
    if worst_us > FRAME_US and computer.preemption == "chosen at boot":
        found.append(
            "a program inside a long system call may hold a core for milliseconds: start the kernel with "
            "preempt=full, or use one built for real time (package linux-image-rt)"
        )
    stolen = sum(run.steal_ms for run in runs.values())
    if computer.virtual:
        text = f"; meanwhile its host kept the cores away for {stolen:.0f} ms" if stolen else ""
        found.append(f"this is a virtual machine: use a computer of its own for the stage{text}")
    if computer.swap_used_mb > 1:
        swapped = f"{computer.swap_used_mb:.0f} MB"
        found.append(f"{swapped} lie in swap: close programs, or turn swap off (swapoff -a)")
    if computer.cores == 1:
        found.append("there is one core: the engine has to share it with the log's writing and all else")
    if not found:
        found.append("close other programs, and look for one that takes much CPU or disk (top, iotop)")
    return found


def histogram(late_ns: Sequence[int], cells: int) -> list[tuple[str, int, int]]:
    """Return rows of (range as text, how many, cells of its bar); ends with the last range that has any.

    The bar's length is on a logarithmic scale, one clock being one cell: the rare ones are what matters.
    """
    counts = [0] * (len(EDGES_US) + 1)
    for late in late_ns:
        counts[sum(late >= edge * 1000 for edge in EDGES_US)] += 1
    while len(counts) > 1 and not counts[-1]:
        counts.pop()
    most = max(counts).bit_length()
    rows = []
    for index, count in enumerate(counts):
        length = 0 if not count else max(1, round(cells * count.bit_length() / most))
        rows.append((_range_text(index), count, length))
    return rows


def _range_text(index: int) -> str:
    if index == len(EDGES_US):
        return f"{_span_text(EDGES_US[-1])} and more"
    return f"under {_span_text(EDGES_US[index])}"


def _span_text(us: int) -> str:
    return f"{us // 1000} ms" if us >= 1000 else f"{us} µs"
