"""Where engine and desk spend their time in a take: py-spy samples them while it rolls.

    pip install py-spy
    python tests/bench/profile.py --seconds 40

Prints, for each process, the functions with the most samples of their own and with all they called; sleep is
left out. The sampler does not stop the process, so some samples are torn; they are left out too.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from measure import RollingTake, machine
from players import part
from timing_page import put_table

HOTTEST = 8


def sampled(file: Path) -> tuple[Counter[str], Counter[str], int]:
    """Return samples by function, of its own and with all it called, and their number."""
    own: Counter[str] = Counter()
    whole: Counter[str] = Counter()
    total = 0
    for line in file.read_text().splitlines():
        stack, _, count = line.rpartition(" ")
        frames = [frame.strip() for frame in stack.split(";")]
        if not any(frames):
            continue  # a thread with no Python in it, or a sample that was torn
        total += int(count)
        own[frames[-1]] += int(count)
        for frame in set(frames):
            whole[frame] += int(count)
    return own, whole, total


def main() -> None:
    """Profile both."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=40)
    parser.add_argument("--write", action="store_true", help="put the table into docs/timing.md")
    given = parser.parse_args()
    if shutil.which("py-spy") is None:
        parser.error("py-spy is not on the path: pip install py-spy")
    hottest: dict[str, Any] = {}
    with (
        tempfile.TemporaryDirectory() as folder,
        RollingTake(given.seconds + 6, part=part(given.seconds)) as rolling,
    ):
        rolling.wait_rolling()
        watchers = []
        for name in ("engine", "desk"):
            words = [
                "py-spy",
                "record",
                "--nonblocking",
                "-r",
                "1000",
                "-d",
                str(int(given.seconds)),
                "-f",
                "raw",
            ]
            words += ["--function", "-o", f"{folder}/{name}", "-p", str(rolling.pid(name))]
            watchers.append(subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
        try:
            for watcher in watchers:
                watcher.wait(given.seconds + 60)
        finally:
            for watcher in watchers:
                watcher.kill()
        for name in ("engine", "desk"):
            own, whole, total = sampled(Path(folder, name))
            if not total:
                raise SystemExit(
                    f"py-spy saw nothing of the {name}: it may need the right to trace processes"
                )
            print(f"{name}: {total} samples awake")
            hottest[name] = [(frame, count / total) for frame, count in own.most_common(3)]
            for title, counts in (("of its own", own), ("with all it called", whole)):
                print(f"  {title}")
                for frame, count in counts.most_common(HOTTEST):
                    print(f"    {100 * count / total:5.1f} %  {frame.replace(os.getcwd() + '/', '')}")
        rolling.sample_to_end()
    if given.write:
        lines = ["| process | function | of its time awake |", "|---|---|---:|"]
        for name, rows in hottest.items():
            lines += [
                f"| {name} | `{frame.partition(' ')[0]}` | {100 * share:.0f} % |" for frame, share in rows
            ]
        put_table("profile", "\n".join(lines), {**machine(), "hottest": hottest}, "timing-profile.json")


if __name__ == "__main__":
    main()
