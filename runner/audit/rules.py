"""All rules of an audit. Each is a function `facts -> findings`.

Pure. A rule reports one finding for one kind of trouble on one port or machine, placed at the worst or
first occurrence and with the count of all, so that a bad take reads as a short list.
"""

from __future__ import annotations

from runner.audit.facts import Facts
from runner.audit.findings import SEVERITY_ORDER, Finding
from runner.audit.rule_base import Rule
from runner.audit.rules_clock import clocks_received, clocks_sent, clocks_silent, tempo, transport
from runner.audit.rules_log import how_it_ended, log_is_whole
from runner.audit.rules_messages import messages_late, notes_left, planned_but_not_sent, programs_in_force
from runner.audit.rules_ports import ports, told_live

RULES: tuple[Rule, ...] = (
    how_it_ended,
    log_is_whole,
    ports,
    clocks_sent,
    clocks_silent,
    clocks_received,
    tempo,
    transport,
    messages_late,
    programs_in_force,
    planned_but_not_sent,
    notes_left,
    told_live,
)


def find(facts: Facts) -> list[Finding]:
    """Return all findings of a take: worst first, then in the order of time."""
    findings = [finding for rule in RULES for finding in rule(facts)]
    findings.sort(
        key=lambda f: (SEVERITY_ORDER[f.severity], f.t_ns is None, f.t_ns if f.t_ns is not None else 0)
    )
    return findings
