"""Rules about ports: what they refused, when they held the engine up, when they vanished. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from runner.audit.causes import cause, port_gone, ranked, usual
from runner.audit.facts import Facts, worst
from runner.audit.findings import MEANINGS, Finding
from runner.audit.rule_base import finding, in_ms, plural
from runner.takes.model import Event


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
        text = f"port {port} refused {plural(len(events), 'message')}{reason}"
        yield finding(
            "port-send-failed", facts, first.t_ns, text, port=port, machine=first.machine,
            count=len(events), at=first.at or facts.at(first.t_ns),
            causes=ranked([
                port_gone(facts, port, first.t_ns), cause("port-refused", "the port is still listed", 0.5),
            ]),
        )  # fmt: skip
    yield from _held_up(facts)
    for port, size in sorted(_bad_bytes(facts).items()):
        first = next(event for event in facts.of_kind("bad_input") if event.port == port)
        text = f"{plural(size, 'byte')} on port {port} {'is' if size == 1 else 'are'} no MIDI"
        causes = (cause("bad-wire", "a message without its beginning or its end", 0.4),)
        yield finding("bad-input", facts, first.t_ns, text, port=port, count=size, causes=causes)
    yield from _presence(facts)


def _held_up(facts: Facts) -> Iterator[Finding]:
    """What ports held the engine up for longer than anything may be late: it holds up clocks and messages."""
    limit_ns = min(facts.limits.clock_ns, facts.limits.lateness_ns)
    held: dict[str, list[tuple[int, int]]] = {}
    for event in facts.of_kind("slow_send"):
        if event.amount * 1000 > limit_ns:
            held.setdefault(event.port, []).append((event.t_ns, event.amount * 1000))
    for port, rows in sorted(held.items()):
        t_ns, size = worst(rows)
        often = "once, " if len(rows) == 1 else f"{len(rows)} times, at worst "
        text = f"port {port} held the engine up {often}for {in_ms(size)}"
        yield finding(
            "slow-port", facts, t_ns, text, port=port, count=len(rows),
            evidence={"worst_us": size / 1000, "limit_us": limit_ns / 1000},
            causes=(
                cause("slow-port", "the time that the send took", 0.95),
                usual("computer", "a computer that does something else in mid-send looks the same"),
            ),
        )  # fmt: skip


def _bad_bytes(facts: Facts) -> Counter[str]:
    sizes: Counter[str] = Counter()
    for event in facts.of_kind("bad_input"):
        sizes[event.port] += max(1, event.amount)
    return sizes


def _presence(facts: Facts) -> Iterator[Finding]:
    """What ports went and came, with how many messages they missed."""
    end, lost = facts.take.end, set[str]()
    begun = next((event.t_ns for event in facts.of_kind("begin")), None)
    for event in facts.of_kind("presence"):
        port = event.port or str(event.detail.get("port", ""))
        if end is not None and event.t_ns > end.t_ns:
            continue
        unsent = event.detail.get("unsent", 0)
        missed = f", and missed {plural(unsent, 'message')}" if isinstance(unsent, int) and unsent else ""
        if event.detail.get("present") is False:
            lost.add(port)
            away = begun is not None and event.t_ns <= begun + 1_000_000
            optional = away and event.detail.get("required") is False
            text = f"port {port} was away when the take began" if away else f"port {port} vanished"
            gone = cause("unplugged", "the port is gone from the system's list", 0.95)
            yield finding(
                "port-lost", facts, event.t_ns, text + missed, port=port, causes=(gone,),
                severity="note" if optional else MEANINGS["port-lost"].severity,
            )  # fmt: skip
        elif port in lost:
            lost.discard(port)
            gone = cause("unplugged", "it had vanished before", 0.9)
            text = f"port {port} came back{missed}"
            yield finding("port-returned", facts, event.t_ns, text, port=port, causes=(gone,))
