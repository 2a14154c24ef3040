"""The page of an evening: every take, what is still to be done, and how the clock kept."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any

import pytest

from runner.audit.session_page import TakeRow, session_page


def a_row(number: int, **changes: Any) -> TakeRow:
    """Return a take of Ropewalk as the list has it."""
    summary = {
        "clock": {"lateness_us": {"p50": 5.0, "p99": 40.0 * number, "max": 300.0 * number}, "missing": 0},
        "limits": {"clock_ns": 320_000},
        "findings": [{"code": "clock-late", "at": "bar 3", "text": "late <b>"}] if number == 2 else [],
    }
    facts: dict[str, Any] = {
        "session": "Lantern Quay, evening run", "song": "Ropewalk", "pass_name": "bass overdub",
        "number": number,
        "started": f"2026-05-04 19:3{number}", "verdict": "clean" if number != 2 else "flawed",
        "seconds": 125.0,
        "codes": ("clock-late",) if number == 2 else (), "rating": "", "marks": 0, "summary": summary,
    }  # fmt: skip
    return TakeRow(**{**facts, **changes})


def text_of(page: str) -> str:
    """Return a page's text without its markup."""
    parts: list[str] = []
    parser = HTMLParser()
    parser.handle_data = parts.append  # type: ignore[method-assign]
    parser.feed(page.split("</style>")[1])
    return re.sub(r"\s+", " ", " ".join(parts))


def test_it_counts_takes_and_says_what_is_to_be_done() -> None:
    """Verdicts are counted; a song and pass without a clean take is named as still to be done."""
    rows = [
        a_row(1),
        a_row(2),
        a_row(3, rating="keep", marks=2),
        a_row(1, song="Fog Signal", verdict="failed"),
    ]
    text = text_of(session_page(rows, "/takes"))
    assert "4 takes: 2 clean, 1 flawed, 1 failed. 8 min 20.0 s of music." in text
    assert "Ropewalk bass overdub 3 1, 3 3 kept" in text
    assert "Fog Signal bass overdub 1 – – to be done: no clean take" in text
    assert "kept, 2 marked" in text
    assert "2026-05-04 · /takes" in text


def test_the_trend_has_each_take() -> None:
    """The chart has three signs for each take, with its name and worst, and the limit; markup stays text."""
    page = session_page([a_row(1), a_row(2), a_row(3)], "/takes")
    assert len(re.findall(r">[•▴×]<title>", page)) == 9
    assert "Ropewalk, bass overdub, take 3: worst 900 µs" in page
    assert "limit 320 µs" in page
    assert "late <b>" not in page and "late &lt;b&gt;" in page


@pytest.mark.parametrize(
    "summary",
    [None, {}, {"clock": []}, {"clock": {"lateness_us": {"max": "x"}}}, {"findings": [3]},
     {"clock": {"lateness_us": {"p50": float("nan"), "p99": float("inf"), "max": float("nan")}}}],
)  # fmt: skip
def test_a_take_that_cannot_be_read_hides_no_other(summary: dict[str, Any] | None) -> None:
    """A take whose take.json is damaged or odd has its row, and the others have theirs."""
    page = session_page([a_row(1), a_row(2, verdict="damaged", summary=summary)], "/takes")
    text = text_of(page)
    assert "1 clean, 1 damaged" in text and "✕ damaged" in text and "✓ clean" in text
    assert "nan" not in page


def test_no_takes_and_many_takes() -> None:
    """Without takes it says so; with two hundred it still labels only some."""
    assert "There is no take here" in session_page([], "/takes")
    page = session_page([a_row(number % 9 + 1) for number in range(200)], "/takes")
    assert len(re.findall(r'<text class="faint"[^>]*middle', page)) <= 24
