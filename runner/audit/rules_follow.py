"""Rules about a clock that was followed: what is missing in it, its tempo, its transport. Pure.

What the clock watch said live is judged anew here from the whole record: it had to decide within a beat,
the audit has all that came later too. The two may not contradict each other in one report.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any

from runner.audit.causes import cause, own_lateness, port_gone, ranked, usual, wire_load
from runner.audit.clock import TrackFigures
from runner.audit.facts import Facts
from runner.audit.findings import Cause, Finding
from runner.audit.grid import GridFault
from runner.audit.rule_base import MOST_PLACES, finding, plural, was
from runner.audit.tempo_course import TempoCourse, tempo_course
from runner.takes.model import Event

SILENCE_NS = (
    300_000_000  #: MIDI 1.0 Detailed Specification, p. 33: the most between two messages that are sensed
)
_BROKEN = ("clock-merged", "clock-loop", "clock-dropout", "clock-ended-without-stop")
_CROWDED = 1.35  #: times as many clocks as the song has: a second one comes in
_REGULAR = 0.12  #: in clock intervals: a clock whose error about its line is below this is one clock


def clocks_received(facts: Facts) -> Iterator[Finding]:
    """Whether clocks are missing or too many in the clock that the take followed."""
    figures = facts.clock.source
    if figures is None or figures.grid is None or mixed_sources(facts):
        return
    limits = {"missing": facts.limits.missing_clocks, "extra": facts.limits.extra_clocks}
    for kind, limit in limits.items():
        faults = [fault for fault in figures.grid.faults if fault.kind == kind]
        count = sum(fault.count for fault in faults)
        if count > limit:
            yield _clock_fault(facts, figures, kind, faults, count)


def _clock_fault(
    facts: Facts, figures: TrackFigures, kind: str, faults: Sequence[GridFault], count: int
) -> Finding:
    places = [_place(facts, figures, fault) for fault in faults]
    biggest = max(range(len(faults)), key=lambda index: faults[index].count)
    t_ns = faults[biggest].t_ns
    port = figures.port
    votes: dict[str, Cause] = {}
    for fault in faults[:MOST_PLACES]:  # what explains most of the places is likeliest
        for each in (
            port_gone(facts, port, fault.t_ns), own_lateness(facts, fault.t_ns),
            wire_load(facts, port, "in", fault.t_ns),
        ):  # fmt: skip
            if each is not None:
                votes.setdefault(each.code, each)
    found: list[Cause | None] = list(votes.values())
    if kind == "missing":
        found.append(_fell_silent(facts, figures, faults[biggest]))
    found.append(
        usual("link-loss", "no trace on this computer, nor of other data on the wire", 0.5)
        if kind == "missing"
        else usual("second-path", "single clocks came twice", 0.6)
    )
    verb = "never came" if kind == "missing" else f"{was(count)} too many"
    where = "" if len(faults) == 1 else f", in {len(faults)} places"
    return finding(
        f"clock-{kind}", facts, t_ns, f"{plural(count, 'clock')} on port {port} {verb}{where}", port=port,
        machine=_machine_of(facts, port), count=count, at=places[biggest]["at"], causes=ranked(found),
        evidence={"places": places[:MOST_PLACES], "told_live": _told_count(facts, f"clock-{kind}")},
    )  # fmt: skip


def _fell_silent(facts: Facts, figures: TrackFigures, fault: GridFault) -> Cause | None:
    """A hole in which nothing at all came for as long as MIDI lets active sensing be away (p. 33)."""
    times = figures.track.t_ns
    begin, end = times[max(0, fault.index - 1)], times[fault.index]
    if end - begin < SILENCE_NS or facts.bytes_between(figures.port, "in", begin, end - 1):
        return None
    why = f"nothing at all came for {(end - begin) / 1e6:.0f} ms, and then the clock went on"
    return cause("unplugged", why, 0.55)


def _place(facts: Facts, figures: TrackFigures, fault: GridFault) -> dict[str, Any]:
    """Return where a fault is: of missing clocks, the place of the first of them."""
    before = max(0, fault.index - 1)
    at: str | None = None
    played = facts.followed_quarters(figures.track.t_ns[before])
    if played is not None and facts.time is not None:
        moved = Fraction(1, 24) if fault.kind == "missing" else Fraction(0)
        at = facts.time.at_text(played + moved)
    return {"at": at, "t_ns": fault.t_ns, "count": fault.count}


def _machine_of(facts: Facts, port: str) -> str:
    return next((machine.name for machine in facts.declared.machines if machine.port == port), "")


def _told_count(facts: Facts, code: str, from_ns: int = -(2**62)) -> int:
    return sum(
        _whole(event.detail.get("count"))
        for event in facts.of_kind("finding")
        if event.detail.get("code") == code and event.t_ns >= from_ns
    )


def _whole(value: object) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else 1


def is_regular(figures: TrackFigures | None) -> bool:
    """Return whether what came is one clock: on its grid, nothing doubled."""
    if figures is None or figures.grid is None or figures.grid.extra or len(figures.track) < 48:
        return False
    gaps = sorted(b - a for a, b in zip(figures.track.t_ns, figures.track.t_ns[1:], strict=False))
    usual_ns = gaps[len(gaps) // 2]
    off = sorted(abs(gap - usual_ns) for gap in gaps)
    return usual_ns > 0 and off[int(0.9 * len(off))] < 2.5 * _REGULAR * usual_ns


def mixed_sources(facts: Facts) -> bool:
    """Return whether two clocks came on one port, so that no grid and no tempo means anything.

    The watch calls it that when a beat holds too many clocks. So does a link that delivers late and together;
    over a few beats, though, only a second clock makes more of them.
    """
    source = facts.clock.source
    told = [e for e in facts.of_kind("finding") if e.detail.get("code") in ("clock-merged", "clock-loop")]
    if not told or source is None:
        return bool(told)
    interval_ns = _interval_ns(facts, source)
    if is_regular(source) or interval_ns is None:
        return not is_regular(source)
    for event in told:
        begin, end = event.t_ns - 24 * interval_ns, event.t_ns + 72 * interval_ns
        came = bisect_left(source.track.t_ns, end) - bisect_left(source.track.t_ns, begin)
        end = min(end, source.track.t_ns[-1])
        if came > _CROWDED * (end - begin) / interval_ns:
            return True
    return False


def _interval_ns(facts: Facts, source: TrackFigures) -> float | None:
    """Return the clock interval that the song declares at its beginning."""
    bpm = source.declared_bpm or (facts.declared.tempo_map[0][1] if facts.declared.has_tempo else None)
    return 60e9 / 24 / bpm if bpm else None


def miscounted(facts: Facts) -> Iterator[Finding]:
    """Whether the follower, at the time, counted other clocks than the record has."""
    figures = facts.clock.source
    if figures is None or figures.grid is None or facts.told & set(_BROKEN) or facts.outcome is None:
        return
    begun = figures.track.t_ns[min(_song_begin(facts, figures), len(figures.track) - 1)]
    live = _told_count(facts, "clock-missing", begun) - _told_count(facts, "clock-extra", begun)
    signs = {"missing": 1, "extra": -1}
    true = sum(signs.get(fault.kind, 0) * fault.count for fault in figures.grid.faults if fault.t_ns > begun)
    if live == true or mixed_sources(facts):
        return
    away = abs(live - true)
    where = "ahead of" if live > true else "behind"
    text = f"the follower was {plural(away, 'clock')} {where} the master at the end: "
    text += f"it counted {_net(live)}, the whole record shows {_net(true)}"
    evidence = {"live": live, "record": true}
    yield finding(
        "follower-misled", facts, None, text, port=figures.port, count=away, evidence=evidence,
        machine=_machine_of(facts, figures.port),
        causes=ranked([usual("link-bursts", "the clock was too irregular to be told apart within a beat")]),
    )  # fmt: skip


def _net(count: int) -> str:
    return f"{abs(count)} {'missing' if count >= 0 else 'too many'}" if count else "none missing"


def tempo(facts: Facts) -> Iterator[Finding]:
    """Whether the tempo was the declared one; if not, whether by a constant, at a step or by a ramp."""
    figures = facts.clock.source
    if figures is None or not figures.measured_bpm or not figures.declared_bpm or mixed_sources(facts):
        return
    course = _course(facts, figures)
    percent = 100 * (figures.measured_bpm / figures.declared_bpm - 1)
    limit = facts.limits.tempo_percent
    if course is None:
        course = TempoCourse("constant", percent, percent, percent)
    worst = percent if course.kind == "constant" else course.worst_percent
    if abs(worst) <= limit:
        return
    evidence: dict[str, Any] = {
        "percent": round(percent, 6), "limit_percent": limit, "kind": course.kind,
        "first_percent": round(course.first_percent, 4), "last_percent": round(course.last_percent, 4),
        "told_live": _told_count(facts, "clock-tempo") + _told_count(facts, "clock-step"),
    }  # fmt: skip
    bpm = figures.declared_bpm
    t_ns: int | None = None
    if course.kind == "constant":
        minute_ms = abs(percent) / 100 * 60_000
        text = f"tempo {figures.measured_bpm:.3f} BPM instead of {bpm:.3f} "
        text += f"({percent:+.3f} %, {minute_ms:.0f} ms a minute)"
    else:
        times = _start_times(facts, figures)
        t_ns, until = times[course.from_index], facts.at(times[course.to_index]) or "later"
        text = f"the tempo goes from {course.first_percent:+.2f} % off the song's "
        text += f"to {course.last_percent:+.2f} %"
        text += ", at one place" if course.kind == "step" else f", gradually until {until}"
    yield finding(
        "tempo-off", facts, t_ns, text, port=figures.port, evidence=evidence,
        causes=_tempo_causes(figures, course),
        machine=_machine_of(facts, figures.port) if figures.direction == "in" else "",
    )  # fmt: skip


def _tempo_causes(figures: TrackFigures, course: TempoCourse) -> tuple[Cause, ...]:
    if figures.direction == "out":
        return (usual("computer", "our own clock is off"),)
    why = {
        "constant": ("master-tempo", "the difference is the same all through"),
        "step": ("master-step", "one tempo before that place and another after it"),
        "ramp": ("master-ramp", "the difference grows from beat to beat"),
    }
    code, text = why[course.kind]
    return (cause(code, text, 0.9),)


def _start_times(facts: Facts, figures: TrackFigures) -> Sequence[int]:
    first = _song_begin(facts, figures)
    return figures.track.t_ns[first:]


def _song_begin(facts: Facts, figures: TrackFigures) -> int:
    """Return the index of the first clock of the song: the one after Start; 0 without a Start."""
    start = next((e for e in facts.master_moves if e.data[:1] in (b"\xfa", b"\xfb")), None)
    return 0 if start is None else bisect_left(figures.track.t_ns, start.t_ns)


def _course(facts: Facts, figures: TrackFigures) -> TempoCourse | None:
    """Return how the followed tempo went against the song's, from Start on."""
    if figures.direction != "in" or figures.grid is None:
        return None
    times = _start_times(facts, figures)
    song = facts.declared.tempo()
    if song is None or len(times) < 24:
        return None
    first = len(figures.track) - len(times)
    numbers = figures.grid.number
    played = facts.followed_quarters(times[0])
    begin = played if played is not None else Fraction(facts.declared.entry_quarters).limit_denominator(1000)
    declared = song.ns_of_grid(begin, Fraction(1, 24), numbers[-1] - numbers[first] + 1)
    rows = [(t, declared[numbers[first + i] - numbers[first]]) for i, t in enumerate(times)]
    rising = [row for index, row in enumerate(rows) if index == 0 or row[1] > rows[index - 1][1]]
    return tempo_course([row[0] for row in rising], [row[1] for row in rising])


def transport(facts: Facts) -> Iterator[Finding]:
    """Whether the followed machine sent the Start that it had to, and only that."""
    if facts.declared.role != "follower":
        return
    source = facts.declared.source
    starts = [event for event in facts.master_moves if event.data[:1] in (b"\xfa", b"\xfb")]
    if not starts and facts.clock.source is not None and not _running_before(facts):
        text = f"neither Start nor Continue came on port {source}, though clock did"
        why = cause("master-setting", "clock without transport", 0.8)
        gone = port_gone(facts, source, facts.clock.source.track.t_ns[-1])
        yield finding(
            "start-missing", facts, None, text, port=source, machine=_machine_of(facts, source),
            causes=ranked([why, gone]),
        )  # fmt: skip


def _running_before(facts: Facts) -> bool:
    """Whether the master played when the take was armed, so that its Start lies before it."""
    follow = next((e.detail.get("follow") for e in facts.of_kind("state") if "follow" in e.detail), None)
    return isinstance(follow, dict) and follow.get("running") is True


def restart_causes(facts: Facts, event: Event) -> tuple[Cause, ...]:
    """Return why Start came while the song played: what followed it tells.

    A song's length of clocks after it says that the master began the song anew then; a silence before it says
    that it had stopped.
    """
    source = facts.clock.source
    lost = "Stop is the one message between two Starts, and none came"
    if source is None or source.grid is None:
        return (cause("stop-lost", lost, 0.6),)
    after = len(source.track) - bisect_left(source.track.t_ns, event.t_ns)
    length = round(24 * (facts.declared.end_quarters + facts.declared.pre_roll_quarters))
    if length and abs(after - length) <= 24:
        return (cause("stop-lost", f"{after} clocks follow it, and the song has {length}", 0.95),)
    return (cause("stop-lost", lost, 0.7), cause("doubled-message", "no Stop, and the clock went on", 0.3))
