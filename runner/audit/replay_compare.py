"""A replay held against its take: what was decided, and which clocks predicted, otherwise. Pure.

A take holds locks, findings and how the clock was settled. What else its follower did (the song began,
clocks were overdue, the clock was given up) a replay with the take's own settings tells.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from runner.sync.findings import KINDS
from runner.takes.model import NO_DUE, Take

_WATCH_CODES = frozenset(code.value for code in KINDS)
_IN_THE_TAKE = ("lock", "finding", "settled")


class Decision(NamedTuple):
    """Something that follower or watch decided; `t_ns` from the take's anchor, `at` its song position.

    `kind` is "lock", "finding", "settled", or one of the follower's own event kinds; `code` a finding's.
    """

    kind: str
    t_ns: int
    at: str | None
    text: str
    code: str = ""

    @property
    def key(self) -> tuple[str, str, int, str]:
        """What must be equal for a decision to be that of the take.

        A finding's text may tell how long something had been waited for when the loop happened to wake,
        so a finding is its code and its place in time.
        """
        return self.kind, self.code, self.t_ns, "" if self.kind == "finding" else self.text

    @property
    def whole(self) -> tuple[str, str, int, str]:
        """What must be equal for two decisions of replays to be the same: both go by the same times."""
        return self.kind, self.code, self.t_ns, self.text


@dataclass(frozen=True, slots=True)
class Difference:
    """`side` "take": the take's follower decided so and today's did not; "now": the other way round."""

    side: str
    decision: Decision


@dataclass(frozen=True, slots=True)
class TickFigures:
    """The clocks of take and replay beside each other, by when each was predicted to come.

    Of those `differing`, `only_then` were predicted in the take and are not now (refused ones never are),
    `only_now` the other way round; the rest were predicted for other times, by up to `largest_ns`.
    """

    compared: int
    differing: int
    largest_ns: int
    first_at: str | None
    counted: int
    refused: int
    only_then: int = 0
    only_now: int = 0

    @property
    def moved(self) -> int:
        """How many were predicted then and now, for other times."""
        return self.differing - self.only_then - self.only_now


def compare_ticks(
    then: Sequence[int], now: Sequence[int], place: Callable[[int], str | None], refused: int
) -> TickFigures:
    """Return when clocks were predicted in the take beside when they are now; `NO_DUE`: not at all.

    `place` gives the song position of the clock of an index.
    """
    pairs = list(zip(then, now, strict=True))
    off = [(index, was, due) for index, (was, due) in enumerate(pairs) if was != due]
    return TickFigures(
        compared=len(pairs),
        differing=len(off),
        largest_ns=max((abs(was - due) for _, was, due in off if NO_DUE not in (was, due)), default=0),
        first_at=place(off[0][0]) if off else None,
        counted=len(pairs) - refused,
        refused=refused,
        only_then=sum(due == NO_DUE for _, _, due in off),
        only_now=sum(was == NO_DUE for _, was, _ in off),
    )


def recorded_decisions(take: Take) -> list[Decision]:
    """Return what the take's own follower and watch decided, as far as the take holds it."""
    decisions = []
    for event in take.of_kind("state", "finding"):
        detail = event.detail
        if event.kind == "finding" and detail.get("code") in _WATCH_CODES:
            decisions.append(
                Decision("finding", event.t_ns, event.at, str(detail.get("text", "")), str(detail["code"]))
            )
        elif detail.get("state") == "clock" and "lock" in detail:
            decisions.append(Decision("lock", event.t_ns, event.at, str(detail.get("why", ""))))
        elif detail.get("state") == "settled":
            decisions.append(Decision("settled", event.t_ns, event.at, str(detail.get("text", ""))))
    return decisions


def differences_from_take(recorded: Sequence[Decision], own: Sequence[Decision]) -> list[Difference]:
    """Return in what a replay with the take's own settings is not as the take."""
    return _differences(recorded, [d for d in own if d.kind in _IN_THE_TAKE], lambda d: d.key)


def differences_of_settings(
    recorded: Sequence[Decision], own: Sequence[Decision], tried: Sequence[Decision]
) -> list[Difference]:
    """Return what comes and goes with other settings.

    `own` is the replay with the take's own settings. Where it decides as the take did, it stands for the
    take: it tells all, and goes by the same times as the other replay, so that texts can be compared too.
    """
    strangers = differences_from_take(recorded, own)
    gone = Counter(difference.decision for difference in strangers if difference.side == "now")
    then = [*_without(own, gone), *(d.decision for d in strangers if d.side == "take")]
    return _differences(then, tried, lambda d: d.whole)


def _without(decisions: Sequence[Decision], gone: Counter[Decision]) -> Iterator[Decision]:
    left = gone.copy()
    for decision in decisions:
        if left[decision] > 0:
            left[decision] -= 1
        else:
            yield decision


def _differences(
    then: Sequence[Decision], now: Sequence[Decision], key: Callable[[Decision], Hashable]
) -> list[Difference]:
    """Return what only one of the two has, in the order of time."""
    was, are = Counter(map(key, then)), Counter(map(key, now))
    out = [
        *(Difference("take", decision) for decision in _only(then, was - are, key)),
        *(Difference("now", decision) for decision in _only(now, are - was, key)),
    ]
    return sorted(out, key=lambda difference: (difference.decision.t_ns, difference.side == "now"))


def _only(
    decisions: Sequence[Decision], keys: Counter[Hashable], key: Callable[[Decision], Hashable]
) -> Iterator[Decision]:
    for decision in decisions:
        if keys[key(decision)] > 0:
            keys[key(decision)] -= 1
            yield decision
