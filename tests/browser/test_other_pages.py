"""The pages of a comparison and of an evening in a browser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from runner.audit.compare import compare_takes
from runner.audit.compare_page import compare_page
from runner.audit.session_page import TakeRow, session_page
from runner.takes.format import Kind
from runner.takes.model import Take
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

PHONE = {"width": 390, "height": 844}
Open = Callable[..., Any]


def a_take(folder: Path, number: int, per_mille: float) -> Take:
    """Write a take of 32 bars whose clock runs slow by so many thousandths, with a cue that moves about."""
    time = song_time(125, bars=32, pre_roll=1)
    header = take_header(
        time, 1, number=number, take=f"take-{number:04d}", sources=("clock", "p", "songs[0].cues[0]")
    )
    records = [
        replace(r, t_ns=r.t_ns + round((r.t_ns - header.anchor_ns) * per_mille / 1000))
        for r in steady_records(time, 1)
    ]
    maker = RecordMaker(9_000_000)
    for bar in range(6):
        due = bar * 1_920_000_000
        maker.add(Kind.SENT, due + number * bar * 2_000_000, due_ns=due, quarters=4.0 * bar, port=0,
                  machine=0, ref=2, data=bytes((0xC9, bar + (number == 3 and bar == 5))))  # fmt: skip
    write_take(folder / f"take-{number:04d}", header, records + maker.records).finish()
    return read_take(folder / f"take-{number:04d}")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A comparison of three takes, and an evening of twelve."""
    folder = tmp_path_factory.mktemp("pages")
    takes = [a_take(folder, number, per_mille) for number, per_mille in ((1, 0.0), (2, 0.15), (3, -0.05))]
    compared = folder / "compare.html"
    compared.write_text(compare_page(takes, compare_takes(takes)), encoding="utf-8")
    evening = folder / "evening.html"
    rows = [
        TakeRow(
            "Lantern Quay, evening run", "Ropewalk" if number < 9 else "Fog Signal", "bass overdub", number,
            f"2026-05-04 19:{10 + number}", "failed" if number in (3, 9) else "clean", 180.0 + number,
            ("clock-late",) if number == 3 else (), "keep" if number == 8 else "", number % 3,
            {"clock": {"lateness_us": {"p50": 3.0 + number, "p99": 50.0 * number, "max": 40.0 * number**2}},
             "limits": {}, "findings": []},
        )
        for number in range(1, 13)
    ]  # fmt: skip
    evening.write_text(session_page(rows, "/srv/takes"), encoding="utf-8")
    return {"compare": compared, "evening": evening}


@pytest.mark.parametrize("name", ["compare", "evening"])
@pytest.mark.parametrize(("scheme", "size"), [("light", None), ("dark", PHONE)])
def test_no_complaint_and_no_violation(
    pages: dict[str, Path], opened: Open, name: str, scheme: str, size: dict[str, int] | None
) -> None:
    """Nothing on the console, nothing asked of a network, nothing for axe-core, nothing over the edge."""
    view = opened(pages[name], scheme, size)
    view.shot(f"{name}-{scheme}")
    assert view.complaints == []
    assert view.requests == [pages[name].as_uri()]
    assert view.violations() == []
    width = view.page.evaluate("document.scrollingElement.scrollWidth")
    assert width <= view.page.evaluate("innerWidth")


def test_a_comparison_has_a_line_for_each_take(pages: dict[str, Path], opened: Open) -> None:
    """Two takes against the first: two kinds of line for offsets, three for tempo, moved cues."""
    view = opened(pages["compare"])
    assert view.page.locator("#plot-offsets g path").count() == 2
    assert view.page.locator("#plot-tempo g path").count() == 3
    assert view.page.locator("#plot-moved text.m-warning").count() >= 1
    kinds = view.page.eval_on_selector_all(
        "#plot-offsets g path", "all => all.map(p => getComputedStyle(p).strokeDasharray)"
    )
    assert len(set(kinds)) == 2
    view.page.focus("#plots")
    view.page.keyboard.press("+")
    assert view.readout().startswith("bar ")


def test_cues_of_one_take_stand_at_their_own_bars_and_are_counted(tmp_path: Path, opened: Open) -> None:
    """Cues that only one take has: each at its own bar, those close together as one sign."""
    time = song_time(125, bars=32, pre_roll=1)
    takes = []
    for number, bars in ((1, (2, 2, 2, 20)), (2, ())):
        header = take_header(
            time, 1, number=number, take=f"take-{number:04d}", sources=("clock", "p", "songs[0].cues[0]")
        )
        maker = RecordMaker(9_000_000)
        for program, bar in enumerate(bars):
            due = (bar - 1) * 1_920_000_000
            maker.add(Kind.SENT, due, due_ns=due, quarters=4.0 * (bar - 1), port=0, machine=0, ref=2,
                      data=bytes((0xC9, program)))  # fmt: skip
        shift = 2_000_000_000 if number == 2 else 0  # far more than the limit, so that both limits meet
        records = [
            replace(r, t_ns=r.t_ns + shift * (r.t_ns > header.anchor_ns)) for r in steady_records(time, 1)
        ]
        write_take(tmp_path / header.take, header, records + maker.records).finish()
        takes.append(read_take(tmp_path / header.take))
    page = tmp_path / "compare.html"
    page.write_text(compare_page(takes, compare_takes(takes)), encoding="utf-8")
    view = opened(page)
    signs = view.page.locator("#plot-moved text.m-error")
    assert [text.split("only")[0] for text in signs.all_text_contents()] == ["✕3", "✕"]
    assert signs.first.locator("title").text_content().count("bar 2 beat 1, drums, program ") == 3
    grid = view.page.eval_on_selector_all(
        "#plot-moved line.grid", "all => all.map(line => Number(line.getAttribute('x1')))"
    )
    places = signs.evaluate_all("all => all.map(text => Number(text.getAttribute('x')))")
    width = (grid[-1] - grid[0]) / 32  # bars 0 to 32 or as far as lines are drawn
    assert places[1] - places[0] > 15 * width
    named = view.page.locator("#plot-offsets text", has_text="limit").all_text_contents()
    assert named == ["limit ±6"]
