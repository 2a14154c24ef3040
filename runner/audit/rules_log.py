"""Rules about how a take ended, and whether its log is whole. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from runner.audit.causes import DIRECT, cause, ranked, usual
from runner.audit.facts import Facts
from runner.audit.findings import Cause, Finding
from runner.audit.rule_base import finding, plural
from runner.takes.format import KEEPER_GONE
from runner.takes.model import Event

_AFTER_A_KILL = (
    "see in the system's journal what ended it: `journalctl -k` names what was killed for want of memory "
    "(then run less beside it), `journalctl -u takewright` tells of the service; if nothing did, report it"
)


def how_it_ended(facts: Facts) -> Iterator[Finding]:
    """Whether the take came to its end."""
    end = facts.take.end
    if end is None:
        last = facts.take.events[-1].t_ns if facts.take.events else None
        ticks = [track.t_ns[-1] for track in facts.take.tracks.values() if len(track)]
        t_ns = max([t for t in (last, *ticks) if t is not None], default=None)
        why = "the log ends in the middle of a line" if facts.take.torn else "the log ends without its end"
        causes = (cause("power-cut", why, 0.6 if facts.take.torn else 0.4),)
        yield finding(
            "take-interrupted", facts, t_ns, "the log does not say how the take ended", causes=causes
        )
        return
    why = str(end.detail.get("why", "")) or "no reason given"
    if why == KEEPER_GONE:
        yield _keeper_died(facts, end)
        return
    if facts.outcome == "failed":
        yield finding(
            "take-failed", facts, end.t_ns, f"the take broke off: {why}", at=end.at or facts.at(end.t_ns),
            causes=(_why_failed(facts, why),),
        )  # fmt: skip
    elif facts.outcome == "stopped":
        yield finding(
            "stopped-early", facts, end.t_ns, f"stopped before the end: {why}", at=end.at,
            causes=(_why_stopped(facts, why),),
        )  # fmt: skip


def _keeper_died(facts: Facts, end: Event) -> Finding:
    """Return the end of a take that nobody stopped: its processes lost their parent."""
    died = cause("keeper-died", why="engine and desk found it gone", weight=DIRECT)
    failed = facts.outcome == "failed"  # the engine's own end had not come any more
    begin = "the take broke off" if failed else "stopped before the end"
    return finding(
        "take-failed" if failed else "stopped-early", facts, end.t_ns, f"{begin}: {died.text}",
        severity="error" if failed else "warning", at=end.at or facts.at(end.t_ns), causes=(died,),
        advice=_AFTER_A_KILL,
    )  # fmt: skip


def _why_failed(facts: Facts, why: str) -> Cause:
    end = facts.take.end
    if "engine-restarted" in facts.told or (end is not None and end.detail.get("died")):
        return cause("engine-died", why, 0.95)
    return cause("reported", "the log's last state", 0.9, why)


def _why_stopped(facts: Facts, why: str) -> Cause:
    """Return whose doing the stop was: the master's own, a clock that was lost, or somebody's."""
    stop = next((event for event in reversed(facts.master_moves) if event.data[:1] == b"\xfc"), None)
    end = facts.take.end
    if "clock-ended-without-stop" in facts.told:
        return cause("master-gone", why, 0.5)
    if stop is not None and end is not None and abs(stop.t_ns - end.t_ns) < 10_000_000:
        return cause("master-stopped", "its Stop came then", 0.9)
    return cause("stopped", why, 0.7)


def log_is_whole(facts: Facts) -> Iterator[Finding]:
    """Whether anything is missing in the log."""
    dropped = dropped_records(facts)
    logs = facts.of_kind("log")
    stops = [event for event in logs if event.detail.get("state") in ("stopped", "sync_failed")]
    if dropped or stops:
        causes = [
            cause(
                "disk",
                "the writer's own note",
                0.95,
                f"the disk took no data: {event.detail.get('reason', '')}",
            )
            for event in stops[:1]
        ]
        if facts.of_kind("dropped"):
            causes.append(cause("pipe-full", "the engine's pipe was full", 0.9))
        where = next(iter(stops or facts.of_kind("dropped") or logs), None)
        text = (
            f"{plural(dropped, 'record is', 'records are')} missing in the log"
            if dropped
            else "the log stopped for a while"
        )
        yield finding(
            "log-incomplete", facts, where.t_ns if where else None, text, count=max(1, dropped),
            causes=ranked(list(causes)) or (usual("gap", "a gap in the numbering"),),
        )  # fmt: skip
    damages = [damage for damage in facts.take.damages if not (facts.take.torn and "torn" in damage.text)]
    if damages:
        size = sum(damage.size for damage in damages)
        text = f"{plural(len(damages), 'place')} cannot be read ({plural(size, 'byte')}), "
        text += f"the first: {damages[0]}"
        yield finding(
            "file-damaged", facts, None, text, count=len(damages),
            evidence={"damages": [damage.to_dict() for damage in damages[:20]], "bytes": size},
            causes=(cause("file", "lines that are no lines of a take", 0.9),),
        )  # fmt: skip


def dropped_records(facts: Facts) -> int:
    """Return how many records are known to be missing in the log."""
    told = sum(event.amount for event in facts.of_kind("dropped"))
    gaps = stopped = 0
    for event in facts.of_kind("log"):
        lost = event.detail.get("lost", 0)
        if isinstance(lost, int):
            gaps += lost if event.detail.get("state") == "gap" else 0
            stopped += lost if event.detail.get("state") == "resumed" else 0
    return max(told, gaps) + stopped + facts.lost
