"""The rows of the parts and of the click in one leg: cut at its ends, programs taken out to be sent early."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from fractions import Fraction

from runner.plan.columns import Draft
from runner.plan.messages import OFF_VELOCITY
from runner.plan.score import Voice
from runner.plan.stretch import Collected, Frame
from runner.plan.timeline import EventOrder


def add_parts(frame: Frame, out: Collected) -> None:
    """Add all parts from entry to exit, and the click where it is wanted."""
    for voice in frame.score.voices:
        _add_voice(frame, out, voice, frame.exit_)
    click = frame.score.click
    if click is None:
        return
    if frame.cold and not frame.top:
        _count_in(frame, out, click)
    if not click.only_pre_roll:
        _add_voice(frame, out, click, frame.exit_)
    elif frame.top:
        _add_voice(frame, out, click, min(Fraction(0), frame.exit_))


def _count_in(frame: Frame, out: Collected, click: Voice) -> None:
    """Add the clicks before an entry in mid-song, at the tempo of the entry."""
    source = out.sources.index(click.source)
    for row in range(click.row_at(frame.roll_quarters), click.row_at(frame.entry)):
        quarters = Fraction(click.ticks[row], click.ppq)
        out.rows.add(
            frame.ns_of(quarters) + click.offset_ns,
            float(quarters),
            click.offset_ns,
            EventOrder(click.order[row]),
            click.port,
            click.machine,
            source,
            click.messages[row],
        )
    # a stroke that ends at the entry itself
    for row in frame.score.sounding_at(click, frame.entry, closed=True):
        if Fraction(click.ticks[row], click.ppq) >= frame.roll_quarters:
            _note_at(frame, out, click, _off(click, row), frame.entry, EventOrder.NOTE_OFF, source)


def _add_voice(frame: Frame, out: Collected, voice: Voice, exit_: Fraction) -> None:
    """Add what a part plays up to `exit_`; end there what still sounds, restart what sounds at the entry."""
    source = out.sources.index(voice.source)
    whole = frame.whole_end and exit_ == frame.exit_
    first, last = voice.row_at(frame.entry), voice.row_to(exit_) if whole else voice.row_at(exit_)
    if last < first:
        return
    begin = out.rows.add_voice(voice, first, last, source)
    partner = voice.partner
    stretch = partner[first:last]
    restart = set(frame.score.sounding_at(voice, frame.entry)) if frame.stretch.restart_notes else set()
    for row in [row for row, on in enumerate(stretch, first) if -1 < on < first and on not in restart]:
        out.rows.drop(begin + row - first)
    for row in sorted(restart):
        _note_at(frame, out, voice, voice.messages[row], frame.entry, EventOrder.NOTE_ON, source)
    hanging = [row for row, off in enumerate(stretch, first) if off >= last]
    hanging += sorted(row for row in restart if partner[row] >= last)
    for row in hanging:
        _note_at(frame, out, voice, _off(voice, row), exit_, EventOrder.NOTE_OFF, source)
    _add_programs(out, voice, first, last, begin)


def _off(voice: Voice, row: int) -> bytes:
    on = voice.messages[row]
    return bytes((on[0] & 0x8F, on[1], OFF_VELOCITY))


def _note_at(
    frame: Frame, out: Collected, voice: Voice, message: bytes, at: Fraction, order: EventOrder, source: int
) -> None:
    t_ns = frame.ns_of(at) + voice.offset_ns
    out.rows.add(t_ns, float(at), voice.offset_ns, order, voice.port, voice.machine, source, message)


def _add_programs(out: Collected, voice: Voice, first: int, last: int, begin: int) -> None:
    """Take the programs of a part out of its rows; each goes early, with its bank in one group."""
    low, high = bisect_left(voice.state_rows, first), bisect_left(voice.state_rows, last)
    pending: dict[int, list[int]] = {}
    for row in voice.state_rows[low:high]:
        if voice.order[row] != EventOrder.PROGRAM:
            continue
        out.rows.drop(begin + row - first)
        status = voice.messages[row][0]
        rows = pending.setdefault(status & 0x0F, [])
        rows.append(row)
        if status & 0xF0 == 0xC0:
            out.draft(_program_draft(voice, rows, voice.settle_ns))
            del pending[status & 0x0F]
    for rows in pending.values():
        out.draft(_program_draft(voice, rows, 0))


def _program_draft(voice: Voice, rows: Sequence[int], settle_ns: int) -> Draft:
    row = rows[-1]
    return Draft(
        voice.ns[row] + voice.offset_ns,
        Fraction(voice.ticks[row], voice.ppq),
        voice.offset_ns,
        settle_ns,
        EventOrder.PROGRAM,
        voice.port,
        voice.machine,
        voice.source,
        tuple(voice.messages[each] for each in rows),
        voice.messages[row][0] & 0x0F,
    )
