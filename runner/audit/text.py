"""A take's audit as text for a terminal: the verdict, what matters most, the rest, the figures.

Pure. The text is made from the summary alone (take.json or a fresh one), so both read the same.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from runner.audit.facts import History
from runner.audit.findings import what_matters
from runner.audit.rule_base import plural
from runner.sync.jitter import JitterClass
from runner.takes.model import Take
from runner.takes.summary import summarise

WIDTH = 80
_MARKS = {"error": "!!", "warning": " !", "note": "  "}
_MEANS = {
    "clean": "within all limits",
    "flawed": "played to its end, with something beyond a limit",
    "interrupted": "did not come to its end",
    "failed": "something broke that a take needs",
}


def audit_take(take: Take, history: Sequence[History] = ()) -> dict[str, Any]:
    """Return the audit of a take: its summary, made anew from its files by today's rules.

    `history` is what the song's other takes have for comparison (`runner.takes.summary.history_of`).

    What only the closing could know (file checksums, notes, records lost to a full disk) is taken
    over from its take.json.
    """
    old: Mapping[str, Any] = take.summary or {}
    summary = summarise(take, recovered=old.get("recovered") is True, history=history)
    for key in ("files", "notes"):
        if isinstance(old.get(key), dict):
            summary[key] = dict(old[key])
    if take.summary is None:
        summary["notes"] = {**summary["notes"], "unclosed": "the take has no take.json yet"}
    return summary


def audit_text(summary: Mapping[str, Any], *, all_findings: bool = True, began: str = "") -> str:
    """Return the audit of a summary as text, ended by a line feed.

    `began` is its date and time as people write them here; without it the summary's own stamp in UTC stands.
    """
    lines = _head(summary, began)
    chief, rest = what_matters(summary["findings"])
    lines += _told_in_full(chief)
    if rest and all_findings:
        lines += ["", f"{len(rest)} more:"]
        for finding in rest:
            lines += _wrap(f"{_MARKS.get(finding['severity'], '  ')} ", _sentence(finding), "   ")
    elif rest:
        lines += ["", "1 more finding" if len(rest) == 1 else f"{len(rest)} more findings"]
    lines += _figures(summary)
    return "\n".join(lines) + "\n"


def _head(summary: Mapping[str, Any], began: str) -> list[str]:
    verdict = str(summary["verdict"])
    name = f"{summary['song']}, {summary['pass']}, take {summary['number']}"
    place = f"{summary['session']}, {began or summary['started_at']}, {_length(summary.get('seconds', 0))}"
    return [
        *_wrap(f"{verdict.upper()}  ", f"{name}: {_MEANS.get(verdict, '')}", "  "),
        *_wrap("", place, "  "),
    ]


def _length(seconds: float) -> str:
    minutes, rest = divmod(float(seconds), 60)
    return f"{minutes:.0f} min {rest:04.1f} s" if minutes else f"{rest:.1f} s"


def _told_in_full(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    lines: list[str] = []
    for finding in findings:
        lines += ["", *_wrap(f"{_MARKS.get(finding['severity'], '  ')} ", _sentence(finding), "   ")]
        for cause in finding["causes"][:2]:
            why = f" ({cause['why']})" if cause.get("why") else ""
            lines += _wrap("   likely: ", f"{cause['text']}{why}", "           ")
        if finding.get("try"):
            lines += _wrap("   try: ", str(finding["try"]), "        ")
    return lines


def _sentence(finding: Mapping[str, Any]) -> str:
    at = f"{finding['at']}: " if finding.get("at") else ""
    return f"{at}{finding['text']} [{finding['code']}]{part_text(finding)}"


def part_text(finding: Mapping[str, Any]) -> str:
    """Return, after a comma, of which other finding this one is a part; nothing if it stands for itself."""
    root = finding.get("part_of")
    if not root:
        return ""
    return ", at the same time" if root == finding["code"] else f", part of {root}"


def _wrap(first: str, text: str, after: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=after,
        break_long_words=False, break_on_hyphens=False,
    ) or [first]  # fmt: skip


def _figures(summary: Mapping[str, Any]) -> list[str]:
    clock, log = summary["clock"], summary["log"]
    rows = [("clock", _clock_counts(clock))]
    late = clock.get("lateness_us")
    if late:
        rows.append(("lateness", _spread(late)))
    tempo = clock.get("tempo") or {}
    if tempo.get("measured"):
        declared = f", declared {tempo['declared']:.3f}" if tempo.get("declared") else ""
        rows.append(("tempo", f"{tempo['measured']:.3f} BPM measured{declared}"))
    settling = clock.get("settling") or {}
    if settling.get("jitter_us") is not None:
        rows.append(("jitter", f"{_us(settling['jitter_us'])} of the followed clock, {_kind(settling)}"))
    if settling.get("text"):
        rows.append(("lock", str(settling["text"])))
    messages = summary.get("messages") or {}
    if messages:
        counts = f"{messages['sent']} sent, {messages['received']} received"
        if messages.get("cut"):
            counts += f", {messages['cut']} more to stop and silence"
        late = messages.get("lateness_us")
        rows.append(("messages", counts + (f"; {_spread(late)}" if late else "")))
    rows += [("machine", _machine(machine)) for machine in summary["machines"]]
    rows.append(("log", _log(log)))
    return ["", *(line for name, text in rows for line in _wrap(f"{name:<10}", text, " " * 10))]


def _log(log: Mapping[str, Any]) -> str:
    count = f"{plural(log['records'], 'record')}, "
    if log["complete"]:
        return count + "whole"
    dropped = f", {plural(log['dropped'], 'record')} missing" if log["dropped"] else ""
    damaged = f", {plural(len(log['damages']), 'damaged place')}" if log["damages"] else ""
    return f"{count}not whole{dropped}{damaged}"


def _kind(settling: Mapping[str, Any]) -> str:
    kinds = {kind.value: kind.text for kind in JitterClass}
    return kinds.get(str(settling.get("class")), str(settling.get("class")))


def _clock_counts(clock: Mapping[str, Any]) -> str:
    source = clock.get("source") or "internal"
    due = f" of {clock['expected']} due" if clock.get("expected") is not None else ""
    if clock["role"] == "follower":
        counts = f"follower, source {source}; {clock['received']} received{due}, {clock['sent']} sent"
    else:
        counts = f"{clock['role']}, source {source}; {clock['sent']} sent{due}"
        if clock["received"]:
            counts += f", {clock['received']} received"
    return f"{counts}; {clock['missing']} missing, {clock['extra']} too many"


def _spread(late: Mapping[str, Any]) -> str:
    return (
        f"half within {_us(late['p50'])}, 99 % within {_us(late['p99'])}, "
        f"99.9 % within {_us(late['p999'])}, worst {_us(late['max'])}"
    )


def _us(value: float) -> str:
    return f"{value / 1000:.2f} ms" if abs(value) >= 1000 else f"{value:.0f} us"


def _machine(machine: Mapping[str, Any]) -> str:
    place = f" on {machine['port']}" if machine.get("port") else ""
    channel = f" channel {machine['channel']}" if machine.get("channel") else ""
    state = "" if machine["present"] else ", gone at the end"
    failures = f", {machine['send_failures']} refused" if machine["send_failures"] else ""
    counts = f"{machine['sent']} sent, {machine['received']} received"
    return f"{machine['name']}{place}{channel}: {counts}{failures}{state}"
