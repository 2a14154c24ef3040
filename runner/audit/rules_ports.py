"""Rules about ports, and what the engine said while the take ran. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import cast, get_args

from runner.audit.causes import own_lateness, port_gone, ranked, usual, wire_load
from runner.audit.facts import Facts, worst
from runner.audit.findings import MEANINGS, Cause, Finding
from runner.audit.rule_base import finding, in_ms
from runner.errors import Severity
from runner.takes.model import Event

_REFUSAL = usual("the interface or its driver", "the port is still listed", "port-refused", 0.5)


def ports(facts: Facts) -> Iterator[Finding]:
    """What ports refused, when they held the engine up, vanished, or gave bytes that are no MIDI."""
    refused: dict[str, list[Event]] = {}
    for event in facts.of_kind("send_failed"):
        refused.setdefault(event.port, []).append(event)
    for port, events in sorted(refused.items()):
        told = next(
            (e for e in facts.of_kind("finding")
             if e.detail.get("code") == "port-send-failed" and (e.port or port) == port), None,
        )  # fmt: skip
        reason = f": {told.detail.get('text')}" if told is not None else ""
        first = events[0]
        yield finding(
            "port-send-failed", facts, first.t_ns, f"port {port} refused {len(events)} messages{reason}",
            port=port, machine=first.machine, count=len(events), at=first.at or facts.at(first.t_ns),
            causes=ranked([port_gone(facts, port, first.t_ns), _REFUSAL]),
        )  # fmt: skip
    held: dict[str, list[tuple[int, int]]] = {}
    for event in facts.of_kind("slow_send"):
        held.setdefault(event.port, []).append((event.t_ns, event.amount * 1000))
    for port, rows in sorted(held.items()):
        t_ns, size = worst(rows)
        text = f"port {port} held the engine up {len(rows)} times, at worst for {in_ms(size)}"
        yield finding(
            "slow-port", facts, t_ns, text, port=port, count=len(rows), evidence={"worst_us": size / 1000}
        )
    for port, size in sorted(_bad_bytes(facts).items()):
        first = next(event for event in facts.of_kind("bad_input") if event.port == port)
        text = f"{size} bytes on port {port} are no MIDI"
        yield finding("bad-input", facts, first.t_ns, text, port=port, count=size)
    yield from _presence(facts)


def _bad_bytes(facts: Facts) -> Counter[str]:
    sizes: Counter[str] = Counter()
    for event in facts.of_kind("bad_input"):
        sizes[event.port] += max(1, event.amount)
    return sizes


def _presence(facts: Facts) -> Iterator[Finding]:
    end = facts.take.end
    lost: set[str] = set()
    for event in facts.of_kind("presence"):
        port = event.port or str(event.detail.get("port", ""))
        if end is not None and event.t_ns > end.t_ns:
            continue
        if event.detail.get("present") is False:
            lost.add(port)
            cause = Cause("the cable was unplugged, or the machine or hub lost power", "the port is gone",
                          0.9, "unplugged")  # fmt: skip
            more = {} if event.detail.get("required", True) else {"severity": "note"}
            reason = str(event.detail.get("text") or f"port {port} vanished")
            yield finding("port-lost", facts, event.t_ns, reason, port=port, causes=(cause,), **more)
        elif port in lost:
            lost.discard(port)
            yield finding("port-returned", facts, event.t_ns, f"port {port} came back", port=port)


def told_live(facts: Facts) -> Iterator[Finding]:
    """What the engine and the clock watch said during the take, and refused commands."""
    for event in facts.of_kind("finding"):
        code = str(event.detail.get("code", ""))
        if not code or (code == "port-send-failed" and facts.of_kind("send_failed")):
            continue
        meaning = MEANINGS.get(code)
        severity = _severity(
            event.detail.get("severity"), meaning.severity if meaning is not None else "note"
        )
        text = str(event.detail.get("text") or (meaning.meaning if meaning is not None else code))
        evidence = event.detail.get("evidence")
        port = event.port or str(event.detail.get("port", ""))
        machine = event.machine or str(event.detail.get("machine", ""))
        count = event.detail.get("count", 1)
        yield Finding(
            code, severity, _fact_time(event, facts), text, event.at or facts.at(event.t_ns), machine, port,
            count if isinstance(count, int) else 1, evidence if isinstance(evidence, dict) else {},
            _live_causes(code, facts, port, event.t_ns),
        )  # fmt: skip
    for event in facts.of_kind("refused"):
        text = str(event.detail.get("text") or event.detail.get("why") or "a command was refused")
        yield finding("command-refused", facts, event.t_ns, text, at=event.at)


def _severity(value: object, default: Severity) -> Severity:
    for known in get_args(Severity):
        if value == known:
            return cast(Severity, value)
    return default


def _fact_time(event: Event, facts: Facts) -> int:
    """The time of the fact (findings of the watch carry it as monotonic time), from the anchor."""
    t_ns = event.detail.get("t_ns")
    if type(t_ns) is int and 0 < t_ns < 2**62:
        return t_ns - facts.take.header.anchor_ns
    return event.t_ns


def _live_causes(code: str, facts: Facts, port: str, t_ns: int) -> tuple[Cause, ...]:
    if not code.startswith("clock-"):
        return ()
    source = port or facts.declared.source
    return ranked(
        [port_gone(facts, source, t_ns), own_lateness(facts, t_ns), wire_load(facts, source, "in", t_ns)]
    )
