"""Rules about machines that follow us: started late, silent, or elsewhere than in the other takes. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from runner.audit.alignment import Alignment, alignments, clocks_late
from runner.audit.causes import cause, port_gone, ranked
from runner.audit.facts import Facts, History
from runner.audit.findings import Cause, Finding
from runner.audit.rule_base import finding, plural

_BEAT = 24  #: a machine that had less than a beat of clock before Start cannot know the tempo
_WHOLE_LOOKS = 3  #: other takes that must agree among each other before this one is said to differ


def machines_started(facts: Facts) -> Iterator[Finding]:
    """Whether each machine that lets us hear it began with its Start."""
    if facts.legs is not None:
        return
    bar = round(float(facts.time.meters.first.clocks_per_bar)) if facts.time is not None else 4 * _BEAT
    for name, alignment in sorted(alignments(facts).items()):
        late, why = clocks_late(alignment, bar)
        size_ns = late * alignment.interval_ns
        if not late or size_ns <= facts.limits.cue_ns:
            continue
        text = f"{name} came in {plural(late, 'clock')} ({size_ns / 1e6:.0f} ms) after its Start"
        yield finding(
            "machine-started-late", facts, alignment.start_ns, text, machine=name,
            port=alignment.machine.port, count=late, causes=_why_late(alignment, why, late),
            evidence={"clocks": late, "late_us": size_ns / 1000, "lead_clocks": alignment.lead_clocks,
                      "limit_us": facts.limits.cue_ns / 1000},
        )  # fmt: skip


def _why_late(alignment: Alignment, why: str, late: int) -> tuple[Cause, ...]:
    lead = alignment.lead_clocks
    own = cause("machine-start", f"{why}; it had {plural(lead, 'clock')} before Start", 0.7)
    if lead >= _BEAT:
        return (own,)
    short = f"it had {plural(lead, 'clock')} before Start, less than a beat, and lacked {late}"
    return (cause("short-lead", short, 0.85), own)


def machines_silent(facts: Facts) -> Iterator[Finding]:
    """Whether a machine that sends notes in the other takes of the song sent none in this."""
    if facts.outcome != "complete":
        return
    here = alignments(facts)
    for machine in facts.declared.machines:
        heard = _heard(facts.history, machine.name)
        if not heard or machine.name in here or len(heard) < len(facts.history):
            continue
        if any(
            event.port == machine.port and event.data[:1] < b"\xf0" for event in facts.of_kind("received")
        ):
            continue
        text = f"nothing came from {machine.name}, which sends notes in {_takes(heard)}"
        gone = port_gone(facts, machine.port, facts.take.events[0].t_ns)
        yield finding(
            "machine-silent", facts, None, text, machine=machine.name, port=machine.port,
            causes=ranked([gone, cause("machine-deaf", "its port is there, and nothing comes from it", 0.6)]),
        )  # fmt: skip


def take_shifted(facts: Facts) -> Iterator[Finding]:
    """Whether a machine lies elsewhere against the beat than in the other takes of the song."""
    for name, alignment in sorted(alignments(facts).items()):
        heard = _heard(facts.history, name)
        if not heard:
            continue
        places = sorted(_place(row, alignment) for row in heard)
        usual_place = places[len(places) // 2]
        spread_ns = (places[-1] - places[0]) * alignment.interval_ns
        own_place = _place(alignment.to_dict(), alignment)
        shift_ns = (own_place - usual_place) * alignment.interval_ns
        if abs(shift_ns) <= facts.limits.cue_ns:
            continue
        if spread_ns > facts.limits.cue_ns and len(heard) < _WHOLE_LOOKS:
            continue  # the others do not agree either
        way = "later" if shift_ns > 0 else "earlier"
        text = f"{name} lies {abs(shift_ns) / 1e6:.0f} ms {way} against the beat than in {_takes(heard)}"
        yield finding(
            "take-shifted", facts, alignment.start_ns, text, machine=name, port=alignment.machine.port,
            evidence={"shift_us": shift_ns / 1000, "clocks": own_place - usual_place,
                      "takes": len(heard), "limit_us": facts.limits.cue_ns / 1000},
            causes=_why_shifted(facts, alignment, heard),
        )  # fmt: skip


def _place(row: Mapping[str, Any], alignment: Alignment) -> float:
    """Return where a first note lay against bar 1, in clocks: an offset moves all that a machine hears."""
    offset = row.get("offset_us")
    offset_us = float(offset) if isinstance(offset, int | float) else 0.0
    return float(row["first_note_clocks"]) + 1000 * offset_us / alignment.interval_ns


def _why_shifted(facts: Facts, alignment: Alignment, heard: Sequence[Mapping[str, Any]]) -> tuple[Cause, ...]:
    found: list[Cause | None] = []
    settings = own_settings(facts)
    for other in facts.history:
        differing = sorted(key for key in settings if other.settings.get(key, settings[key]) != settings[key])
        if differing:
            found.append(cause("other-settings", f"{', '.join(differing)} differ from {other.take}", 0.9))
            break
    moved = {row.get("offset_us") for row in heard} - {alignment.machine.offset_ns / 1000, None}
    if moved:
        found.append(cause("other-settings", "its offset was another one", 0.92))
    leads = sorted(row["lead_clocks"] for row in heard if isinstance(row.get("lead_clocks"), int))
    if alignment.lead_clocks < _BEAT and leads and leads[0] >= _BEAT:
        why = f"{plural(alignment.lead_clocks, 'clock')} before Start; elsewhere {leads[0]} or more"
        found.append(cause("short-lead", why, 0.85))
    found.append(cause("machine-start", "it got clock and Start in the same way as before", 0.6))
    return ranked(found)


def own_settings(facts: Facts) -> dict[str, Any]:
    """Return what of the session decides where a take lies, for the comparison with others."""
    declared = facts.declared
    return {
        "tempo": [list(row) for row in declared.tempo_map],
        "pre-roll": declared.pre_roll_quarters,
        "role": declared.role,
    }


def _heard(history: Sequence[History], name: str) -> list[Mapping[str, Any]]:
    rows = [other.machines[name] for other in history if name in other.machines]
    return [row for row in rows if isinstance(row.get("first_note_clocks"), int | float)]


def _takes(heard: Sequence[object]) -> str:
    return "another take" if len(heard) == 1 else f"{len(heard)} other takes"
