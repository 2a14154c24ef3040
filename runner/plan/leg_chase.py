"""The chase of one leg: what is sent so that the rig is at the entry as if it had played all before it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from runner.plan.chase import (
    ChannelKey,
    Group,
    chase_groups,
    read_states,
    rest_what_is_unsaid,
    take_pedals,
)
from runner.plan.columns import Draft
from runner.plan.cues import is_record, is_record_strobe
from runner.plan.leg_cues import cue_draft
from runner.plan.messages import SONG_SELECT
from runner.plan.place import PROLOGUE_GAP_NS, pace_back
from runner.plan.score import Action, CueEvent, ScorePort
from runner.plan.stretch import Collected, Frame
from runner.plan.timeline import NO_MACHINE, EventOrder
from runner.plan.transport import PortTransport

_Said = tuple[ChannelKey, bytes]

SELECT_AHEAD_NS = 2_500_000  #: between the Stop and the Start of a seam, before the next clock


def add_chase(frame: Frame, out: Collected, transports: Mapping[int, PortTransport]) -> None:
    """Add programs, banks, controllers, parameters, bends and pressures in force at the entry.

    From rest, they go before the first clock, paced, with Song Select and Song Position behind them. At a
    seam only what differs is sent, just before it; where the song goes on at another place, what was never
    said there goes back to rest, and pedals come up. A leg from the top needs none of it.
    """
    if frame.top:
        return
    before = frame.stretch.before
    wanted = read_states(frame.score.state_messages(frame.entry_ns))
    if before is not None and frame.jumps:
        rest_what_is_unsaid(wanted, before.channels)
        _pedals(frame, out, *take_pedals(wanted, before.channels))
    groups = chase_groups(wanted, None if before is None else before.channels)
    drafts = [_draft(frame, port, channel, group) for (port, channel), group in groups]
    if before is not None:
        for draft in drafts:
            out.draft(draft)
        if frame.stretch.new_song:
            _opening(frame, out)
        return
    _name_what_is_not_chased(frame, out)
    _record_again(frame, out)
    for port in frame.score.ports:
        items = [draft for draft in drafts if draft.port == port.index]
        items += _select(frame, port)
        for source, message in transports[port.index].prologue:
            items.append(_port_draft(frame, port, source, message))
        if items:
            out.placed += pace_back(items, _deadline(frame, port, items))


def _pedals(frame: Frame, out: Collected, up: Sequence[_Said], down: Sequence[_Said]) -> None:
    """Lift pedals before the Note Offs of the seam, and press those that are to be down after them."""
    source = out.sources.index("chase")
    for items, order in ((up, EventOrder.CONTROL), (down, EventOrder.NOTE_ON)):
        for (port, channel), message in items:
            machine, offset = _machine_on(frame, port, channel)
            at_ns, at = frame.entry_ns + offset, float(frame.entry)
            out.rows.add(at_ns, at, offset, order, port, machine, source, message)


def _machine_on(frame: Frame, port: int, channel: int) -> tuple[int, int]:
    """Return the machine that listens on a channel (from 0) of a port, and its offset."""
    for machine in frame.score.ports[port].machines:
        if machine.channel == channel + 1:
            return machine.index, machine.offset_ns
    return NO_MACHINE, 0


def _earlier(frame: Frame) -> Iterable[CueEvent]:
    return (cue for cue in frame.score.cues if cue.t_ns < frame.entry_ns)


def _draft(frame: Frame, port: int, channel: int, group: Group) -> Draft:
    machines = [each for each in frame.score.ports[port].machines if each.channel == channel + 1]
    machine = machines[0] if machines else None
    offset = machine.offset_ns if machine else 0
    is_program = group[-1][0] & 0xF0 == 0xC0
    return Draft(
        frame.entry_ns + offset,
        frame.entry,
        offset,
        machine.settle_ns if machine and is_program else 0,
        EventOrder.PROGRAM if is_program else EventOrder.CONTROL,
        port,
        machine.index if machine else NO_MACHINE,
        "chase",
        group,
        channel,
    )


def _select(frame: Frame, port: ScorePort) -> list[Draft]:
    """Return the Song Select that was last sent to a port before the entry."""
    earlier = [
        cue
        for cue in _earlier(frame)
        if cue.port == port.index and cue.action is Action.SELECT and cue.messages[0][0] == SONG_SELECT
    ]
    return [_port_draft(frame, port, earlier[-1].source, earlier[-1].messages[0])] if earlier else []


def _port_draft(frame: Frame, port: ScorePort, source: str, message: bytes) -> Draft:
    locators = [machine.index for machine in port.followers if machine.position]
    machine = locators[0] if len(locators) == 1 else NO_MACHINE
    at_ns = frame.entry_ns + port.offset_ns
    order = EventOrder.TRANSPORT
    return Draft(at_ns, frame.entry, port.offset_ns, 0, order, port.index, machine, source, (message,))


def _deadline(frame: Frame, port: ScorePort, items: Sequence[Draft]) -> int:
    """Return when a chase must be over: before the first clock, and early enough for every program."""
    entry_ns = frame.entry_ns + min((machine.offset_ns for machine in port.machines), default=0)
    settle_ns = max((item.settle_ns for item in items), default=0)
    first_clock = frame.grid.ns_of_tick(0) + port.offset_ns
    return min(min(first_clock, entry_ns) - PROLOGUE_GAP_NS, entry_ns - settle_ns)


def _name_what_is_not_chased(frame: Frame, out: Collected) -> None:
    for cue in _earlier(frame):
        if cue.action is Action.SYSEX and not is_record(cue):
            out.report.note(
                cue.path,
                f"is not sent by a roll from {frame.score.time.at_text(frame.entry)}: "
                "what a system exclusive message leaves in force is not known",
            )


def _record_again(frame: Frame, out: Collected) -> None:
    """Let a recorder that would be recording at the entry record from where the bars begin."""
    told = {cue.machine: cue for cue in _earlier(frame) if is_record(cue)}
    at_ns = frame.ns_of(frame.roll_quarters)
    for cue in told.values():
        if is_record_strobe(cue):
            moved = replace(cue_draft(cue), quarters=frame.roll_quarters, shift_ns=cue.offset_ns)
            out.draft(replace(moved, t_ns=at_ns + cue.offset_ns))


def _opening(frame: Frame, out: Collected) -> None:
    """Send at the entry what a song that is not begun from rest has set for the time before its bar 1."""
    for cue in _earlier(frame):
        if cue.action in (Action.SYSEX, Action.SELECT):
            moved = replace(cue_draft(cue), quarters=frame.entry, shift_ns=cue.offset_ns)
            # Song Select belongs between the Stop and the Start at the seam
            settle_ns = SELECT_AHEAD_NS if cue.action is Action.SELECT else 0
            out.draft(replace(moved, t_ns=frame.entry_ns + cue.offset_ns, settle_ns=settle_ns))
