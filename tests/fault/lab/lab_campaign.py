"""Runs campaigns of the fault laboratory and says how one that fails is run again.

python tests/fault/lab/lab_campaign.py --campaigns 100000 --minutes 60 --first 1
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter, deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
for place in (str(HERE), str(HERE.parents[2]), str(HERE.parents[1] / "bench")):
    if place not in sys.path:
        sys.path.insert(0, place)

from lab_draw import draw  # noqa: E402
from lab_play import Outcome  # noqa: E402
from lab_ports import Death  # noqa: E402
from lab_rules import RULES  # noqa: E402

from runner.errors import PlanError, SessionError  # noqa: E402

MEMORY_DISK = "/dev/shm"
BLOCK = 25  #: a worker reports after so many campaigns
TELL_EVERY_S = 10
LONGEST_CPU_S = 60  #: a thousand times what a campaign takes: whatever needs longer goes round for ever


def again(seed: int) -> str:
    """Return the line that runs a campaign again."""
    return f"python -m pytest tests/fault/lab --lab-seed {seed}"


def failures(seed: int) -> list[str] | None:
    """Run the campaign of a seed; return what is wrong, None if its session is one that cannot be played."""
    campaign = draw(seed)
    place = MEMORY_DISK if os.access(MEMORY_DISK, os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="takewright-lab-", dir=place))
    try:
        try:
            outcome = Outcome(campaign, folder)
        except (PlanError, SessionError):
            return None
        try:
            with _ending():
                outcome.run()
        except (Exception, Death):
            return [traceback.format_exc()]
        return [f"{rule.__name__}: {text}" for rule in RULES for text in rule(outcome)]
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _ending() -> Iterator[None]:
    """Raise TimeoutError in what goes round for ever, so that its seed is told."""

    def give_up(_signal: int, _frame: object) -> None:
        raise TimeoutError(f"no end within {LONGEST_CPU_S} s of CPU")

    before = signal.signal(signal.SIGPROF, give_up)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_CPU_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def report(seed: int, found: list[str]) -> str:
    """Return a failure for people: what is wrong, the script, and how to run it again."""
    return "\n".join(["", *found, draw(seed).describe(), "again with:", f"  {again(seed)}"])


@dataclass
class Count:
    """What came of the campaigns from seed `first` on; `failed` are the seeds that broke a rule."""

    first: int
    played: int = 0
    unplayable: int = 0  #: sessions that cannot be played, such as a tempo that is too steep
    failed: list[int] = field(default_factory=list)
    seconds: float = 0.0  #: of the wall's clock
    cpu_seconds: float = 0.0
    faults: Counter[str] = field(default_factory=Counter)
    texts: list[str] = field(default_factory=list)  #: what is wrong with those that failed

    @property
    def next(self) -> int:
        """The first seed that was not tried yet."""
        return self.first + self.played + self.unplayable

    def add(self, other: Count) -> None:
        """Take in the count of the campaigns that come next."""
        self.played += other.played
        self.unplayable += other.unplayable
        self.failed += other.failed
        self.cpu_seconds = round(self.cpu_seconds + other.cpu_seconds, 3)
        self.faults += other.faults

    def to_dict(self) -> dict[str, Any]:
        """Return the count for JSON."""
        values = asdict(self)
        del values["texts"]
        return {**values, "faults": dict(sorted(self.faults.items())), "date": time.strftime("%Y-%m-%d")}

    @classmethod
    def from_file(cls, path: Path) -> Count:
        """Return the count that an earlier run wrote."""
        values = json.loads(path.read_text())
        values["faults"] = Counter(values["faults"])
        del values["date"]
        return cls(**values)


def play(seeds: range) -> Count:
    """Play campaigns in this process."""
    count, began = Count(seeds.start), time.process_time()
    for seed in seeds:
        found = failures(seed)
        if found is None:
            count.unplayable += 1
            continue
        count.played += 1
        count.faults.update(fault.kind for fault in draw(seed).faults)
        if found:
            count.failed.append(seed)
            count.texts.append(f"seed {seed}: {found[0].splitlines()[-1]}\n  {again(seed)}")
    count.cpu_seconds = time.process_time() - began
    return count


def _settle() -> None:
    """Keep the collector from looking through all modules again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def played_by(workers: int, first: int, campaigns: int, until: float) -> Iterator[Count]:
    """Yield the counts of the blocks, in order; none is begun after the monotonic time `until`."""
    last = first + campaigns
    blocks = iter(range(at, min(at + BLOCK, last)) for at in range(first, last, BLOCK))
    if workers < 2:
        _settle()
        for block in blocks:
            if time.monotonic() > until:
                return
            yield play(block)
        return
    running: deque[Future[Count]] = deque()
    with ProcessPoolExecutor(workers, get_context("spawn"), initializer=_settle) as pool:
        try:
            while True:
                while (
                    len(running) < 2 * workers and time.monotonic() < until and (block := next(blocks, None))
                ):
                    running.append(pool.submit(play, block))
                if not running:
                    return
                yield running.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)


def told(count: dict[str, Any]) -> str:
    """Return a count of campaigns as Markdown."""
    failed = ", ".join(map(str, count["failed"])) or "none"
    rows = [f"| {kind} | {times} |" for kind, times in count["faults"].items()]
    return "\n".join(
        [
            f"{count['date']}: {count['played']} campaigns from seed {count['first']} on, in "
            f"{count['cpu_seconds']:.0f} s of processor time; that broke a rule: {failed}.",
            "",
            "| fault | times drawn |",
            "|---|---:|",
            *rows,
        ]
    )


def _given() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--campaigns", type=int, default=500, help="how many in all")
    parser.add_argument("--minutes", type=float, default=60, help="begin no more after so long")
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--most-failures", type=int, default=20)
    parser.add_argument("--progress", type=Path, help="a file that holds the count so far, as JSON")
    parser.add_argument("--go-on", action="store_true", help="go on from the count in that file")
    parser.add_argument("--all", action="store_true", help="fail if the time did not do for all of them")
    parser.add_argument("--write", action="store_true", help="put the count into docs/reliability.md")
    return parser.parse_args()


def main() -> int:
    """Run many; exit 1 if any failed, or with --all if any was not played."""
    given = _given()
    count = Count(given.first)
    if given.go_on and given.progress.exists():
        count = Count.from_file(given.progress)
    begun = tell_at = time.monotonic()
    before_s = count.seconds
    left = max(0, count.first + given.campaigns - count.next)
    for block in played_by(given.workers, count.next, left, begun + 60 * given.minutes):
        count.add(block)
        count.seconds = round(before_s + time.monotonic() - begun, 1)
        for text in block.texts:
            print(text, flush=True)
        if given.progress and time.monotonic() >= tell_at:
            tell_at = time.monotonic() + TELL_EVERY_S
            given.progress.write_text(json.dumps(count.to_dict()) + "\n")
        if len(count.failed) >= given.most_failures:
            print(f"{len(count.failed)} campaigns failed: no more are begun")
            break
    print(json.dumps(count.to_dict()))
    if given.progress:
        given.progress.write_text(json.dumps(count.to_dict()) + "\n")
    if given.write:
        from timing_page import put_table

        put_table(
            "laboratory", told(count.to_dict()), count.to_dict(), "reliability-lab.json", "reliability.md"
        )
    missing = count.first + given.campaigns - count.next
    if given.all and missing:
        print(f"{missing} of {given.campaigns} campaigns were not played")
    return int(bool(count.failed) or (given.all and missing > 0))


if __name__ == "__main__":
    sys.exit(main())
