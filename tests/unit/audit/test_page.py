"""The page of an audit: whole in one file, safe with any name, and the same in words as in plots."""

from __future__ import annotations

import json
import random
import re
import shutil
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from runner.audit.compare import compare_takes
from runner.audit.compare_page import compare_page
from runner.audit.compare_text import compare_text
from runner.audit.page import audit_page
from runner.audit.text import audit_take
from runner.errors import TakeFormatError, UsageError
from runner.takes.format import Kind
from runner.takes.model import Take
from runner.takes.reader import read_take
from runner.takes.testing import song_time, steady_records, take_header, write_take

VOID = {"meta", "input", "br", "link"}


class Outline(HTMLParser):
    """Notes the tags of a page and whether each that was opened is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close a tag."""
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def outline(page: str) -> Outline:
    """Return the tags of a page."""
    parser = Outline()
    parser.feed(page)
    parser.close()
    return parser


def a_take(folder: Path, *, late: bool = False, song: str = "Ropewalk") -> Take:
    """Write and read a take of four bars; with `late`, one that was stopped in the middle of a note."""
    time = song_time(125, bars=4, pre_roll=1)
    records = steady_records(time, 2)
    if late:
        records = [record for record in records if not (record.kind == Kind.TICK_SENT and record.ref == 200)]
    write_take(folder, take_header(time, 2, song=song), records).finish()
    return read_take(folder)


def test_a_page_is_whole_and_asks_nothing_of_a_network(tmp_path: Path) -> None:
    """No address, no import, no source outside; a policy in the page forbids it too."""
    take = a_take(tmp_path)
    page = audit_page(take, audit_take(take))
    assert not re.search(r"(src|href)\s*=\s*[\"'](?!#)", page)
    assert not re.search(r"https?://|@import|url\((?!#)", page)
    assert "default-src 'none'" in page
    tags = outline(page)
    assert tags.wrong == [] and tags.open == []
    assert tags.tags[0] == ("html", {"lang": "en"})


def test_names_from_a_session_cannot_become_code(tmp_path: Path) -> None:
    """Markup in a song's name is text, in the page and in the data of its plots."""
    evil = "</script><script>alert(1)</script><b onload='x'>&\u2028"
    take = a_take(tmp_path, song=evil, late=True)
    summary = audit_take(take)
    summary["findings"][0]["text"] += evil
    page = audit_page(take, summary, [(5, evil)])
    assert "<script>alert" not in page and "<b onload" not in page
    tags = outline(page)
    assert sum(1 for tag, _ in tags.tags if tag == "script") == 2
    data = re.search(r'id="plot-data">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    assert json.loads(data[1])["panels"]


def test_headings_landmarks_and_names_for_readers_of_the_page(tmp_path: Path) -> None:
    """One main part, one first heading, no level left out; each plot has a name; each table a caption."""
    take = a_take(tmp_path, late=True)
    page = audit_page(take, audit_take(take))
    tags = outline(page).tags
    names = [tag for tag, _ in tags]
    assert names.count("main") == names.count("h1") == names.count("header") == names.count("footer") == 1
    levels = [int(tag[1]) for tag in names if re.fullmatch("h[1-6]", tag)]
    assert all(after <= before + 1 for before, after in pairwise(levels))
    plots = [attrs for tag, attrs in tags if tag == "svg"]
    assert len(plots) >= 5
    assert all(attrs.get("role") == "img" and attrs.get("aria-label") for attrs in plots)
    assert names.count("table") == names.count("caption") > 3
    ids = [attrs["id"] for _, attrs in tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_the_verdict_comes_first_then_what_matters(tmp_path: Path) -> None:
    """Verdict, three findings, the rest, plots, figures; a finding with a time has a button that shows it."""
    take = a_take(tmp_path, late=True)
    summary = audit_take(take)
    first = summary["findings"][0]
    summary["findings"] = [dict(first, text=f"finding {number}", t_ns=number * 10**9) for number in range(5)]
    summary["findings"][4]["t_ns"] = None
    page = audit_page(take, summary)
    places = [
        page.index(text) for text in ("<h1>Failed", "What matters most", "2 more", ">Plots<", ">Figures<")
    ]
    assert places == sorted(places)
    assert page.index("finding 2 ") < page.index("2 more") < page.index("finding 3 ")
    assert page.count("data-t=") == 4
    assert f"<code>{first['code']}</code>" in page


@pytest.mark.parametrize("keep", [0, 1, 3])
def test_a_take_of_almost_nothing_has_a_page_too(tmp_path: Path, keep: int) -> None:
    """A log that breaks off after no record, one or three still makes a page."""
    time = song_time(125, bars=4)
    write_take(tmp_path, take_header(time, 1), steady_records(time, 1)[:keep]).finish()
    take = read_take(tmp_path)
    page = audit_page(take, audit_take(take))
    assert "<h1>Interrupted" in page or "<h1>Failed" in page
    assert outline(page).wrong == []


@pytest.fixture(scope="module")
def two_takes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two closed takes that are to be damaged."""
    folder = tmp_path_factory.mktemp("damaged")
    for number in (1, 2):
        time = song_time(125, bars=3, pre_roll=1)
        header = take_header(time, 2, number=number, sources=("clock", "part", "songs[0].cues[0]"))
        write_take(folder / f"take-{number}", header, steady_records(time, 2)).close()
    return folder


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_take_still_makes_pages(two_takes: Path, tmp_path: Path, seed: int) -> None:
    """Bytes that are flipped, numbers that are monstrous, files that are cut: an audit's page and a
    comparison's are made, or the take is refused in words."""
    rng = random.Random(seed)
    shutil.copytree(two_takes, tmp_path / "takes")
    file = tmp_path / "takes" / "take-2" / rng.choice(["events.jsonl", "clock.jsonl", "take.json"])
    data = bytearray(file.read_bytes())
    if seed % 3 == 0:
        del data[rng.randrange(len(data)) :]
    elif seed % 3 == 1:
        for _ in range(20):
            data[rng.randrange(len(data))] = rng.randrange(256)
    else:
        numbers = list(re.finditer(rb"-?\d+", data))
        for found in sorted(rng.sample(numbers, 5), key=lambda match: -match.start()):
            data[found.start() : found.end()] = rng.choice(
                [b"4611686018427387903", b"-1e300", b"0", b"-99999"]
            )
    file.write_bytes(data)
    try:
        takes = [read_take(tmp_path / "takes" / f"take-{number}") for number in (1, 2)]
        assert "<h1>" in audit_page(takes[1], audit_take(takes[1]))
        comparisons = compare_takes(takes)
    except (TakeFormatError, UsageError) as error:
        told = str(error)
    else:
        told = compare_text(comparisons)
        assert "<h1>" in compare_page(takes, comparisons)
    assert told
