"""All takes of an evening on one self-contained page, with the trend of the clock's quality. Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runner.audit.page_parts import VERDICT_SIGNS, document, esc, head, length_text, table, us
from runner.audit.verdict import Limits

WIDTH, HEIGHT, LEFT, RIGHT, BOTTOM = 1100, 240, 84, 14, 40
_LEAST_US = 1.0  #: lower figures are drawn there: the scale is logarithmic
_ORDER = ("failed", "damaged", "interrupted", "open", "flawed", "clean")
_RATED = {"keep": "kept", "discard": "discarded"}


@dataclass(frozen=True, slots=True)
class TakeRow:
    """A take for the page: what the list of takes knows, and its take.json (None if it cannot be read)."""

    session: str
    song: str
    pass_name: str
    number: int
    started: str  #: local date and time, as it is to be shown
    verdict: str
    seconds: float
    codes: tuple[str, ...]
    rating: str
    marks: int
    summary: Mapping[str, Any] | None

    @property
    def name(self) -> str:
        """The take in words."""
        return f"{self.song}, {self.pass_name}, take {self.number}"

    def lateness_us(self, key: str) -> float | None:
        """A quantile of the clock's lateness in µs: "p50", "p99", "max"; None if there is none."""
        late = _dict(_dict(self.summary).get("clock")).get("lateness_us")
        value = _dict(late).get(key)
        if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
            return None
        return float(value)

    def clock_count(self, key: str) -> int:
        """A count of the clock: "missing", "extra"."""
        value = _dict(_dict(self.summary).get("clock")).get(key)
        return value if type(value) is int else 0

    @property
    def worst_finding(self) -> str:
        """The first finding in words; "" without one."""
        findings = _dict(self.summary).get("findings")
        first = findings[0] if isinstance(findings, list) and findings else None
        if not isinstance(first, Mapping):
            return ""
        at = f"{first['at']}: " if first.get("at") else ""
        return f"{at}{first.get('text', '')}"


def _dict(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def session_page(rows: Sequence[TakeRow], place: str) -> str:
    """Return the page of takes in the order given; `place` says where they lie."""
    sessions = list(dict.fromkeys(row.session for row in rows))
    days = list(dict.fromkeys(row.started[:10] for row in rows if row.started))
    title = sessions[0] if len(sessions) == 1 else f"{len(sessions)} sessions" if sessions else "No takes"
    verdicts = Counter(row.verdict for row in rows)
    worst = next((verdict for verdict in _ORDER if verdicts[verdict]), "open")
    told = ", ".join(f"{verdicts[verdict]} {verdict}" for verdict in reversed(_ORDER) if verdicts[verdict])
    lines = (
        f"{len(rows)} take{'s' if len(rows) != 1 else ''}: {told or 'none'}. "
        f"{length_text(sum(row.seconds for row in rows))} of music.",
        f"{' to '.join([days[0], days[-1]] if len(days) > 1 else days)} · {place}",
    )
    body = [
        '<a class="skip" href="#h-takes">To the takes</a>',
        head(worst, title, lines),
        "<main>",
        _songs(rows),
        _trend(rows),
        _takes(rows),
        "</main><footer><p>Made by <code>takewright takes --page</code>.</p></footer>",
    ]
    return document(title, "\n".join(body))


def _songs(rows: Sequence[TakeRow]) -> str:
    """What each song and pass has, and which lacks a take that is clean or kept."""
    by_name: dict[tuple[str, str], list[TakeRow]] = {}
    for row in rows:
        by_name.setdefault((row.song, row.pass_name), []).append(row)
    cells = []
    for (song, a_pass), takes in by_name.items():
        clean = [str(take.number) for take in takes if take.verdict == "clean"]
        kept = [str(take.number) for take in takes if take.rating == "keep"]
        state = "kept" if kept else "clean" if clean else "to be done: no clean take"
        cells.append((song, a_pass, str(len(takes)), ", ".join(clean) or "–", ", ".join(kept) or "–", state))
    if not cells:
        return "<p>There is no take here.</p>"
    columns = ("Song", "pass", "takes", "clean", "kept", "so far")
    return (
        '<section aria-labelledby="h-songs"><h2 id="h-songs">Songs and passes</h2>'
        f"{table('What there is of each', columns, cells, (2,))}</section>"
    )


def _trend(rows: Sequence[TakeRow]) -> str:
    shown = [row for row in rows if row.lateness_us("max") is not None]
    if not shown:
        return ""
    words = (
        "How late the clocks of each take went out, in the order of the takes; the scale is logarithmic. "
        "Dots: half were within. Triangles: 99 % were within. Crosses: the worst."
    )
    return (
        '<section aria-labelledby="h-trend"><h2 id="h-trend">The clock over the evening</h2>'
        f"<figure><figcaption>Lateness of the clock, take by take</figcaption>"
        f'<svg role="img" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'aria-label="{esc(words)} The table below has the figures.">'
        f"{_chart(shown)}</svg><p class='soft'>{esc(words)}</p></figure></section>"
    )


def _chart(rows: Sequence[TakeRow]) -> str:
    limit_us = Limits.from_mapping(_dict(_dict(rows[0].summary).get("limits"))).clock_ns / 1000
    worst = max(limit_us * 2, *(row.lateness_us("max") or 0 for row in rows))
    decades = math.log10(worst / _LEAST_US)
    bottom = HEIGHT - BOTTOM

    def y(value: float) -> float:
        return round(bottom - math.log10(max(value, _LEAST_US) / _LEAST_US) / decades * (bottom - 10), 1)

    def x(index: int) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (index + 0.5) / len(rows), 1)

    parts = []
    value = _LEAST_US
    while value <= worst:
        parts.append(
            f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(value)}" y2="{y(value)}"/>'
            f'<text class="faint" x="{LEFT - 6}" y="{y(value) + 4}" text-anchor="end">{us(value)}</text>'
        )
        value *= 10
    parts.append(
        f'<line class="limit" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(limit_us)}" y2="{y(limit_us)}"/>'
        f'<text x="{LEFT + 4}" y="{y(limit_us) - 4}">limit {us(limit_us)}</text>'
    )
    for key, kind in (("p50", "other"), ("p99", "curve")):
        line = " ".join(f"{x(i)},{y(row.lateness_us(key) or 0)}" for i, row in enumerate(rows))
        parts.append(f'<polyline class="{kind}" points="{line}"/>')
    every = max(1, math.ceil(len(rows) / 24))
    for index, row in enumerate(rows):
        title = f"<title>{esc(row.name)}: worst {us(row.lateness_us('max'))}</title>"
        for key, sign in (("p50", "•"), ("p99", "▴"), ("max", "×")):
            parts.append(_text(x(index), y(row.lateness_us(key) or 0) + 4, sign + title))
        if index % every == 0:
            parts.append(_text(x(index), bottom + 16, esc(row.started[11:16] or "?"), "faint"))
        parts.append(_text(x(index), bottom + 32, VERDICT_SIGNS.get(row.verdict, "?") + title))
    return "".join(parts)


def _rating(row: TakeRow) -> str:
    words = (_RATED.get(row.rating, ""), f"{row.marks} marked" if row.marks else "")
    return ", ".join(filter(None, words)) or "–"


def _text(x: float, y: float, body: str, kind: str = "") -> str:
    return f'<text class="{kind}" x="{x}" y="{y:g}" text-anchor="middle">{body}</text>'


def _takes(rows: Sequence[TakeRow]) -> str:
    cells = [
        (
            row.started or "?", row.song, row.pass_name, str(row.number),
            f"{VERDICT_SIGNS.get(row.verdict, '?')} {row.verdict}", length_text(row.seconds),
            us(row.lateness_us("p99")), us(row.lateness_us("max")), str(row.clock_count("missing")),
            _rating(row), row.worst_finding or ", ".join(row.codes) or "–",
        )
        for row in rows
    ]  # fmt: skip
    columns = (
        "Started", "song", "pass", "take", "verdict", "length", "99 % within", "worst", "clocks missing",
        "rating", "what was found first",
    )  # fmt: skip
    if not cells:
        return ""
    return (
        '<section aria-labelledby="h-takes"><h2 id="h-takes">Takes</h2>'
        f"{table('Every take, in order', columns, cells, (3, 5, 6, 7, 8))}</section>"
    )
