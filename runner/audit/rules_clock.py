"""Rules about clocks, tempo and transport. Pure."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator

from runner.audit.causes import (
    computer_late,
    own_lateness,
    port_gone,
    port_held,
    port_refused,
    ranked,
    usual,
    wire_load,
)
from runner.audit.clock import TrackFigures
from runner.audit.facts import Facts, worst
from runner.audit.findings import Cause, Finding
from runner.audit.rule_base import finding, in_ms
from runner.audit.rules_log import dropped_records
from runner.takes.model import NO_DUE

START_GAP_NS = 1_000_000  #: MIDI 1.0 Detailed Specification 4.2.1, p. 30


def clocks_sent(facts: Facts) -> Iterator[Finding]:
    """Whether all clocks went out, and in time."""
    for figures in facts.clock.tracks:
        if figures.direction != "out":
            continue
        if figures.missing > facts.limits.missing_clocks:
            yield _clocks_not_sent(facts, figures)
        late = _late_ticks(figures, facts.limits.clock_ns)
        if late:
            t_ns, size = worst(late)
            causes = [
                port_held(facts, figures.port, t_ns),
                computer_late(facts, figures.port, t_ns),
                port_gone(facts, figures.port, t_ns),
                wire_load(facts, figures.port, "out", t_ns),
                usual("this computer was busy with something else", "the usual cause", "computer"),
            ]
            text = (
                f"{len(late)} clocks on port {figures.port} were over {in_ms(facts.limits.clock_ns)} off, "
                f"the worst {in_ms(size)} late"
            )
            evidence = {"worst_us": size / 1000, "limit_us": facts.limits.clock_ns / 1000}
            yield finding(
                "clock-late", facts, t_ns, text, port=figures.port, count=len(late), evidence=evidence,
                causes=ranked(causes),
            )  # fmt: skip


def clocks_silent(facts: Facts) -> Iterator[Finding]:
    """Whether a port that was to get clock got none at all."""
    if facts.outcome != "complete":
        return
    for port, (first, last) in sorted(facts.declared.clocks.items()):
        after = first + 1 if last is None else last  # one, at the least, of a roll without a set end
        if after <= first or (port, "out") in facts.take.tracks:
            continue
        causes = [
            port_refused(facts, port, facts.take.events[0].t_ns),
            usual("clock.jsonl was lost or damaged", "no clock of this port is in the log", "file", 0.5),
        ]
        text = f"none of the {after - first} clocks due on port {port} went out"
        yield finding(
            "clock-not-sent", facts, None, text, port=port, count=after - first, causes=ranked(causes)
        )


def _late_ticks(figures: TrackFigures, limit_ns: int) -> list[tuple[int, int]]:
    if not figures.late_times(limit_ns):
        return []
    pairs = zip(figures.track.t_ns, figures.track.due_ns, strict=True)
    return [(t, abs(t - due)) for t, due in pairs if due != NO_DUE and abs(t - due) > limit_ns]


def _clocks_not_sent(facts: Facts, figures: TrackFigures) -> Finding:
    numbers = figures.track.number
    t_ns = figures.track.t_ns[-1]
    for index in range(1, len(numbers)):
        if numbers[index] > numbers[index - 1] + 1:
            t_ns = figures.track.t_ns[index - 1]
            break
    causes = [
        port_gone(facts, figures.port, t_ns),
        port_refused(facts, figures.port, t_ns),
        Cause("the record of them was lost, not the clocks", "records are missing in the log", 0.9, "log")
        if dropped_records(facts)
        else None,
        usual("the roll was broken off", "no other trace", "broken-off"),
    ]
    text = f"{figures.missing} of {figures.expected} clocks due on port {figures.port} never went out"
    return finding(
        "clock-not-sent", facts, t_ns, text, port=figures.port, count=figures.missing, causes=ranked(causes)
    )


def clocks_received(facts: Facts) -> Iterator[Finding]:
    """Whether clocks are missing or too many in the clock that the take followed."""
    figures = facts.clock.source
    if figures is None or figures.grid is None:
        return
    told = {str(event.detail.get("code")) for event in facts.of_kind("finding")}
    limits = {"missing": facts.limits.missing_clocks, "extra": facts.limits.extra_clocks}
    for kind, limit in limits.items():
        faults = [fault for fault in figures.grid.faults if fault.kind == kind]
        count = sum(fault.count for fault in faults)
        if count <= limit or f"clock-{kind}" in told:
            continue
        t_ns = max(faults, key=lambda fault: fault.count).t_ns
        causes = [
            port_gone(facts, figures.port, t_ns),
            own_lateness(facts, t_ns),
            wire_load(facts, figures.port, "in", t_ns),
            usual("the master or a merger on the way", "no trace on this computer", "master"),
        ]
        verb = "never came" if kind == "missing" else "were too many"
        text = f"{count} clocks on port {figures.port} {verb}, in {len(faults)} places"
        yield finding(
            f"clock-{kind}", facts, t_ns, text, port=figures.port, count=count, causes=ranked(causes)
        )


def tempo(facts: Facts) -> Iterator[Finding]:
    """Whether the tempo was the declared one."""
    figures = facts.clock.source
    if figures is None or not figures.measured_bpm or not figures.declared_bpm:
        return
    percent = 100 * (figures.measured_bpm / figures.declared_bpm - 1)
    told = {str(event.detail.get("code")) for event in facts.of_kind("finding")}
    if abs(percent) <= facts.limits.tempo_percent or "clock-tempo" in told:
        return
    master = figures.direction == "out"
    cause = (
        usual("this computer's clock or load", "our own clock is off", "computer")
        if master
        else usual(
            "the recorder's tempo setting", "the difference is the same all through", "master-tempo", 0.7
        )
    )
    minute_ms = abs(percent) / 100 * 60_000
    text = (
        f"tempo {figures.measured_bpm:.3f} BPM instead of {figures.declared_bpm:.3f} "
        f"({percent:+.3f} %, {minute_ms:.0f} ms a minute)"
    )
    evidence = {"percent": round(percent, 6), "limit_percent": facts.limits.tempo_percent}
    yield finding("tempo-off", facts, None, text, port=figures.port, evidence=evidence, causes=(cause,))


def transport(facts: Facts) -> Iterator[Finding]:
    """Whether Start came where it had to, and the first clock after it not too soon."""
    figures = facts.clock.source
    if facts.declared.role == "follower":
        starts = [e for e in facts.of_kind("received") if e.data[:1] in (b"\xfa", b"\xfb")]
        starts = [e for e in starts if e.port == facts.declared.source]
        told = {str(event.detail.get("code")) for event in facts.of_kind("finding")}
        if not starts and figures is not None and not told & {"clock-without-start"}:
            text = f"neither Start nor Continue came on port {facts.declared.source}, though clock did"
            cause = usual("the master sends clock only", "clock without transport", "master-setting", 0.6)
            yield finding("start-missing", facts, None, text, port=facts.declared.source, causes=(cause,))
    for event in facts.of_kind("sent"):
        track = facts.take.tracks.get((event.port, "out"))
        if event.data[:1] not in (b"\xfa", b"\xfb") or track is None:
            continue
        index = bisect_left(track.t_ns, event.t_ns)
        after = track.t_ns[index] if index < len(track) else None
        if after is not None and after - event.t_ns < START_GAP_NS:
            text = f"a clock followed Start on port {event.port} after {(after - event.t_ns) / 1000:.0f} us"
            yield finding("start-too-close", facts, event.t_ns, text, port=event.port, at=event.at)
