"""Rules about messages: late, never sent, or left sounding. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from runner.audit.advice import lateness_advice
from runner.audit.causes import (
    cause,
    own_lateness,
    port_gone,
    port_held,
    port_refused,
    ranked,
    usual,
    wire_load,
)
from runner.audit.facts import Facts, worst
from runner.audit.findings import Cause, Finding
from runner.audit.rule_base import MOST_PLACES, finding, in_ms, plural, was
from runner.audit.rules_log import dropped_records
from runner.music.moment import parse_moment
from runner.takes.model import Event


def messages_late(facts: Facts) -> Iterator[Finding]:
    """Whether messages other than clock went out in time, by machine."""
    late: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for event in facts.of_kind("sent"):
        if event.due_ns is not None and event.t_ns - event.due_ns > facts.limits.lateness_ns:
            late.setdefault((event.machine, event.port), []).append((event.t_ns, event.t_ns - event.due_ns))
    for (machine, port), rows in sorted(late.items()):
        t_ns, size = worst(rows)
        audible = sum(1 for _, lateness in rows if lateness > facts.limits.cue_ns)
        text = f"{plural(len(rows), 'message')} to {machine or port} {was(len(rows))} over "
        text += f"{in_ms(facts.limits.lateness_ns)} late, the worst {in_ms(size)}"
        text += f"; {audible} of them so late that it can be heard" if audible else ""
        causes = [
            port_held(facts, port, t_ns),
            own_lateness(facts, t_ns),
            wire_load(facts, port, "out", t_ns),
            usual("computer"),
        ]
        yield finding(
            "message-late", facts, t_ns, text, machine=machine, port=port, count=len(rows),
            evidence={"worst_us": size / 1000, "audible": audible}, causes=ranked(causes),
            advice=lateness_advice(facts.take.header.rights),
        )  # fmt: skip


def programs_in_force(facts: Facts) -> Iterator[Finding]:
    """Whether the program changes were there in time, and left their machines the time to settle."""
    late: dict[tuple[str, str], list[_LateProgram]] = {}
    for row in _late_programs(facts):
        late.setdefault((row.event.machine, row.event.port), []).append(row)
    for _, rows in sorted(late.items()):
        yield _program_late(facts, rows)


class _LateProgram(NamedTuple):
    """A program change that came too late: what it left before its moment, and what its machine needs, ns."""

    event: Event
    left_ns: int
    needs_ns: int
    late_ns: int

    @property
    def text(self) -> str:
        """What happened, after "program 5 reached the bass"."""
        if self.left_ns < 0:
            return f"{in_ms(-self.left_ns)} after its moment"
        return f"{in_ms(self.short_ns)} late: {self.kept}"

    @property
    def short_ns(self) -> int:
        """By how much it was too late."""
        return max(self.late_ns, self.needs_ns - self.left_ns)

    @property
    def kept(self) -> str:
        """What its machine had of the time that it needs."""
        if self.left_ns < 0:
            return "after its moment"
        return f"{self.left_ns / 1e6:.0f} ms were left of the {self.needs_ns / 1e6:.0f} ms it needs"


def _late_programs(facts: Facts) -> Iterator[_LateProgram]:
    settle = {machine.name: machine.settle_ns for machine in facts.declared.machines}
    for event in facts.of_kind("sent"):
        if event.due_ns is None or event.data[:1] < b"\xc0" or event.data[:1] > b"\xcf":
            continue
        needs = settle.get(event.machine, 0)
        late = event.t_ns - event.due_ns
        left = _time_left(facts, event)
        if left is None or facts.declared.role != "follower":
            left = needs - late if needs and late > facts.limits.lateness_ns else None
        if left is None or left >= needs - (facts.limits.lateness_ns if needs else -facts.limits.cue_ns):
            continue
        yield _LateProgram(event, left, needs, late)


def _program_late(facts: Facts, rows: Sequence[_LateProgram]) -> Finding:
    """Return one finding for all of a machine: at the one that had least of what it needs."""
    worst_row = min(rows, key=lambda row: row.left_ns - row.needs_ns)
    event = worst_row.event
    program = f"program {event.data[1] + 1}" if len(event.data) > 1 else "a program change"
    text = f"{program} reached {event.machine} {worst_row.text}"
    evidence: dict[str, Any] = {"left_us": worst_row.left_ns / 1000, "needed_us": worst_row.needs_ns / 1000}
    if len(rows) > 1:
        text = f"{len(rows)} program changes reached {event.machine} too late, the worst, {program}, by "
        text += f"{in_ms(worst_row.short_ns)}: {worst_row.kept}"
        evidence["places"] = [
            {"at": row.event.at, "t_ns": row.event.t_ns, "count": 1} for row in rows[:MOST_PLACES]
        ]
    causes = [
        port_held(facts, event.port, event.t_ns), own_lateness(facts, event.t_ns),
        wire_load(facts, event.port, "out", event.t_ns), _entered_late(facts, event),
        usual("settle-short", "nothing else held it up"),
    ]  # fmt: skip
    return finding(
        "program-late", facts, event.t_ns, text, at=event.at, machine=event.machine, port=event.port,
        count=len(rows), evidence=evidence, causes=ranked(causes),
    )  # fmt: skip


def _time_left(facts: Facts, event: Event) -> int | None:
    """Return the time from a message to the musical moment that it was for; None where that is not known."""
    if facts.time is None or event.at is None or facts.declared.role != "follower":
        return None
    try:
        quarters = facts.time.resolve(parse_moment(event.at)).quarters
    except (ValueError, OverflowError):
        return None
    moment = facts.time_of(quarters)
    return None if moment is None else moment - event.t_ns


def _entered_late(facts: Facts, event: Event) -> Cause | None:
    """The master began before programs could settle: in the middle, or right after the take was armed."""
    start = next((move for move in facts.master_moves if move.data[:1] in (b"\xfa", b"\xfb")), None)
    if start is None or abs(event.t_ns - start.t_ns) > 50_000_000:
        return None
    if start.data == b"\xfb":
        return cause("mid-song", "the master began with Continue, and it was sent at that moment", 0.8)
    return cause("short-lead", "the master sent Start before the programs were out", 0.8)


def notes_left(facts: Facts) -> Iterator[Finding]:
    """Whether every note that was begun was ended; a doubled Note On needs two Note Offs."""
    if facts.take.end is None:
        return
    sounding: Counter[tuple[str, int, int]] = Counter()
    names: dict[tuple[str, int, int], Event] = {}
    for event in facts.of_kinds_in_time("sent", "cut"):
        if len(event.data) != 3 or event.data[0] & 0xE0 != 0x80:
            if len(event.data) == 3 and event.data[0] & 0xF0 == 0xB0 and event.data[1] == 120:
                for key in [key for key in sounding if key[:2] == (event.port, event.data[0] & 15)]:
                    del sounding[key]
            continue
        key = (event.port, event.data[0] & 15, event.data[1])
        if event.data[0] & 0x10 and event.data[2]:
            sounding[key] += 1
            names[key] = event
        elif sounding[key] > 0:
            sounding[key] -= 1
    for key, count in sorted(sounding.items()):
        if count > 0:
            event = names[key]
            text = f"note {key[2]} on channel {key[1] + 1} of {event.machine or key[0]} was not ended"
            end_ns = facts.take.end.t_ns
            causes = ranked([
                port_gone(facts, key[0], event.t_ns) or port_gone(facts, key[0], end_ns),
                port_refused(facts, key[0], event.t_ns) or port_refused(facts, key[0], end_ns),
                cause("log", "records are missing in the log", 0.7) if dropped_records(facts) else None,
                cause("engine-died", "its Note Off died with it", 0.6) if facts.outcome == "failed" else None,
            ])  # fmt: skip
            yield finding(
                "note-left", facts, event.t_ns, text, at=event.at, machine=event.machine, port=key[0],
                count=count, causes=causes,
            )  # fmt: skip


def _entered_at(facts: Facts) -> int | None:
    """Return the song time at which a master let the song begin in mid-song; None if it did not.

    What lies before is not played then; what is in force there is sent instead.
    """
    start = next((move for move in facts.master_moves if move.data[:1] in (b"\xfa", b"\xfb")), None)
    source = facts.clock.source
    if start is None or start.data == b"\xfa" or facts.time is None or source is None:
        return None
    played = next(
        (at for t in source.track.t_ns if t >= start.t_ns and (at := facts.followed_quarters(t)) is not None),
        None,
    )
    return None if played is None else facts.time.tempo.ns_at(played)


def planned_but_not_sent(facts: Facts) -> Iterator[Finding]:
    """Whether every planned message went out; only where the plan was read with a whole take."""
    if facts.take.plan is None or facts.outcome != "complete":
        return
    sent = Counter((event.port, event.data) for event in facts.of_kind("sent", "cut"))
    states = [event.detail for event in facts.of_kind("state")]
    muted = {str(detail.get("machine")) for detail in states if detail.get("state") == "mute"}
    missing: dict[str, list[tuple[int, str]]] = {}
    begun_ns = _entered_at(facts)
    for row in facts.take.plan:
        port, t_ns, text = row.get("port"), row.get("t_ns"), row.get("bytes")
        if not (isinstance(port, str) and isinstance(t_ns, int) and isinstance(text, str)) or text == "F8":
            continue
        if begun_ns is not None and (t_ns < begun_ns or text in ("FA", "FB")):
            continue
        try:
            data = bytes.fromhex(text)
        except ValueError:
            continue
        if row.get("hold") or (row.get("machine") in muted and data[:1] and data[0] & 0xE0 == 0x80):
            continue  # a hold is played as often as is wanted; notes of a muted machine are kept back
        sent[port, data] -= 1
        if sent[port, data] < 0:
            missing.setdefault(port, []).append((t_ns, str(row.get("what", text))))
    for port, rows in sorted(missing.items()):
        t_ns, what = rows[0]
        text = f"{plural(len(rows), 'planned message')} to port {port} never went out, the first: {what}"
        causes = ranked([
            port_gone(facts, port, t_ns), port_refused(facts, port, t_ns),
            cause("log", "records are missing in the log", 0.7) if dropped_records(facts) else None,
        ])  # fmt: skip
        yield finding("not-sent", facts, t_ns, text, port=port, count=len(rows), causes=causes)
