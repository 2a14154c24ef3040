"""Pieces that our pages have in common: the frame of a document, tables, plots with their words. Pure.

A page is one file that asks nothing of a network; its security policy forbids it to. Every text that comes
from a take goes through `esc`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

VERDICT_SIGNS: Mapping[str, str] = {
    "clean": "✓", "flawed": "▲", "interrupted": "‖", "failed": "✕", "open": "…", "damaged": "✕",
}  # fmt: skip
SHORT_CELL = 18  #: characters of a cell that is not worth breaking
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:"


def esc(text: object) -> str:
    """Return text as it stands in HTML, in an attribute too."""
    return escape(str(text))


@cache
def _own(name: str) -> str:
    """Return a part of the page that is kept beside this module, as it would be code of it."""
    return files("runner.audit").joinpath(name).read_text(encoding="utf-8")


def document(title: str, body: str, *, plots: Mapping[str, Any] | None = None) -> str:
    """Return a whole page; with `plots`, their data and the script that draws them."""
    script = ""
    if plots is not None:
        data = json.dumps(plots, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
        script = f'<script type="application/json" id="plot-data">{data}</script>'
        script += f"<script>{_own('page.js')}</script>"
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<title>{esc(title)}</title>
<style>{_own("page.css")}</style>
</head>
<body>
{body}
{script}
</body>
</html>
"""


def head(verdict: str, title: str, lines: Iterable[str], *, sign: str = "") -> str:
    """Return the head of a page: a verdict as sign and words, and lines of plain text under it."""
    told = "".join(f"<p>{esc(line)}</p>" for line in lines)
    mark = esc(sign or VERDICT_SIGNS.get(verdict, "?"))
    return (
        f'<header class="{esc(verdict)}"><span class="sign" aria-hidden="true">{mark}</span>'
        f"<div><h1>{esc(title)}</h1>{told}</div></header>"
    )


def table(
    caption: str, columns: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()
) -> str:
    """Return a table with a caption and row headings; the columns in `numbers` are flush right."""

    def right(column: int, text: str = "") -> str:
        if column in numbers:
            return ' class="n"'
        return ' class="w"' if 0 < len(text) <= SHORT_CELL else ""

    top = "".join(f'<th scope="col"{right(i)}>{esc(name)}</th>' for i, name in enumerate(columns))
    body = "".join(
        f'<tr><th scope="row">{esc(row[0])}</th>'
        + "".join(f"<td{right(i, cell)}>{esc(cell)}</td>" for i, cell in enumerate(row[1:], 1))
        + "</tr>"
        for row in rows
    )
    label = f' tabindex="0" role="group" aria-label="{esc(caption)}"'
    return (
        f'<div class="scroll"{label}><table><caption>{esc(caption)}</caption>'
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def folded(summary: str, body: str) -> str:
    """Return something that is shown when its heading is opened, and in print."""
    return f"<details><summary>{esc(summary)}</summary>{body}</details>"


def plot_section(
    panels: Sequence[Mapping[str, Any]], words: Mapping[str, tuple[str, str]], *, what: str = "Whole take"
) -> str:
    """Return the plots with their controls.

    `words` gives for a panel's id what is to be seen in it (for those who do not see it), and HTML that
    says the same as a table.
    """
    figures = []
    for panel in panels:
        seen, instead = words.get(panel["id"], ("", ""))
        unit = f" <small>{esc(str(panel.get('unit', '')))}</small>" if panel.get("unit") else ""
        note = f'<p class="soft">{esc(seen)}</p>' if seen else ""
        figures.append(
            f"<figure><figcaption>{esc(panel['title'])}{unit}</figcaption>"
            f'<svg id="plot-{esc(panel["id"])}" role="img" '
            f'aria-label="{esc(panel["title"])}. {esc(seen)}"></svg>'
            f"{note}{instead}</figure>"
        )
    buttons = "".join(
        f'<button type="button" data-act="{act}">{text}</button>'
        for act, text in (
            ("whole", what), ("closer", "Closer"), ("wider", "Wider"),
            ("earlier", "Earlier"), ("later", "Later"),
        )
    )  # fmt: skip
    own_axis = any(panel["kind"] == "histogram" for panel in panels)
    axis = "All plots but the last share one axis." if own_axis else "All plots share one axis."
    return f"""<section aria-labelledby="h-plots">
<h2 id="h-plots">Plots</h2>
<noscript><p>The plots need JavaScript; the tables on this page say the same.</p></noscript>
<p class="soft">{axis} Drag over a stretch to see it closer, double-click for all.
With the keyboard: go to the plots, then plus and minus, left and right, and 0 for all.</p>
<div class="bar" role="group" aria-label="What the plots show">{buttons}
<label>Bar <input id="go-bar" type="number" step="1"></label>
<output id="readout" aria-live="polite"></output></div>
<div id="plots" tabindex="0" role="group" aria-label="Plots on one axis of bars">
{"".join(figures)}
</div>
</section>"""


def us(value: float | None) -> str:
    """Return a time in µs as text with a fitting unit."""
    if value is None:
        return "–"
    return f"{value / 1000:.2f} ms" if abs(value) >= 1000 else f"{value:.0f} µs"


def length_text(seconds: float) -> str:
    """Return a span of time in minutes and seconds."""
    minutes, rest = divmod(float(seconds), 60)
    return f"{minutes:.0f} min {rest:04.1f} s" if minutes else f"{rest:.1f} s"
