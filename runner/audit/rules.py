"""All rules of an audit. Each is a function `facts -> findings`.

Pure. A rule reports one finding for one kind of trouble on one port or machine, placed at the worst or
first occurrence and with the count of all, so that a bad take reads as a short list.
"""

from __future__ import annotations

from runner.audit.diagnosis import diagnose
from runner.audit.facts import Facts
from runner.audit.findings import Finding
from runner.audit.rule_base import Rule
from runner.audit.rules_clock import clocks_sent, clocks_silent, start_gap
from runner.audit.rules_follow import clocks_received, miscounted, tempo, transport
from runner.audit.rules_live import told_live
from runner.audit.rules_log import how_it_ended, log_is_whole
from runner.audit.rules_machines import machines_silent, machines_started, take_shifted
from runner.audit.rules_messages import messages_late, notes_left, planned_but_not_sent, programs_in_force
from runner.audit.rules_ports import ports
from runner.audit.rules_recorder import recorders_at_the_end

RULES: tuple[Rule, ...] = (
    how_it_ended,
    log_is_whole,
    ports,
    clocks_sent,
    clocks_silent,
    clocks_received,
    miscounted,
    tempo,
    transport,
    start_gap,
    messages_late,
    programs_in_force,
    planned_but_not_sent,
    notes_left,
    machines_started,
    machines_silent,
    take_shifted,
    recorders_at_the_end,
    told_live,
)


def find(facts: Facts) -> list[Finding]:
    """Return all findings of a take: worst first, each after what explains it, then in the order of time."""
    return diagnose(finding for rule in RULES for finding in rule(facts))
