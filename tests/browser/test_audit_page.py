"""The page of an audit in a browser: it draws, moves, prints, and can be read by everybody."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from runner.audit.page import audit_page
from runner.audit.text import audit_take
from runner.takes.format import Kind, Record
from runner.takes.reader import read_take
from runner.takes.testing import RecordMaker, song_time, steady_records, take_header, write_take

PHONE = {"width": 390, "height": 844}
PLOTS = ("sections", "found", "tempo", "ticks-out", "ticks-in", "cues", "machines", "histogram")
Open = Callable[..., Any]


def spoiled(records: list[Record]) -> list[Record]:
    """Make two clocks late, leave one out, let a port vanish, send cues, and let a clock come in."""
    kept = [r for r in records if not (r.kind == Kind.TICK_SENT and r.port == 1 and r.ref == 900)]
    late = [
        replace(r, t_ns=r.t_ns + 4_000_000) if r.kind == Kind.TICK_SENT and r.ref in (500, 501) else r
        for r in kept
    ]
    maker = RecordMaker(len(records) * 3)
    maker.json(Kind.PRESENCE, 9_000_000_000, {"port": "loft", "present": False})
    maker.json(Kind.PRESENCE, 11_000_000_000, {"port": "loft", "present": True})
    for bar in range(12):
        due = bar * 1_920_000_000
        maker.add(Kind.SENT, due + bar * 700_000, due_ns=due, quarters=4.0 * bar, port=0, machine=0, ref=2,
                  data=bytes((0xC9, bar)))  # fmt: skip
    for tick in range(1200):
        maker.add(Kind.TICK_RECEIVED, tick * 20_000_000 + tick % 7 * 90_000, port=0, ref=tick)
    return late + maker.records


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a take of 16 bars in which much went wrong."""
    folder = tmp_path_factory.mktemp("page")
    time = song_time(125, bars=16, pre_roll=1)
    header = take_header(time, 2, sources=("clock", "part", "songs[0].cues[0]"))
    write_take(folder / "take", header, spoiled(steady_records(time, 2))).finish()
    take = read_take(folder / "take")
    page = folder / "audit.html"
    page.write_text(audit_page(take, audit_take(take), [(5_000_000_000, "bass early")]), encoding="utf-8")
    return page


def test_it_draws_every_plot_and_complains_of_nothing(file: Path, opened: Open) -> None:
    """No error on the console, nothing asked of a network, and something drawn in each plot."""
    view = opened(file)
    assert view.complaints == []
    assert view.requests == [file.as_uri()]
    for plot in PLOTS:
        drawn = view.page.eval_on_selector_all(
            f"#plot-{plot} :is(path, rect, circle, text)", "all => all.length"
        )
        assert drawn > 3, plot
    assert view.readout().startswith("the whole take")
    view.shot("audit-light")


def test_every_late_clock_is_drawn_beyond_the_limit(file: Path, opened: Open) -> None:
    """Two late clocks of 1,630 on each port show in the whole view; so does the gap."""
    view = opened(file)
    paths = view.page.eval_on_selector_all(
        "#plot-ticks-out path.over", "all => all.map(p => p.getAttribute('d'))"
    )
    assert len(paths) == 2 and all(paths)
    assert "✕" in view.page.text_content("#plot-ticks-out")


def test_a_click_on_a_finding_zooms_all_plots_to_it(file: Path, opened: Open) -> None:
    """The bars around the finding are in view in each plot, and its row is marked."""
    view = opened(file)
    view.page.click("ol.findings >> text=clock-late >> xpath=ancestor::li >> button")
    assert view.readout() == "bar 3 to 8"
    shown = view.bars("tempo")
    assert 0 < len(shown) <= 6
    assert all(view.bars(plot) == shown for plot in ("sections", "found", "ticks-out", "cues", "machines"))
    assert view.page.locator("li.shown").count() == 1
    assert view.page.locator("button[aria-pressed=true]").count() == 1
    view.shot("audit-zoomed")
    view.page.click("button:has-text('Whole take')")
    assert view.readout().startswith("the whole take")
    assert view.page.locator("li.shown").count() == 0


def test_the_keyboard_is_enough(file: Path, opened: Open) -> None:
    """Tab reaches a finding's button and Enter zooms; in the plots plus, minus, arrows and 0 move."""
    view = opened(file)
    for _ in range(12):
        view.page.keyboard.press("Tab")
        if view.page.evaluate("document.activeElement.dataset.t !== undefined"):
            break
    view.page.keyboard.press("Enter")
    zoomed = view.readout()
    assert zoomed.startswith("bar ")
    view.page.focus("#plots")
    seen = []
    for key in ("+", "ArrowRight", "ArrowLeft", "-", "-"):
        view.page.keyboard.press(key)
        seen.append(view.readout())
    assert len(set(seen)) >= 3
    view.page.keyboard.press("0")
    assert view.readout().startswith("the whole take")
    view.page.fill("#go-bar", "9")
    view.page.keyboard.press("Enter")
    assert 9 in view.bars("tempo")


def test_dragging_zooms_to_what_was_dragged_over(file: Path, opened: Open) -> None:
    """From a quarter to a half of the plot: about a quarter of the bars is left in view."""
    view = opened(file)
    view.page.locator("#plot-tempo").scroll_into_view_if_needed()
    box = view.page.locator("#plot-tempo").bounding_box()
    y = box["y"] + 40
    view.page.mouse.move(box["x"] + box["width"] * 0.4, y)
    view.page.mouse.down()
    view.page.mouse.move(box["x"] + box["width"] * 0.5, y)
    view.page.mouse.move(box["x"] + box["width"] * 0.6, y)
    view.page.mouse.up()
    view.settled()
    shown = view.bars("tempo")
    assert shown and 5 <= min(shown) <= 8 and max(shown) <= 11
    view.page.dblclick("#plot-tempo")
    assert view.readout().startswith("the whole take")


def test_tables_say_what_the_plots_show(file: Path, opened: Open) -> None:
    """Under each plot there is a table; opened, it holds the cue that was latest."""
    view = opened(file)
    figures = view.page.locator("figure:has(#plot-cues)")
    figures.locator("summary").click()
    assert "7.70 ms" in figures.locator("table").inner_text()


@pytest.mark.parametrize(("scheme", "size"), [("light", None), ("dark", None), ("light", PHONE)])
def test_axe_finds_no_violation(file: Path, opened: Open, scheme: str, size: dict[str, int] | None) -> None:
    """Contrast, names, roles, order of headings: nothing is objected to, with all tables open."""
    view = opened(file, scheme, size)
    assert view.violations() == []
    view.shot(f"audit-{scheme}-{'phone' if size else 'wide'}-tables")


def test_on_a_phone_nothing_lies_beyond_the_edge(file: Path, opened: Open) -> None:
    """The page does not scroll sideways at 390 pixels; wide tables scroll by themselves."""
    view = opened(file, size=PHONE)
    assert view.page.evaluate("document.scrollingElement.scrollWidth") <= PHONE["width"]
    view.shot("audit-phone")


def test_paper_is_white_whatever_the_screen(file: Path, opened: Open) -> None:
    """Printed from a dark screen: white ground, no buttons, all tables open, findings whole."""
    view = opened(file, "dark")
    view.page.emulate_media(media="print", color_scheme="dark")
    view.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert view.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not view.page.locator("button").first.is_visible()
    assert view.page.locator("details:not([open])").count() == 0
    view.shot("audit-print")
    assert view.page.pdf()[:5] == b"%PDF-"
    view.page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert view.page.locator("details[open]").count() == 0
