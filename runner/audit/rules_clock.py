"""Rules about the clocks that we send, and the distance from Start to the first of them. Pure."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator

from runner.audit.advice import lateness_advice
from runner.audit.causes import (
    cause,
    computer_late,
    port_gone,
    port_held,
    port_refused,
    ranked,
    usual,
    wire_load,
)
from runner.audit.clock import TrackFigures
from runner.audit.facts import Facts, worst
from runner.audit.findings import Finding
from runner.audit.rule_base import finding, in_ms, plural, was
from runner.audit.rules_log import dropped_records
from runner.takes.model import IDLE_FROM

START_GAP_NS = 1_000_000  #: MIDI 1.0 Detailed Specification 4.2.1, p. 30


def clocks_sent(facts: Facts) -> Iterator[Finding]:
    """Whether all clocks went out, and in time."""
    for figures in facts.clock.tracks:
        if figures.direction != "out":
            continue
        if figures.missing > facts.limits.missing_clocks:
            yield _clocks_not_sent(facts, figures)
        late = [(tick.t_ns, tick.size_ns) for tick in facts.late_ticks if tick.port == figures.port]
        if late:
            t_ns, size = worst(late)
            causes = [
                port_held(facts, figures.port, t_ns),
                computer_late(facts, figures.port, t_ns),
                port_gone(facts, figures.port, t_ns),
                wire_load(facts, figures.port, "out", t_ns),
                usual("computer"),
            ]
            text = (
                f"{plural(len(late), 'clock')} on port {figures.port} {was(len(late))} over "
                f"{in_ms(facts.limits.clock_ns)} off, the worst {in_ms(size)} late"
            )
            evidence = {"worst_us": size / 1000, "limit_us": facts.limits.clock_ns / 1000}
            yield finding(
                "clock-late", facts, t_ns, text, port=figures.port, count=len(late), evidence=evidence,
                causes=ranked(causes), advice=lateness_advice(facts.take.header.rights),
            )  # fmt: skip


def clocks_silent(facts: Facts) -> Iterator[Finding]:
    """Whether a port that was to get clock got none at all. The followed machine gets none of ours."""
    if facts.outcome != "complete":
        return
    for port, (first, after) in sorted(facts.declared.clocks.items()):
        if (after is not None and after <= first) or (port, "out") in facts.take.tracks:
            continue
        if facts.declared.role == "follower" and port == facts.declared.source:
            continue
        begun = facts.take.events[0].t_ns
        causes = [
            port_gone(facts, port, begun),
            port_refused(facts, port, begun),
            cause("file", "no clock of this port is in the log", 0.5),
        ]
        count = 1 if after is None else after - first
        due = "" if after is None else f"{plural(count, 'clock')} "
        text = f"none of the {due or 'clocks '}due on port {port} went out"
        yield finding("clock-not-sent", facts, None, text, port=port, count=count, causes=ranked(causes))


def _clocks_not_sent(facts: Facts, figures: TrackFigures) -> Finding:
    numbers = figures.track.number
    t_ns = figures.track.t_ns[-1]
    for index in range(1, len(numbers)):
        if numbers[index] > numbers[index - 1] + 1 and numbers[index] < IDLE_FROM:
            t_ns = figures.track.t_ns[index - 1]
            break
    lost = dropped_records(facts)
    causes = [
        port_gone(facts, figures.port, t_ns),
        port_refused(facts, figures.port, t_ns),
        cause("log", f"{plural(lost, 'record is', 'records are')} missing in the log", 0.9) if lost else None,
        usual("broken-off", "no other trace"),
    ]
    text = f"{figures.missing} of {figures.expected} clocks due on port {figures.port} never went out"
    return finding(
        "clock-not-sent", facts, t_ns, text, port=figures.port, count=figures.missing, causes=ranked(causes)
    )


def start_gap(facts: Facts) -> Iterator[Finding]:
    """Whether the first clock after Start or Continue kept its distance.

    A clock that was passed on at the very moment of Start, while the master still stood, went before it.
    """
    for event in facts.of_kind("sent"):
        track = facts.take.tracks.get((event.port, "out"))
        if event.data[:1] not in (b"\xfa", b"\xfb") or track is None:
            continue
        index = bisect_left(track.t_ns, event.t_ns)
        while index < len(track) and track.t_ns[index] == event.t_ns and track.number[index] >= IDLE_FROM:
            index += 1
        after = track.t_ns[index] if index < len(track) else None
        if after is not None and after - event.t_ns < START_GAP_NS:
            gap_us = (after - event.t_ns) / 1000
            text = f"a clock followed Start on port {event.port} after {gap_us:.0f} us"
            causes = [
                port_held(facts, event.port, event.t_ns),
                usual("computer", "Start itself was late", 0.5),
            ]
            yield finding(
                "start-too-close", facts, event.t_ns, text, port=event.port, at=event.at,
                evidence={"gap_us": gap_us, "limit_us": START_GAP_NS / 1000}, causes=ranked(causes),
            )  # fmt: skip
