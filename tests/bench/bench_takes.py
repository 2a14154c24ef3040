"""How long 10,000 takes take to list, with the index and without, beside a yardstick in the same run.

The yardstick is a plain walk over the same folders with a look at each take.json (`os.walk`, `os.stat`). The
bar: a list within 1 s. Run with `python -m pytest -m bench tests/bench/bench_takes.py -s`.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from runner.takes.index import INDEX_FILE
from runner.takes.store import Store

TAKES = 10_000
LIST_S = 1.0


def make_takes(folder: Path, count: int) -> None:
    """Make takes that were closed, over 20 evenings, 10 songs and 2 passes."""
    for number in range(count):
        evening, song, a_pass = number % 20, number // 20 % 10, number // 200 % 2
        place = folder / f"Evening {evening}" / f"Song {song}" / f"pass {a_pass}" / f"take-{number:05d}"
        place.mkdir(parents=True)
        findings = [{"code": "clock-late", "severity": "warning", "text": "x" * 200, "causes": []}] * (
            number % 3
        )
        summary = {
            "session": f"Evening {evening}", "song": f"Song {song}", "pass": f"pass {a_pass}",
            "number": number, "verdict": "flawed" if findings else "clean", "seconds": 180.0,
            "started_at": f"2026-05-{1 + evening:02d}T19:30:00.{number % 1000:03d}Z", "findings": findings,
            "header": {"machines": ["x" * 50] * 40},
        }  # fmt: skip
        (place / "take.json").write_text(json.dumps(summary, indent=1))
        if number % 4 == 0:
            (place / "rating.json").write_text('{"rating": "keep", "marks": []}')


def timed(what: Callable[[], object]) -> float:
    """Return how many seconds a call takes."""
    begun = time.perf_counter()
    what()
    return time.perf_counter() - begun


def walk(folder: Path) -> None:
    """Look at each take.json below a folder."""
    for place, _, files in os.walk(folder):
        if "take.json" in files:
            os.stat(f"{place}/take.json")


@pytest.mark.bench
def test_ten_thousand_takes_are_listed_in_a_second(tmp_path: Path) -> None:
    """With its index the list takes at most 1 s, and so it does when the index has to be made anew."""
    make_takes(tmp_path, TAKES)
    store = Store(tmp_path)
    assert len(store.takes()) == TAKES
    plain = min(timed(lambda: walk(tmp_path)) for _ in range(3))
    listed = min(timed(store.takes) for _ in range(3))

    def anew() -> None:
        (tmp_path / INDEX_FILE).unlink()
        store.takes()

    rebuilt = min(timed(anew) for _ in range(3))
    print(f"walk {plain:.2f} s, list {listed:.2f} s, index anew {rebuilt:.2f} s")
    assert listed <= LIST_S
    assert rebuilt <= LIST_S
