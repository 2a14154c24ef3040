"""Takes held against each other, as text for a terminal. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from runner.audit.compare import APART, IF_MOVED, TOGETHER, BarKey, Comparison, MovedCue, Timeline
from runner.plan.messages import describe

WIDTH = 80
MOST_CUES = 8
HEADS = {
    TOGETHER: "TOGETHER",
    IF_MOVED: "TOGETHER IF MOVED",
    APART: "APART",
}


def compare_text(comparisons: Sequence[Comparison]) -> str:
    """Return comparisons as text, ended by a line feed: what it comes to first, then the figures."""
    return (
        "\n".join(line for comparison in comparisons for line in [*_one(comparison), ""]).rstrip("\n") + "\n"
    )


def _one(comparison: Comparison) -> list[str]:
    other, first = comparison.other, comparison.first
    lines = _wrap("", f"{HEADS.get(comparison.sits, 'UNKNOWN')}  {other.name}, against {first.name}")
    lines += _wrap("  ", conclusion(comparison))
    lines += [line for note in comparison.notes for line in _wrap("  note: ", note)]
    lines.append("")
    for name, text in figure_rows(comparison):
        lines += _wrap(f"{name:<10}", text)
    return lines


def conclusion(comparison: Comparison) -> str:
    """Return in a sentence whether the two sit together, and what to do if not."""
    limit = f"{comparison.limit_ns / 1e6:g} ms"
    if comparison.worst is None:
        return "There is nothing to compare."
    bar, size = comparison.worst
    if comparison.sits == TOGETHER:
        return f"No bar is more than {_ms(abs(size))} off; up to {limit} cannot be heard."
    if comparison.sits == IF_MOVED:
        return (
            f"Move {comparison.other.name}, {later(comparison.move_ns)}: then no bar is more than "
            f"{_ms(comparison.left_ns)} off (limit {limit}). As they are, {bar_text(bar)} is {later(size)}."
        )
    return (
        f"They do not sit together: {bar_text(bar)} is {later(size)}, and however they are moved, "
        f"a bar stays {_ms(comparison.left_ns)} off (limit {limit})."
    )


def figure_rows(comparison: Comparison) -> list[tuple[str, str]]:
    """Return name and text of each figure."""
    first, other = comparison.first, comparison.other
    from_text = first.reference
    if other.reference != first.reference:
        from_text += f"; {short_name(other, first)} from {other.reference}"
    rows = [("timed", f"from {from_text}")]
    if not comparison.offsets or comparison.worst is None:
        return rows
    rows += [
        ("bars", f"{len(comparison.offsets)} in common, {_span(comparison)}"),
        ("start", later(comparison.start_offset_ns)),
        ("tempo", _tempo(comparison)),
        ("drift", _drift(comparison.drift_ns)),
        ("worst", f"{bar_text(comparison.worst[0])}, {later(comparison.worst[1])}"),
        ("cues", _cues(comparison)),
    ]
    return rows


def _span(comparison: Comparison) -> str:
    return f"{bar_text(comparison.offsets[0][0])} to {bar_text(comparison.offsets[-1][0])}"


def _drift(ns: int) -> str:
    return "none" if abs(ns) < 500 else f"{later(ns)} at the end than at the beginning"


def _tempo(comparison: Comparison) -> str:
    percent = f"{round(comparison.tempo_percent, 4) or 0.0:+.4f} %".replace("+0.0000", "0.0000")
    if comparison.bpm is None:
        return percent
    return f"{comparison.bpm[1]:.4f} against {comparison.bpm[0]:.4f} BPM ({percent})"


def short_name(timeline: Timeline, against: Timeline) -> str:
    """Return "take 2", with its pass if that is not the other's."""
    number = f"take {timeline.number}"
    return number if timeline.pass_name == against.pass_name else f"{timeline.pass_name}, {number}"


def cue_text(cue: MovedCue) -> str:
    """Return a cue's place, machine and message in words."""
    try:
        message = bytes.fromhex(cue.bytes)
        words = describe(message) if message else ""
    except (ValueError, IndexError):  # a damaged line of a log
        words = cue.bytes
    return ", ".join(part for part in (cue.at, cue.machine, words) if part)


def _cues(comparison: Comparison) -> str:
    first, other = comparison.first, comparison.other
    moved = [cue for cue in comparison.cues if cue.moved_ns is not None]
    none = "" if len(comparison.cues) > len(moved) else ", 0 in one take only"
    parts = [f"{comparison.cues_compared} compared, {len(moved)} moved{none}"]
    parts += [f"{cue_text(cue)}: {later(cue.moved_ns or 0)}" for cue in moved[:MOST_CUES]]
    for one, another in ((first, other), (other, first)):
        in_first = one is first
        single = [
            cue_text(cue) for cue in comparison.cues if cue.moved_ns is None and cue.in_first == in_first
        ]
        if single:
            more = [f"and {len(single) - MOST_CUES} more"] if len(single) > MOST_CUES else []
            text = "; ".join([*single[:MOST_CUES], *more])
            parts.append(f"{len(single)} only in {short_name(one, another)}: {text}")
    return "; ".join(parts)


def bar_text(key: BarKey) -> str:
    """Return a bar in words, with its song and its round where that is needed."""
    song, bar, times = key
    text = f"{song}, bar {bar}" if song else f"bar {bar}"
    return f"{text} (round {times})" if times > 1 else text


def later(ns: int) -> str:
    """Return a difference in words."""
    if abs(ns) < 500:
        return "at the same time"
    return f"{_ms(abs(ns))} {'later' if ns > 0 else 'earlier'}"


def _ms(ns: int) -> str:
    return f"{ns / 1e6:.2f} ms" if abs(ns) >= 10_000 else f"{ns / 1e6:.3f} ms"


def _wrap(first: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first) or "  ",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
