"""A take's audit as one self-contained page: verdict, findings, plots, figures. Pure: values in, HTML out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from runner.audit.findings import MATTERS, what_matters
from runner.audit.page_parts import document, esc, folded, head, length_text, plot_section, table, us
from runner.audit.plots import SEVERITY_SIGNS, CueRow, cue_rows, plot_data
from runner.audit.text import part_text
from runner.takes.model import Take

MOST_ROWS = 500  #: of a table of cues; the log has the rest
_WORTH = {
    "clean": "It played to its end, within all limits.",
    "flawed": "It played to its end, and something was beyond a limit.",
    "interrupted": "It did not come to its end.",
    "failed": "Something broke that a take needs.",
}


def audit_page(
    take: Take, summary: Mapping[str, Any], places: Sequence[tuple[int, str]] = (), began: str = ""
) -> str:
    """Return the page of a take and its audit (see `runner.audit.text.audit_take`).

    `places` are those that a person marked: ns from the take's anchor, and a word about it. `began` is its
    date and time as people write them here; without it the summary's own stamp in UTC stands.
    """
    cues = cue_rows(take)
    data = plot_data(take, summary, cues, places)
    verdict = str(summary["verdict"])
    name = f"{summary['song']}, {summary['pass']}, take {summary['number']}"
    lines = (
        _WORTH.get(verdict, ""),
        f"{summary['session']} · {began or summary['started_at']} · {length_text(summary.get('seconds', 0))}",
        str(summary["take"]),
    )
    findings = summary["findings"]
    body = "\n".join(
        [
            '<a class="skip" href="#h-findings">To the findings</a>',
            head(verdict, f"{verdict.capitalize()}: {name}", lines),
            "<main>",
            _findings(findings),
            plot_section(data["panels"], _words(summary, data, cues)),
            _figures(summary),
            "</main>",
            "<footer><p>Made by <code>takewright audit</code> from the take's own files. Times end where a "
            "message was handed to its port: driver, interface, cable and machine come after.</p></footer>",
        ]
    )
    return document(f"{verdict}: {name}", body, plots=data)


def _findings(findings: Sequence[Mapping[str, Any]]) -> str:
    if not findings:
        return (
            '<section aria-labelledby="h-findings"><h2 id="h-findings">Findings</h2>'
            "<p>None: nothing was beyond a limit.</p></section>"
        )
    chief, rest = what_matters(findings)
    first = "".join(_finding(finding, index) for index, finding in enumerate(chief))
    text = (
        '<section aria-labelledby="h-findings"><h2 id="h-findings">What matters most</h2>'
        f'<ol class="findings">{first}</ol></section>'
    )
    if rest:
        items = "".join(
            _finding(finding, index, brief=True) for index, finding in enumerate(rest, len(chief))
        )
        text += (
            f'<section aria-labelledby="h-rest"><h2 id="h-rest">{len(rest)} more</h2>'
            f'<ol class="findings brief">{items}</ol></section>'
        )
    return text


def _finding(finding: Mapping[str, Any], index: int, *, brief: bool = False) -> str:
    severity = str(finding["severity"])
    sign = SEVERITY_SIGNS.get(severity, "●")
    at = f"{esc(str(finding['at']))}: " if finding.get("at") else ""
    rows = []
    for cause in finding.get("causes", ())[:MATTERS]:
        why = f" <span class='soft'>({esc(str(cause['why']))})</span>" if cause.get("why") else ""
        rows.append(f"<dt>likely</dt><dd>{esc(str(cause['text']))}{why}</dd>")
    if finding.get("try"):
        rows.append(f"<dt>try</dt><dd>{esc(str(finding['try']))}</dd>")
    part = f"<span class='soft'>{esc(part_text(finding))}</span>" if finding.get("part_of") else ""
    told = f"<dl>{''.join(rows)}</dl>" if rows and not part else ""
    if brief and told:
        told = folded("Causes, and what to try", told)
    t_ns = finding.get("t_ns")
    button = ""
    if type(t_ns) is int:
        button = (
            f'<button type="button" data-t="{t_ns / 1e9:.4f}" aria-describedby="finding-{index}">'
            "Show in the plots</button>"
        )
    return (
        f'<li class="{esc(severity)}"><p id="finding-{index}">'
        f'<span class="level">{sign} {esc(severity)}</span> · '
        f"{at}{esc(str(finding['text']))} <code>{esc(str(finding['code']))}</code>{part}</p>"
        f"{button}{told}</li>"
    )


def _words(
    summary: Mapping[str, Any], data: Mapping[str, Any], cues: Sequence[CueRow]
) -> dict[str, tuple[str, str]]:
    """Return for each panel what is to be seen, and its table."""
    panels = {panel["id"]: panel for panel in data["panels"]}
    ports = summary["clock"].get("ports", [])
    words = {
        "ticks-out": (
            "Each column holds the least and the greatest lateness of the clocks in it. The broken lines "
            "are the limits, ✕ a gap; beyond them the scale is pressed together.",
            _ports_table(ports, "out"),
        ),
        "ticks-in": (
            "How far each clock was from the half beat around it, or from when it was expected.",
            _ports_table(ports, "in"),
        ),
        "cues": (_cue_words(cues), _cue_table(cues)),
        "histogram": ("Heights are logarithmic, so that a single late clock can be seen.", ""),
        "tempo": (_tempo_words(summary), _tempo_table(panels.get("tempo"), data["bars"])),
        "sections": ("", _sections_table(panels.get("sections"), data["bars"])),
    }
    machines = panels.get("machines")
    if machines is not None:
        words["machines"] = (_presence_words(machines), _presence_table(machines))
    return words


def _tempo_words(summary: Mapping[str, Any]) -> str:
    tempo = summary["clock"].get("tempo") or {}
    if not tempo.get("measured"):
        return ""
    declared = f", declared {tempo['declared']:.3f}" if tempo.get("declared") else ""
    return f"Over the whole take {tempo['measured']:.3f} were measured{declared}. Broad line: declared."


def _bar_at(t: float, bars: Sequence[Sequence[float]]) -> str:
    before = [bar for since, bar in bars if since <= t + 1e-3]
    return f"bar {before[-1]:.0f}" if before else "before the first bar"


def _tempo_table(panel: Mapping[str, Any] | None, bars: Sequence[Sequence[float]]) -> str:
    if panel is None:
        return ""
    rows = []
    for series in panel["series"]:
        values = [value for _, value in series["points"]]
        low, high = min(series["points"], key=lambda p: p[1]), max(series["points"], key=lambda p: p[1])
        rows.append(
            (
                series["name"], f"{values[0]:.2f}", f"{low[1]:.2f} in {_bar_at(low[0], bars)}",
                f"{high[1]:.2f} in {_bar_at(high[0], bars)}", f"{values[-1]:.2f}",
            )
        )  # fmt: skip
    columns = ("Tempo", "at first", "lowest", "highest", "at last")
    return folded("As a table", table("Tempo in quarter notes a minute", columns, rows, (1, 2, 3, 4)))


def _sections_table(panel: Mapping[str, Any] | None, bars: Sequence[Sequence[float]]) -> str:
    if panel is None:
        return ""
    rows = [
        (text or "(none)", _bar_at(since, bars), f"{since:.2f} s", f"{until - since:.2f} s")
        for since, until, text in panel["rows"][0]["spans"]
    ]
    return folded("As a table", table("Sections", ("Section", "from", "begins", "length"), rows, (2, 3)))


def _ports_table(ports: Sequence[Mapping[str, Any]], direction: str) -> str:
    rows = []
    for port in ports:
        if port["direction"] != direction:
            continue
        late = port.get("lateness_us") or {}
        rows.append(
            (
                str(port["port"]), str(port["count"]), str(port["missing"]), str(port["extra"]),
                *(us(late.get(key)) for key in ("p50", "p99", "p999", "max")),
            )
        )  # fmt: skip
    columns = (
        "Port",
        "clocks",
        "missing",
        "too many",
        "half within",
        "99 % within",
        "99.9 % within",
        "worst",
    )
    caption = f"Clocks {'sent' if direction == 'out' else 'received'}, by port"
    return folded("As a table", table(caption, columns, rows, range(1, 8))) if rows else ""


def _cue_words(cues: Sequence[CueRow]) -> str:
    gone = sum(1 for cue in cues if cue.sent_ns is None)
    late = [cue.late_ms for cue in cues if cue.late_ms is not None]
    worst = f"; the latest was {us(1000 * max(late))} late" if late else ""
    never = f"; {gone} never went out (✕)" if gone else ""
    return f"{len(cues)} messages of cues{worst}{never}. ▲ is beyond the limit."


def _cue_table(cues: Sequence[CueRow]) -> str:
    rows = [
        (
            cue.at or f"{cue.due_ns / 1e9:.3f} s", cue.machine or cue.port, cue.what,
            f"{cue.due_ns / 1e9:.4f} s", "never" if cue.sent_ns is None else f"{cue.sent_ns / 1e9:.4f} s",
            "–" if cue.late_ms is None else us(1000 * cue.late_ms),
        )
        for cue in cues[:MOST_ROWS]
    ]  # fmt: skip
    more = f", the first {MOST_ROWS} of {len(cues)}" if len(cues) > MOST_ROWS else ""
    columns = ("At", "machine", "what", "due", "sent", "late")
    return folded("As a table", table(f"Cues{more}; times from bar 1", columns, rows, (3, 4, 5)))


def _presence_words(panel: Mapping[str, Any]) -> str:
    away = [row["name"] for row in panel["rows"] if len(row["spans"]) != 1]
    if away:
        return f"Not there all the time: {', '.join(away)}."
    return "Every port was there all the time. Whether a machine behind it listened cannot be known."


def _presence_table(panel: Mapping[str, Any]) -> str:
    rows = [
        (
            row["name"],
            "; ".join(f"{since:.2f} s to {until:.2f} s" for since, until, _ in row["spans"]) or "never",
            str(len(row["marks"])),
        )
        for row in panel["rows"]
    ]
    columns = ("Machine", "its port was there", "refusals and stalls")
    return folded("As a table", table("Machines; times from bar 1", columns, rows, (2,)))


def _clock_table(clock: Mapping[str, Any]) -> str:
    expected = "–" if clock.get("expected") is None else str(clock["expected"])
    row = (
        str(clock["role"]), str(clock.get("source") or "internal"), expected,
        *(str(clock[key]) for key in ("sent", "received", "missing", "extra")),
    )  # fmt: skip
    columns = ("Role", "source", "due", "sent", "received", "missing", "too many")
    return table("The clock, all ports together", columns, [row], range(2, 7))


def _limit_row(name: str, value: float) -> tuple[str, str]:
    if name.endswith("_ns"):
        return name.removesuffix("_ns").replace("_", "-"), f"{value / 1e6:g} ms"
    return name.replace("_", "-"), f"{value:g}"


def _figures(summary: Mapping[str, Any]) -> str:
    clock, log = summary["clock"], summary["log"]
    machines = [
        (
            str(machine["name"]), str(machine.get("port") or "–"), str(machine.get("channel") or "–"),
            str(machine["sent"]), str(machine["received"]), str(machine["send_failures"]),
            us(machine.get("latest_us")), "yes" if machine["present"] else "no",
        )
        for machine in summary["machines"]
    ]  # fmt: skip
    columns = ("Machine", "port", "channel", "sent", "received", "refused", "latest", "there at the end")
    limits = [_limit_row(name, value) for name, value in summary["limits"].items()]
    whole = "whole" if log["complete"] else f"not whole: {log['dropped']} records missing"
    damages = "".join(
        f"<li>{esc(str(d.get('file')))}: {esc(str(d.get('text')))}</li>" for d in log["damages"]
    )
    lock = (clock.get("settling") or {}).get("text")
    return f"""<section aria-labelledby="h-figures"><h2 id="h-figures">Figures</h2>
{_clock_table(clock)}
{f"<p>Lock: {esc(str(lock))}.</p>" if lock else ""}
{table("What passed between the machines and us", columns, machines, range(2, 7))}
<p>Log: {log["records"]} records, {esc(whole)}.</p>{f"<ul>{damages}</ul>" if damages else ""}
{folded("The limits that this take was held against", table("Limits", ("Limit", "value"), limits, (1,)))}
</section>"""
