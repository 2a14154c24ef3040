"""The content of take.json: a take in figures, its findings and its verdict. Pure: lines in, a dict out.

The same function serves the desk when it closes a take, the recovery of a torn one, and the audit, so
they cannot disagree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from runner.audit.alignment import alignments
from runner.audit.facts import Facts, History
from runner.audit.rules import find
from runner.audit.rules_log import dropped_records
from runner.audit.rules_machines import own_settings
from runner.audit.statistics import Spread
from runner.audit.verdict import judge
from runner.takes.lines import FORMAT
from runner.takes.model import Take

NS = 1_000_000_000


def summarise(
    take: Take,
    *,
    lost: int = 0,
    recovered: bool = False,
    notes: Mapping[str, Any] | None = None,
    history: Sequence[History] = (),
) -> dict[str, Any]:
    """Return the summary of a take.

    `lost` is how many records the writer could not write and could not say so in the log; `recovered`
    says that the take was found without its summary. `files` is filled in by whoever knows them. `history`
    is what the summaries of the song's other takes say of it (`history_of`).
    """
    facts = Facts.of_take(take, lost=lost, recovered=recovered, history=history)
    findings = find(facts)
    dropped = dropped_records(facts)
    header = take.header
    messages = [event.t_ns - event.due_ns for event in facts.of_kind("sent") if event.due_ns is not None]
    spread = Spread.of_ns(messages)
    whole = not dropped and take.end is not None and not take.damages
    return {
        "format": FORMAT,
        "take": header.take,
        "session": header.session,
        "song": header.song,
        "pass": header.pass_name,
        "number": header.number,
        "verdict": judge((finding.severity for finding in findings), facts.outcome).value,
        "started_at": header.started_at,
        "seconds": _seconds(take),
        "outcome": facts.outcome,
        "ended": str(take.end.detail.get("why", "")) if take.end is not None else None,
        "recovered": recovered,
        "clock": facts.clock.to_dict(),
        "messages": {
            "sent": len(facts.of_kind("sent")),
            "received": len(facts.of_kind("received")),
            "cut": len(facts.of_kind("cut")),
            "lateness_us": spread.to_dict() if spread is not None else None,
        },
        "machines": _machines(facts),
        "alignment": {
            "machines": {name: row.to_dict() for name, row in alignments(facts).items()},
            "settings": own_settings(facts),
        },
        "findings": [finding.to_dict() for finding in findings],
        "limits": facts.limits.to_dict(),
        "log": {
            "records": take.record_count,
            "dropped": dropped,
            "complete": whole,
            "damages": [damage.to_dict() for damage in take.damages[:100]],
        },
        "files": {},
        "notes": dict(notes or {}),
        "header": header.to_line(),
    }


def history_of(summary: Mapping[str, Any]) -> History | None:
    """Return what a summary (take.json) has for comparison with another take; None if it does not say.

    A take that broke off, or in which a machine started late, is no measure for others.
    """
    alignment = summary.get("alignment")
    if not isinstance(alignment, dict) or summary.get("verdict") not in ("clean", "flawed"):
        return None
    machines, settings = alignment.get("machines"), alignment.get("settings")
    if not isinstance(machines, dict) or not isinstance(settings, dict):
        return None
    findings = summary.get("findings")
    spoilt = {
        str(finding.get("machine"))
        for finding in (findings if isinstance(findings, list) else ())
        if isinstance(finding, dict) and finding.get("code") in ("machine-started-late", "take-shifted")
    }
    rows = {name: row for name, row in machines.items() if isinstance(row, dict) and str(name) not in spoilt}
    return History(str(summary.get("take", "")), str(summary.get("pass", "")), rows, settings)


def _seconds(take: Take) -> float:
    """How long the take rolled, from its first record to its last."""
    times = [event.t_ns for event in take.events if event.kind != "log"]
    for track in take.tracks.values():
        if len(track):
            times += [track.t_ns[0], track.t_ns[-1]]
    return round((max(times) - min(times)) / NS, 3) if times else 0.0


def _machines(facts: Facts) -> list[dict[str, Any]]:
    """Return each machine with what passed between it and us.

    What comes in on a port that one machine has to itself is that machine's; on a port that several share,
    a channel tells whose it is, and what has no channel is nobody's.
    """
    header = facts.take.header
    declared = {machine.name: machine for machine in facts.declared.machines}
    sent: Counter[str] = Counter()
    failed: Counter[str] = Counter()
    late: dict[str, int] = {}
    for event in facts.of_kind("sent"):
        sent[event.machine] += 1
        if event.due_ns is not None:
            late[event.machine] = max(late.get(event.machine, 0), event.t_ns - event.due_ns)
    for event in facts.of_kind("send_failed"):
        failed[event.machine] += 1
    received = Counter(
        (event.port, event.data[0] & 15 if event.data and event.data[0] < 0xF0 else None)
        for event in facts.of_kind("received")
    )
    by_port = Counter(event.port for event in facts.of_kind("received"))
    machines_on = Counter(machine.port for machine in declared.values())
    gone = _absent_ports(facts)
    rows = []
    for name in header.machines:
        machine = declared.get(name)
        port = machine.port if machine else ""
        channel = machine.channel if machine else None
        on_channel = received[port, channel - 1] if channel is not None else 0
        rows.append(
            {
                "name": name,
                "port": port,
                "channel": channel,
                "present": port not in gone,
                "sent": sent[name],
                "received": by_port[port] if machines_on[port] == 1 else on_channel,
                "send_failures": failed[name],
                "latest_us": late[name] / 1000 if name in late else None,
            }
        )
    return rows


def _absent_ports(facts: Facts) -> set[str]:
    """Return the ports that were gone when the take ended."""
    gone: set[str] = set()
    for event in facts.of_kind("presence"):
        port = event.port or str(event.detail.get("port", ""))
        if event.detail.get("present") is False:
            gone.add(port)
        else:
            gone.discard(port)
    return gone
