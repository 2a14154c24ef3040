"""What must be true after every campaign, whatever went wrong in it."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from itertools import pairwise

from lab_play import SETTLE_NS, Outcome

from runner.takes.format import Kind, Record
from runner.takes.model import IDLE_FROM
from runner.takes.reader import read_take

_OUT = (Kind.SENT, Kind.TICK_SENT, Kind.CUT)
_UNPLANNED = 0xFFFFFFFF  # the source of what stands in no timeline


def _bytes(record: Record) -> bytes:
    return b"\xf8" if record.kind == Kind.TICK_SENT else record.data


def no_note_left(outcome: Outcome) -> Iterator[str]:
    """No note sounds, no pedal is down and no machine runs at the end, where its port could be reached."""
    end = outcome.ended_ns - outcome.clock.zero_ns
    for index, oracle in enumerate(outcome.engines.oracles):
        faults = [f for f in outcome.campaign.of("gone", "refuse") if f.port == index]
        # only a user who quits early leaves a port that had no time to come back
        unreachable = outcome.quit_early and any(f.at_ns + f.span_ns + SETTLE_NS > end for f in faults)
        left = oracle.left()
        if left and not unreachable:
            yield f"port{index}: {left}"


def ticks_in_order(outcome: Outcome) -> Iterator[str]:
    """Clocks of a port go out in order of time, number and due moment, each number once."""
    times: dict[tuple[int, int], list[Record]] = defaultdict(list)
    rolls = 0
    for record in outcome.pipe_records():
        rolls += record.kind == Kind.TAKE_BEGIN
        if record.kind == Kind.TICK_SENT:
            times[rolls, record.port].append(record)
    for (_, port), ticks in times.items():
        for before, after in pairwise(ticks):
            # under another machine's clock what is due is a prediction, which each clock that comes mends
            due = outcome.campaign.master or before.due_ns < after.due_ns
            number = before.ref < after.ref or before.ref >= IDLE_FROM  # passed on while the master stood
            if not (before.t_ns <= after.t_ns and due and number):
                pair = f"{after.ref} due {after.due_ns} after {before.ref} due {before.due_ns}"
                yield f"port{port}: tick {pair}"
        early = [tick.ref for tick in ticks if tick.t_ns < tick.due_ns]
        if early and not outcome.campaign.master:
            yield f"port{port}: ticks {early[:5]} went out before they were due"
    for index, oracle in enumerate(outcome.engines.oracles):
        if sorted(oracle.clocks) != oracle.clocks:
            yield f"port{index}: clocks arrived out of order"


def record_is_what_was_sent(outcome: Outcome) -> Iterator[str]:
    """Each message that a port took is in the record once with its time, and nothing else is."""
    dropped = sum(log.dropped for log in outcome.engines.logs)
    recorded: dict[int, Counter[tuple[int, bytes]]] = defaultdict(Counter)
    for record in outcome.pipe_records():
        if record.kind in _OUT:
            recorded[record.port][record.t_ns, _bytes(record)] += 1
    for index, oracle in enumerate(outcome.engines.oracles):
        taken = Counter(oracle.accepted)
        untold = taken - recorded[index]
        invented = recorded[index] - taken
        if invented:
            yield f"port{index}: the record has what was never sent: {_some(invented)}"
        lost = sum(untold.values())
        if lost and not dropped and not outcome.engines.deaths:
            yield f"port{index}: {lost} messages are not in the record: {_some(untold)}"


def plan_is_accounted_for(outcome: Outcome) -> Iterator[str]:
    """What was due and not sent was refused, or missed by a port that was away, or the roll ended first."""
    records = outcome.pipe_records()
    if outcome.engines.deaths or any(log.dropped for log in outcome.engines.logs) or outcome.campaign.master:
        return
    ends = [record.json() for record in records if record.kind == Kind.TAKE_END]
    acts = {action.kind for action in outcome.campaign.actions}
    if not ends or ends[0].get("outcome") != "complete" or acts & {"mute", "roll"}:
        return
    timeline = outcome.compiled.course.legs[0].timeline
    planned = Counter(timeline.ports[port] for port in timeline.events.port)
    for role in timeline.clocks:
        planned[timeline.ports[role.port]] += role.last - role.first
    for index, name in enumerate(timeline.ports):
        mine = [record for record in records if record.port == index]
        sent = sum(record.kind in (Kind.SENT, Kind.TICK_SENT) and record.ref != _UNPLANNED for record in mine)
        refused = [record for record in mine if record.kind == Kind.SEND_FAILED]
        # what ends notes out of turn is refused again and again; it cannot be told from what was planned
        surely = sum(record.data == b"\xf8" or not _ends_something(record.data) for record in refused)
        missed = sum(record.json().get("unsent", 0) for record in mine if record.kind == Kind.PRESENCE)
        missed += sum(end.get("unsent", {}).get(name, 0) for end in ends)
        if not sent + surely <= planned[name] <= sent + len(refused) + missed:
            told = f"{sent} are told as sent, {len(refused)} as refused, {missed} as missed"
            yield f"{name}: {planned[name]} were due, {told}"


def _ends_something(data: bytes) -> bool:
    return data[0] == 0xFC or data[0] & 0xF0 in (0x80, 0xB0)


def drops_are_told(outcome: Outcome) -> Iterator[str]:
    """Records that found no room are counted, and the count is in the record when there is room again."""
    dropped = sum(log.dropped for log in outcome.engines.logs)
    told = sum(record.ref for record in outcome.pipe_records() if record.kind == Kind.DROPPED)
    untold = sum(log._untold for log in outcome.engines.logs)
    if dropped != told + untold and not outcome.engines.deaths:
        yield f"{dropped} records were dropped, {told} are told, {untold} still to be told"


def store_reads_back(outcome: Outcome) -> Iterator[str]:
    """The take on disk reads back: each record of the pipe once, in order, or counted as lost."""
    take = read_take(outcome.folder)
    if take.damages and not outcome.campaign.of("disk", "desk-killed-writing"):
        yield f"damaged: {take.damages[:3]}"
    numbers = [event.n for event in take.events if event.n is not None]
    if len(set(numbers)) != len(numbers):
        yield "a line stands twice in events.jsonl"
    if numbers != sorted(numbers):
        yield "events.jsonl is not in order"
    wanted: Counter[str] = Counter()
    begun = False
    for record in outcome.pipe_records():
        begun = begun or record.kind == Kind.TAKE_BEGIN
        if begun and record.kind in _OUT:
            wanted["tick" if record.kind == Kind.TICK_SENT else "message"] += 1
    found = {
        "tick": sum(len(track) for (_, way), track in take.tracks.items() if way == "out"),
        "message": sum(event.kind in ("sent", "cut") for event in take.events),
    }
    lost = outcome.summary["log"]["dropped"]
    for what, count in wanted.items():
        missing = count - found[what]
        if missing < 0 or missing > lost:
            yield f"{count} {what}s went into the pipe, {found[what]} are in the log, {lost} told as lost"
    if sum(wanted.values()) > sum(found.values()):  # no campaign's disk is full for longer than memory lasts
        yield "records are missing that went into the pipe"


def verdict_fits(outcome: Outcome) -> Iterator[str]:
    """A campaign without a fault is clean or was stopped; one whose machines were wronged is not clean."""
    verdict, campaign = outcome.summary["verdict"], outcome.campaign
    stopped = any(action.kind in ("stop", "panic") for action in campaign.actions)
    quiet = not campaign.faults and not campaign.actions and not campaign.master
    if quiet and verdict != "clean":
        codes = [finding["code"] for finding in outcome.summary["findings"]]
        yield f"nothing went wrong, and the verdict is {verdict}: {codes}"
    if verdict == "clean" and not stopped:
        refused = sum(len(oracle.refused_ns) for oracle in outcome.engines.oracles)
        records = outcome.pipe_records()
        late = max((r.t_ns - r.due_ns for r in records if r.kind == Kind.TICK_SENT), default=0)
        dropped = outcome.summary["log"]["dropped"]  # not those of an engine at rest, after the take
        wrong = {
            f"{refused} messages were refused": refused,
            f"a clock was {late / 1e6:.0f} ms late": late > 6_000_000,
            "the engine died": outcome.engines.deaths,
            f"{dropped} records were dropped": dropped,
        }
        said = ", ".join(text for text, is_so in wrong.items() if is_so)
        if said:
            yield f"the verdict is clean, and {said}"


RULES: tuple[Callable[[Outcome], Iterator[str]], ...] = (
    no_note_left,
    ticks_in_order,
    record_is_what_was_sent,
    plan_is_accounted_for,
    drops_are_told,
    store_reads_back,
    verdict_fits,
)


def _some(counter: Counter[tuple[int, bytes]]) -> str:
    rows = [f"{data.hex(' ')} at {t / 1e9:.3f} s" for (t, data), _ in sorted(counter.items())[:4]]
    return ", ".join(rows)
