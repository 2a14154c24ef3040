"""Rules about what the engine and the clock watch said while the take ran. Pure.

Occurrences of one code on one port become one finding, with the places of all of them. What the audit
judges anew from the whole record (clocks missing or too many, the tempo) is not said twice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, cast, get_args

from runner.audit.causes import own_lateness, port_gone, ranked, usual, wire_load
from runner.audit.facts import DIN_BYTE_NS, Facts
from runner.audit.findings import MEANINGS, SEVERITY_ORDER, Cause, Finding
from runner.audit.rule_base import MOST_PLACES, finding
from runner.audit.rules_follow import mixed_sources, restart_causes
from runner.errors import Severity
from runner.sync.findings import Code
from runner.takes.model import Event

#: Judged from the whole record by a rule of their own, where there is a clock to judge.
_JUDGED_ANEW = frozenset({Code.MISSING.value, Code.EXTRA.value})
#: Said by the figures: a clock that is as irregular as cables and USB make it is worth no finding.
_USUAL_JITTER = ("steady", "din", "usb-grid")
_ROUGH = 0.12  #: in clock intervals: so irregular a clock has a few far outliers
_ANEW_NS = 500_000_000  #: so near to Start, a jump of the clock's phase is its new beginning
_ON_THE_WAY = frozenset(
    code.value for code in (Code.BUNCHED, Code.JUMP, Code.NO_STOP, Code.DROPOUT, Code.REFUSED, Code.JITTER)
)
_PORT_ONLY = frozenset({
    Code.SENSING_LOST.value, Code.START_NO_CLOCK.value, Code.CODE_DROPOUT.value, Code.CODE_ENDED.value,
    "port-sends-again",
})  # fmt: skip
_USUAL: dict[str, tuple[str, str, float]] = {
    Code.BUNCHED.value: ("link-bursts", "none was lost, and this computer was in time", 0.5),
    Code.MERGED.value: ("second-source", "the clocks of two machines alternate", 0.7),
    Code.LOOP.value: ("echo", "they follow our own at a constant distance", 0.9),
    Code.TEMPO.value: ("master-tempo", "measured while it ran", 0.6),
    Code.WANDER.value: ("master-wow", "the tempo swings about its mean", 0.8),
    Code.STEP.value: ("master-step", "one tempo before that place and another after it", 0.7),
    Code.JUMP.value: ("master-jump", "the phase moved and the tempo did not", 0.5),
    Code.NO_START.value: ("master-setting", "clock without transport", 0.8),
    Code.START_NO_CLOCK.value: ("master-setting", "transport without clock", 0.6),
    Code.NO_STOP.value: ("master-gone", "the port is still listed", 0.5),
    Code.DROPOUT.value: ("master-gone", "the port is still listed", 0.5),
    Code.LATE_LOCK.value: (
        "short-lead",
        "the clock before bar 1 was not enough to see through its jitter",
        0.6,
    ),
    Code.SENSING_LOST.value: ("unplugged", "MIDI 1.0 p. 33 takes this for an unplugged connection", 0.7),
    Code.POSITION_REFUSED.value: ("master-locates", "a song position without Stop", 0.7),
    Code.REDUNDANT.value: ("doubled-message", "the same message twice", 0.4),
    Code.REFUSED.value: ("master-noise", "no tempo has such clocks", 0.3),
    Code.CODE_MISSING.value: ("link-loss", "single quarter frames missing", 0.5),
    Code.CODE_DROPOUT.value: ("master-gone", "the port is still listed", 0.5),
    Code.CODE_ENDED.value: ("master-gone", "the port is still listed", 0.5),
    Code.CODE_JUMP.value: ("master-locates", "the numbers went elsewhere", 0.7),
    Code.CODE_REVERSE.value: ("master-locates", "the numbers ran back", 0.7),
    Code.CODE_SPEED.value: ("master-tempo", "the speed is another all through", 0.6),
    Code.CODE_BROKEN.value: ("link-loss", "pieces out of order", 0.4),
    Code.CODE_JOINED.value: ("short-lead", "time code came too shortly before it was needed", 0.5),
    "engine-restarted": ("engine-died", "another engine went on with the log", 0.95),
    "input-overflow": ("flood", "more came than could be taken", 0.8),
    "machine-rejoins": ("unplugged", "its port had vanished", 0.9),
    "machine-left-stopped": ("unplugged", "its port had vanished", 0.9),
    "port-sends-again": ("port-refused", "it had refused messages before", 0.4),
}


def told_live(facts: Facts) -> Iterator[Finding]:
    """What the engine and the clock watch said during the take, and refused commands."""
    groups: dict[tuple[str, str, str], list[Event]] = {}
    for event in facts.of_kind("finding"):
        code = str(event.detail.get("code", ""))
        if code == Code.LOOP.value and _is_no_echo(event):
            code = Code.MERGED.value
        if code and not _is_said_elsewhere(code, event, facts):
            port = event.port or str(event.detail.get("port", ""))
            machine = event.machine or str(event.detail.get("machine", ""))
            groups.setdefault((code, port, machine), []).append(event)
    for (code, port, machine), events in groups.items():
        yield _grouped(facts, code, port, machine, events)
    for event in facts.of_kind("refused"):
        text = str(event.detail.get("text") or event.detail.get("why") or "a command was refused")
        yield finding("command-refused", facts, event.t_ns, text, at=event.at)


def _is_said_elsewhere(code: str, event: Event, facts: Facts) -> bool:
    if code == "port-send-failed":
        return bool(facts.of_kind("send_failed"))
    source = facts.clock.source
    if code in _JUDGED_ANEW:
        return source is not None and source.grid is not None
    if code == Code.JUMP.value:
        return _began_anew(event, facts)
    if code == Code.STEP.value:
        size = event.detail.get("size")
        return isinstance(size, int | float) and abs(size) <= facts.limits.tempo_percent
    if code == Code.JITTER.value:
        evidence = event.detail.get("evidence")
        return isinstance(evidence, dict) and evidence.get("class") in _USUAL_JITTER
    return code in (Code.MERGED.value, Code.LOOP.value) and not mixed_sources(facts)


def _is_no_echo(event: Event) -> bool:
    """Whether clocks came sooner after our own than one byte takes on a DIN cable: we followed them."""
    evidence = event.detail.get("evidence")
    lag = evidence.get("lag_ms") if isinstance(evidence, dict) else None
    return isinstance(lag, int | float) and lag * 1e6 < DIN_BYTE_NS


def _began_anew(event: Event, facts: Facts) -> bool:
    """Whether the clock's phase moved with Start: a master may begin its clock anew then."""
    t_ns = fact_time(event, facts)
    starts = (move.t_ns for move in facts.master_moves if move.data[:1] in (b"\xfa", b"\xfb"))
    return any(-_ANEW_NS <= t_ns - start <= _ANEW_NS for start in starts)


def _grouped(facts: Facts, code: str, port: str, machine: str, events: Sequence[Event]) -> Finding:
    """Return one finding for all occurrences of a code on a port: in the words of the first of the worst."""
    meaning = MEANINGS.get(code)
    usual_severity: Severity = meaning.severity if meaning is not None else "note"
    severities = [_severity(event.detail.get("severity"), usual_severity) for event in events]
    severity = min(severities, key=SEVERITY_ORDER.__getitem__)
    first = events[severities.index(severity)]
    if code == Code.BUNCHED.value and _is_plain_jitter(facts, events):
        severity = "note"
    text = str(first.detail.get("text") or (meaning.meaning if meaning is not None else code))
    if len(events) > 1:
        text += f"; {len(events)} times in all"
    evidence = first.detail.get("evidence")
    kept: dict[str, Any] = dict(evidence) if isinstance(evidence, dict) else {}
    if len(events) > 1:
        kept["places"] = [
            {"at": event.at or facts.at(event.t_ns), "t_ns": fact_time(event, facts), "count": _count(event)}
            for event in events[:MOST_PLACES]
        ]
    return Finding(
        code, severity, fact_time(first, facts), text, first.at or facts.at(first.t_ns), machine, port,
        sum(_count(event) for event in events), kept, _causes(code, facts, port, events),
    )  # fmt: skip


def _is_plain_jitter(facts: Facts, events: Sequence[Event]) -> bool:
    """Whether a few late clocks are only the far end of a jitter that is large all through."""
    source = facts.clock.source
    if source is None or source.line is None or source.line.slope <= 0 or source.measured_bpm is None:
        return False
    rough = source.line.residual_sd > _ROUGH * 60e9 / 24 / source.measured_bpm
    return rough and sum(map(_count, events)) <= max(2, len(source.track) // 100)


def _count(event: Event) -> int:
    count = event.detail.get("count", 1)
    return count if isinstance(count, int) and not isinstance(count, bool) else 1


def _severity(value: object, default: Severity) -> Severity:
    for known in get_args(Severity):
        if value == known:
            return cast(Severity, value)
    return default


def fact_time(event: Event, facts: Facts) -> int:
    """The time of the fact (findings of the watch carry it as monotonic time), from the anchor."""
    t_ns = event.detail.get("t_ns")
    if type(t_ns) is int and 0 < t_ns < 2**62:
        return t_ns - facts.take.header.anchor_ns
    return event.t_ns


def _causes(code: str, facts: Facts, port: str, events: Sequence[Event]) -> tuple[Cause, ...]:
    if code == Code.RESTARTED.value:
        return restart_causes(facts, events[0])
    found: list[Cause | None] = []
    source = port or facts.declared.source
    if code in _ON_THE_WAY:
        votes: list[Cause] = []
        for event in events[:MOST_PLACES]:
            t_ns = fact_time(event, facts)
            votes += [
                each
                for each in (
                    port_gone(facts, source, t_ns), own_lateness(facts, t_ns),
                    wire_load(facts, source, "in", t_ns),
                )
                if each is not None
            ]  # fmt: skip
        most = len(events[:MOST_PLACES]) / 2
        codes = [each.code for each in votes]
        found += [each for each in votes if codes.count(each.code) >= most]
    elif code in _PORT_ONLY:
        found.append(port_gone(facts, source, fact_time(events[0], facts)))
    if code == Code.JITTER.value:
        evidence = events[0].detail.get("evidence")
        bursts = isinstance(evidence, dict) and evidence.get("class") == "bursts"
        found = [usual("link-bursts", "clocks come in groups", 0.4)] if bursts else []
    elif code in _USUAL:
        name, why, weight = _USUAL[code]
        found.append(usual(name, why, weight))
    return ranked(found)


__all__ = ["fact_time", "told_live"]
