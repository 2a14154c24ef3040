"""Rules about what recorders said after the take: what they did once it had ended is in no event. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from runner.audit.facts import Facts
from runner.audit.findings import Finding
from runner.audit.rule_base import finding


def recorders_at_the_end(facts: Facts) -> Iterator[Finding]:
    """A recorder that records on after its punch out, or moves on after it was stopped, in its own words."""
    told = {(each.detail.get("code"), each.detail.get("machine")) for each in facts.of_kind("finding")}
    end = facts.take.end
    t_ns = None if end is None else end.t_ns
    for report in facts.take.recorders:
        machine = str(report.get("machine", ""))
        for code, text in _words(report):
            if (code, machine) not in told:
                yield finding(code, facts, t_ns, f"{machine} {text}", machine=machine)


def _words(report: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    punches = report.get("punches")
    listed = punches if isinstance(punches, list) else []
    if any(isinstance(punch, dict) and punch.get("ended") is False for punch in listed):
        yield "recorder-still-recording", "records on after it was punched out"
    if report.get("stopped") is False:
        yield "recorder-not-stopped", "was told to stop and still moves"
