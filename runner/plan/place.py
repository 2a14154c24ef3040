"""Gives everything that may move its place on the wire.

Programs, and what else is sent ahead, go where they finish in time and no clock waits for them. Long
system exclusive messages are cut between the clocks where the port takes single bytes, or else go where
they delay least. Later moments are placed first, so that what must come before them finds out how far
ahead it has to go, and the order of one channel's messages is kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runner.plan.columns import Draft
from runner.plan.score import ScorePort
from runner.plan.wire import DIN, PortWire

EARLY_WINDOW_NS = 150_000_000  #: how much earlier than needed a program may be sent to find a gap
SYSEX_WINDOW_NS = 500_000_000  #: the same for system exclusive, beyond twice its own length
PACE_NS = 100_000  #: breathing space between two messages of a chase
PROLOGUE_GAP_NS = 1_000_000  #: between the end of a chase and the first clock


@dataclass(frozen=True, slots=True)
class Placed:
    """A message, or a piece of one, with the time at which it is sent."""

    draft: Draft
    t_ns: int
    data: bytes


def place(port: ScorePort, wire: PortWire, drafts: Iterable[Draft]) -> list[Placed]:
    """Return times for all `drafts` of one port, in the order of their moments."""
    ordered = sorted(drafts, key=lambda draft: draft.t_ns - draft.settle_ns)
    results: list[list[Placed]] = []
    ceilings: dict[int, int] = {}
    for draft in reversed(ordered):
        ceiling = ceilings.get(draft.channel)
        pieces = _sysex(port, wire, draft, ceiling) if draft.is_sysex else _early(wire, draft, ceiling)
        ceilings[draft.channel] = pieces[0].t_ns
        results.append(pieces)
    return [placed for pieces in reversed(results) for placed in pieces]


def _early(wire: PortWire, draft: Draft, ceiling: int | None) -> list[Placed]:
    """Place a group so that it is through, and the machine has settled, by its moment."""
    size = draft.size
    need_ns = wire.link.duration_ns(size)
    deadline = draft.t_ns - draft.settle_ns
    if ceiling is not None:
        deadline = min(deadline, ceiling)
    t_ns = wire.latest_gap(size, deadline, deadline - need_ns - EARLY_WINDOW_NS)
    if t_ns is None:
        t_ns = wire.least_wait(size, deadline, deadline - need_ns - EARLY_WINDOW_NS)
    wire.add(t_ns, size)
    return [Placed(draft, t_ns, message) for message in draft.messages]


def _sysex(port: ScorePort, wire: PortWire, draft: Draft, ceiling: int | None) -> list[Placed]:
    """Place a system exclusive message: at its moment if that delays no clock, else ahead of it."""
    (message,) = draft.messages
    size = len(message)
    moment = draft.t_ns - draft.settle_ns
    if (ceiling is None or ceiling >= moment) and wire.fits_at(size, moment):
        return [_whole(wire, draft, moment, message)]
    deadline = moment if ceiling is None else min(moment, ceiling)
    earliest = deadline - 2 * wire.link.duration_ns(size) - SYSEX_WINDOW_NS
    gap = wire.latest_gap(size, deadline, earliest)
    if gap is not None:
        return [_whole(wire, draft, gap, message)]
    if port.raw:
        pieces = wire.cut(size, deadline, earliest)
        if pieces is not None:
            placed: list[Placed] = []
            at = 0
            for t_ns, count in pieces:
                wire.add(t_ns, count)
                placed.append(Placed(draft, t_ns, message[at : at + count]))
                at += count
            return placed
    return [_whole(wire, draft, wire.least_wait(size, deadline, earliest), message)]


def _whole(wire: PortWire, draft: Draft, t_ns: int, message: bytes) -> Placed:
    wire.add(t_ns, len(message))
    return Placed(draft, t_ns, message)


def pace_back(groups: Sequence[Draft], end_ns: int) -> list[Placed]:
    """Return times for a chase: one group after another, all through by `end_ns`.

    They are paced as for a DIN cable even on USB, as there is often one behind a USB interface.
    """
    lengths = [DIN.duration_ns(group.size) + PACE_NS for group in groups]
    t_ns = end_ns - sum(lengths)
    placed: list[Placed] = []
    for group, length in zip(groups, lengths, strict=True):
        at_ns = t_ns
        for message in group.messages:
            placed.append(Placed(group, at_ns, message))
            at_ns += DIN.duration_ns(len(message))
        t_ns += length
    return placed
