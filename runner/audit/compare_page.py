"""Takes held against each other as one self-contained page with overlays. Pure: values in, HTML out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from runner.audit.compare import APART, IF_MOVED, TOGETHER, Comparison, MovedCue
from runner.audit.compare_text import bar_text, conclusion, cue_text, figure_rows, later, short_name
from runner.audit.page_parts import document, esc, folded, head, plot_section, table
from runner.audit.plots import measured_tempo, seconds
from runner.takes.model import Take

_SIGNS = {TOGETHER: "✓", IF_MOVED: "↔", APART: "✕"}
_TONES = {TOGETHER: "clean", IF_MOVED: "flawed", APART: "failed"}
_TITLES = {
    TOGETHER: "They sit together",
    IF_MOVED: "They sit together if moved",
    APART: "They do not sit together",
}
_ORDER = (TOGETHER, IF_MOVED, APART)
STYLES = 4  #: kinds of line; with more takes they come again


def compare_page(takes: Sequence[Take], comparisons: Sequence[Comparison]) -> str:
    """Return the page of a comparison; `takes` as they were given to `compare_takes`."""
    worst = max(
        (one.sits for one in comparisons),
        key=lambda sits: _ORDER.index(sits) if sits in _ORDER else len(_ORDER),
    )
    title = _TITLES.get(worst, "Nothing to compare")
    song = takes[0].header.song
    first = comparisons[0].first
    lines = (
        f"{song}: {len(takes)} takes, each held against {first.name} ({first.take}).",
        f"Timed from {_timed_from(comparisons)}. Limit {comparisons[0].limit_ns / 1e6:g} ms.",
    )
    data = _plots(takes, comparisons)
    parts = [
        '<a class="skip" href="#h-takes">To the takes</a>',
        head(_TONES.get(worst, "open"), title, lines, sign=_SIGNS.get(worst, "?")),
        '<main><section aria-labelledby="h-takes"><h2 id="h-takes">Take by take</h2><ol class="findings">',
        *(_one(one, number) for number, one in enumerate(comparisons, 1)),
        "</ol></section>",
    ]
    if data["panels"]:
        parts.append(plot_section(data["panels"], _words(comparisons), what="All of it"))
    parts.append(
        "</main><footer><p>Made by <code>takewright compare</code>. It compares what went out; what a "
        "machine made of it, and where a recorder put it, it does not hear.</p></footer>"
    )
    return document(f"{song}: {title}", "\n".join(parts), plots=data if data["panels"] else None)


def _timed_from(comparisons: Sequence[Comparison]) -> str:
    first = comparisons[0].first
    others = [one.other for one in comparisons if one.other.reference != first.reference]
    return "; ".join([first.reference, *(f"{short_name(o, first)} from {o.reference}" for o in others)])


def _style(number: int) -> str:
    return f"t{number % STYLES}"


def _sample(number: int) -> str:
    return (
        f'<svg class="sample" viewBox="0 0 40 8" aria-hidden="true"><line class="{_style(number)}" '
        'x1="0" x2="40" y1="4" y2="4" stroke-width="2.5"/></svg>'
    )


def _one(one: Comparison, number: int) -> str:
    rows = "".join(f"<dt>{esc(name)}</dt><dd>{esc(text)}</dd>" for name, text in figure_rows(one))
    notes = "".join(f"<p>{esc(note)}</p>" for note in one.notes)
    return (
        f'<li class="{_TONES.get(one.sits, "open")}"><p>{_sample(number)} <span class="level">'
        f"{_SIGNS.get(one.sits, '?')} {esc(one.sits.replace('-', ' '))}</span> · {esc(one.other.name)} "
        f"<code>{esc(one.other.take)}</code></p><p>{esc(conclusion(one))}</p>{notes}<dl>{rows}</dl></li>"
    )


def _plots(takes: Sequence[Take], comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """Return the panels; time is that of the first take from its reference, so that its bars are the axis."""
    offsets = [
        {
            "name": one.other.name,
            "style": _style(number),
            "points": [[seconds(t), round(offset / 1e6, 4)] for _, t, offset in one.offsets],
        }
        for number, one in enumerate(comparisons, 1)
        if len(one.offsets) > 1
    ]
    first = comparisons[0].first
    bars = sorted((t, key[1]) for key, t in first.bars.items())
    if not offsets or len(bars) < 2:
        return {"from": 0.0, "to": 1.0, "bars": [], "panels": []}
    limit = comparisons[0].limit_ns / 1e6
    panels: list[dict[str, Any]] = [
        {
            "id": "offsets", "kind": "lines", "title": f"How much later each bar came than in {first.name}",
            "unit": "ms", "series": offsets, "limits": [limit, -limit], "keep": [0], "least": 0.05,
            "height": 170,
        }
    ]  # fmt: skip
    panels += _tempo_panels(takes, comparisons)
    moved = [
        [seconds(cue.t_ns), None if cue.moved_ns is None else round(cue.moved_ns / 1e6, 4),
         f"{_where(one, cue)}{cue_text(cue)}"]
        for one in comparisons
        for cue in one.cues
    ]  # fmt: skip
    if moved:
        panels.append({
            "id": "moved", "kind": "points", "title": "Cues that moved against their own take's bars",
            "unit": "ms", "limit": limit, "points": sorted(moved, key=lambda point: float(point[0] or 0)),
            "gone": "",
        })  # fmt: skip
    times = [bars[0][0], bars[-1][0], *(cue.t_ns for one in comparisons for cue in one.cues)]
    return {
        "from": seconds(min(times)), "to": seconds(max(times)), "whole": "all of it",
        "panels": panels,
        "bars": [[seconds(t), bar] for t, bar in bars],
    }  # fmt: skip


def _where(one: Comparison, cue: MovedCue) -> str:
    """Return in which take a cue is, or has moved."""
    if cue.moved_ns is not None:
        return f"{one.other.name}: "
    only = one.first if cue.in_first else one.other
    return f"only in {only.name}: "


def _tempo_panels(takes: Sequence[Take], comparisons: Sequence[Comparison]) -> list[dict[str, Any]]:
    """Return the tempo of all takes, bar by bar, each bar at its place in the first take."""
    series = []
    lines = [comparisons[0].first, *(one.other for one in comparisons)]
    axis = comparisons[0].first.bars
    for number, (take, line) in enumerate(zip(takes, lines, strict=True)):
        track = max((t for t in take.tracks.values() if len(t)), key=len, default=None)
        keys = sorted((key for key in axis if key in line.bars), key=lambda key: axis[key])
        if track is None or len(keys) < 2:
            continue
        shift = axis[keys[0]] - line.bars[keys[0]] - line.zero_ns
        points = [[seconds(t + shift), round(bpm, 4)] for t, bpm in measured_tempo(track)]
        series.append({"name": line.name, "style": _style(number), "points": points})
    if not series:
        return []
    return [{
        "id": "tempo", "kind": "lines", "title": "Tempo of each take, beat by beat",
        "unit": "quarter notes a minute", "series": series,
    }]  # fmt: skip


def _words(comparisons: Sequence[Comparison]) -> Mapping[str, tuple[str, str]]:
    legend = "; ".join(f"line {number}: {one.other.name}" for number, one in enumerate(comparisons, 1))
    tables = "".join(
        folded(
            f"As a table: {one.other.name}",
            table(
                f"Bars of {one.other.name} against {one.first.name}", ("Bar", "difference"),
                [(bar_text(key), later(offset)) for key, _, offset in one.offsets], (1,),
            ),
        )
        for one in comparisons
    )  # fmt: skip
    return {
        "offsets": (f"Each take has a line of its own kind, shown beside its name above: {legend}.", tables),
        "tempo": ("The kinds of line are the same; the unbroken one is the first take.", ""),
        "moved": (
            "▲ moved beyond the limit; ✕ in one take only, with a number where several lie close together.",
            "",
        ),
    }
