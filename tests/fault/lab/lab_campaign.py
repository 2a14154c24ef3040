"""Runs campaigns of the fault laboratory and says how one that fails is run again.

python tests/fault/lab/lab_campaign.py --campaigns 100000 --minutes 60 --first 1
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
for place in (str(HERE), str(HERE.parents[2]), str(HERE.parents[1] / "bench")):
    if place not in sys.path:
        sys.path.insert(0, place)

from lab_draw import draw  # noqa: E402
from lab_ports import Death  # noqa: E402
from lab_rig import Outcome  # noqa: E402
from lab_rules import RULES  # noqa: E402

from runner.errors import PlanError, SessionError  # noqa: E402

MEMORY_DISK = "/dev/shm"


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
            outcome.run()
        except (Exception, Death):
            return [traceback.format_exc()]
        return [f"{rule.__name__}: {text}" for rule in RULES for text in rule(outcome)]
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def report(seed: int, found: list[str]) -> str:
    """Return a failure for people: what is wrong, the script, and how to run it again."""
    return "\n".join(["", *found, draw(seed).describe(), "again with:", f"  {again(seed)}"])


def told(result: dict[str, Any]) -> str:
    """Return a count of campaigns as Markdown."""
    failed = ", ".join(map(str, result["failed"])) or "none"
    rows = [f"| {kind} | {count} |" for kind, count in sorted(result["faults"].items())]
    return "\n".join(
        [
            f"{result['date']}: {result['played']} campaigns from seed {result['first']} on, in "
            f"{result['seconds']:.0f} s; that broke a rule: {failed}.",
            "",
            "| fault | times drawn |",
            "|---|---:|",
            *rows,
        ]
    )


def main() -> int:
    """Run many; exit 1 if any failed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--campaigns", type=int, default=500)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--most-failures", type=int, default=20)
    parser.add_argument("--write", action="store_true", help="put the count into docs/reliability.md")
    given = parser.parse_args()
    begun = time.monotonic()
    played = unplayable = 0
    failed: list[int] = []
    faults: Counter[str] = Counter()
    for seed in range(given.first, given.first + given.campaigns):
        if time.monotonic() - begun > 60 * given.minutes or len(failed) >= given.most_failures:
            break
        found = failures(seed)
        played += found is not None
        faults.update(fault.kind for fault in draw(seed).faults)
        unplayable += found is None
        if found:
            failed.append(seed)
            print(f"seed {seed}: {found[0].splitlines()[-1]}", flush=True)
            print(f"  {again(seed)}", flush=True)
    seconds = round(time.monotonic() - begun, 1)
    result: dict[str, Any] = {
        "first": given.first,
        "played": played,
        "unplayable": unplayable,
        "failed": failed,
        "seconds": seconds,
        "faults": dict(faults),
    }
    print(json.dumps(result))
    if given.write:
        from timing_page import put_table

        result["date"] = time.strftime("%Y-%m-%d")
        put_table("laboratory", told(result), result, "reliability-lab.json", "reliability.md")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
