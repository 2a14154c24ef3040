"""Which findings are consequences of which: what has one cause is told as one thing, the root first. Pure.

The rules look at one kind of trouble each. A pulled cable shows in half a dozen of them; a wrong tempo makes
the clock watch see steps and jumps. Here each finding that another one explains is marked as part of it, and
takes over its cause; what the root explains completely is left out. A root is as severe as the worst of its
consequences.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import NamedTuple

from runner.audit.facts import NEAR_NS
from runner.audit.findings import SEVERITY_ORDER, Finding

_FAR_OFF_PERCENT = 2.0  #: from here on a wrong tempo misleads the watch about more than the tempo


class _Explains(NamedTuple):
    """`root` explains findings of `codes`; those of `silences` say nothing beside it and are left out."""

    root: str
    codes: frozenset[str]
    silences: frozenset[str] = frozenset()
    when: Callable[[Finding, Finding], bool] = lambda root, other: True


def _same_port(root: Finding, other: Finding) -> bool:
    return not other.port or other.port == root.port


def _same_cause(root: Finding, other: Finding) -> bool:
    return bool(other.causes and root.causes) and other.causes[0].code == root.causes[0].code


def _lost_in_log(root: Finding, other: Finding) -> bool:
    return bool(other.causes) and other.causes[0].code == "log"


def _far_off(root: Finding, other: Finding) -> bool:
    worst = max(abs(root.evidence.get(key, 0.0)) for key in ("percent", "first_percent", "last_percent"))
    return bool(worst >= _FAR_OFF_PERCENT)


def _same_moment(root: Finding, other: Finding) -> bool:
    """Whether this computer was late on several ports at once; the port that was latest stands for all."""
    if root.t_ns is None or other.t_ns is None or abs(root.t_ns - other.t_ns) > NEAR_NS:
        return False
    sizes = [row.evidence.get("worst_us", 0.0) for row in (root, other)]
    return _same_cause(root, other) and bool(sizes[0] >= sizes[1])


def _same_machine(root: Finding, other: Finding) -> bool:
    return root.machine == other.machine


def _and_after(root: Finding, other: Finding) -> bool:
    return other.t_ns is None or root.t_ns is None or other.t_ns >= root.t_ns - 10**9


_CLOCK_ENDS = frozenset({
    "clock-ended-without-stop", "clock-dropout", "clock-missing", "clock-bunched", "clock-refused",
    "active-sensing-lost", "start-without-clock", "stopped-early", "clock-jitter", "clock-jump", "clock-step",
    "follower-misled", "clock-extra", "start-missing",
})  # fmt: skip
_SENT = frozenset({"port-send-failed", "clock-not-sent", "not-sent", "note-left", "port-sends-again"})
_IRREGULAR = frozenset({
    "clock-extra", "clock-missing", "clock-jitter", "clock-jump", "clock-step", "clock-bunched",
    "clock-late-lock", "clock-refused", "follower-misled", "clock-wander", "tempo-off", "clock-tempo",
    "clock-dropout", "clock-late",
})  # fmt: skip

#: In the order in which they are tried: the nearer to the cause, the earlier.
_TABLE: tuple[_Explains, ...] = (
    _Explains("port-lost", _SENT | {"port-returned", "machine-silent", "machine-rejoins",
                                          "machine-left-stopped"}, when=_same_port),
    _Explains("port-lost", _CLOCK_ENDS, when=_same_cause),
    _Explains("port-lost", frozenset({"stopped-early"}), when=_and_after),
    _Explains("port-send-failed", _SENT, when=_same_port),
    _Explains("engine-restarted", frozenset({"take-failed", "note-left", "not-sent", "log-incomplete"})),
    _Explains("take-failed", frozenset({"note-left", "not-sent"}), when=_same_cause),
    _Explains("log-incomplete", frozenset({"clock-not-sent", "not-sent", "note-left"}), when=_lost_in_log),
    _Explains("slow-port", frozenset({"clock-late", "message-late", "program-late", "start-too-close"}),
              when=_same_cause),
    _Explains("clock-merged", _IRREGULAR),
    _Explains("clock-loop", _IRREGULAR),
    _Explains("start-while-playing", frozenset({"stopped-early", "not-sent", "clock-dropout", "clock-jump"})),
    _Explains("active-sensing-lost", _CLOCK_ENDS),
    _Explains("clock-ended-without-stop", _CLOCK_ENDS),
    _Explains("start-missing", frozenset({"stopped-early", "transport-redundant"}),
              frozenset({"clock-without-start"})),
    _Explains("start-without-clock", frozenset({"stopped-early", "clock-late-lock"})),
    _Explains("clock-missing", frozenset({"clock-jitter", "clock-jump", "clock-bunched", "follower-misled"})),
    _Explains("tempo-off", frozenset({"clock-late-lock", "follower-misled"}), frozenset({"clock-tempo"})),
    _Explains("tempo-off", frozenset(), frozenset({"clock-step"})),
    _Explains("tempo-off", frozenset({"clock-late", "message-late", "start-too-close"}),
              frozenset({"clock-jump", "clock-bunched"}), when=_far_off),
    _Explains("clock-bunched", frozenset({"clock-jitter", "clock-jump", "clock-late-lock", "follower-misled",
                                          "clock-wander", "clock-step", "clock-tempo"})),
    _Explains("clock-wander", _IRREGULAR - {"clock-missing", "clock-extra"}),
    _Explains("machine-started-late", frozenset({"take-shifted"}), when=_same_machine),
    _Explains("clock-late", frozenset({"clock-late"}), when=_same_moment),
    _Explains("clock-late", frozenset({"message-late", "program-late", "start-too-close"}), when=_same_cause),
)  # fmt: skip


def diagnose(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings with their roots named: worst first, a root before its parts, then by time."""
    rows = list(findings)
    explained: dict[int, int] = {}  # index of a finding: index of its root
    silent: set[int] = set()
    for entry in _TABLE:
        for root_index, root in enumerate(rows):
            if root.code != entry.root or root_index in silent:
                continue
            for index, other in enumerate(rows):
                if index == root_index or index in explained or _leads_back(explained, root_index, index):
                    continue
                if other.code in entry.silences and entry.when(root, other):
                    silent.add(index)
                elif other.code in entry.codes and entry.when(root, other):
                    explained[index] = root_index
    return _ranked(rows, explained, silent)


def _leads_back(explained: dict[int, int], root: int, index: int) -> bool:
    while root in explained:
        root = explained[root]
        if root == index:
            return True
    return False


def _ranked(rows: list[Finding], explained: dict[int, int], silent: set[int]) -> list[Finding]:
    worst = [SEVERITY_ORDER[row.severity] for row in rows]
    result = []
    for index, root in explained.items():
        while root in explained:
            root = explained[root]
        worst[root] = min(worst[root], worst[index])
    names = {order: name for name, order in SEVERITY_ORDER.items()}
    for index, row in enumerate(rows):
        if index in silent:
            continue
        if index in explained:
            root_row = rows[explained[index]]
            taken = tuple(
                each for each in row.causes if each.code not in {c.code for c in root_row.causes[:1]}
            )
            row = replace(row, part_of=root_row.code, causes=(*root_row.causes[:1], *taken))
        elif worst[index] < SEVERITY_ORDER[row.severity]:
            row = replace(row, severity=names[worst[index]])  # type: ignore[arg-type]
        result.append(row)
    result.sort(
        key=lambda f: (
            SEVERITY_ORDER[f.severity], f.part_of != "", f.t_ns is None, f.t_ns if f.t_ns is not None else 0
        )
    )  # fmt: skip
    return result
