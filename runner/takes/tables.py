"""Takes as tables for other programs: rows and columns with plain values. Reads takes, writes nothing.

`COLUMNS` is the one place that names the columns of each table, with unit and type; the exports and the page
of the archive are made from it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from runner.takes.index import TakeEntry
from runner.takes.model import NO_DUE, Take


class Column(NamedTuple):
    """A column: its name, its type ("text", "whole" of 64 bits, "number", "flag"), and what it holds."""

    name: str
    type: str
    meaning: str


_TAKE = Column("take", "text", "the take's folder below the takes folder; the same in all tables")
COLUMNS: Mapping[str, tuple[Column, ...]] = {
    "takes": (
        _TAKE,
        Column("session", "text", "the session's name"),
        Column("song", "text", "the song's name"),
        Column("pass", "text", "the pass's name"),
        Column("number", "whole", "the take's number"),
        Column("started_at", "text", "UTC, ISO 8601"),
        Column("verdict", "text", "clean, flawed, interrupted, failed, open, damaged"),
        Column("seconds", "number", "how long it rolled"),
        Column("rating", "text", "keep, discard, or empty"),
        Column("marks", "whole", "how many places in it were marked"),
        Column("role", "text", "master or follower"),
        Column("declared_bpm", "number", "quarter notes a minute"),
        Column("measured_bpm", "number", "quarter notes a minute"),
        Column("clocks_sent", "whole", "of all ports"),
        Column("clocks_received", "whole", "of all ports"),
        Column("clocks_missing", "whole", "of the clock that the take went by"),
        Column("clocks_extra", "whole", "likewise"),
        Column("late_p50_us", "number", "half of the clocks went out within"),
        Column("late_p99_us", "number", "99 % of them"),
        Column("late_max_us", "number", "the worst of them"),
    ),
    "findings": (
        _TAKE,
        Column("code", "text", "what it is"),
        Column("severity", "text", "error, warning, note"),
        Column("at", "text", "song position"),
        Column("t_ns", "whole", "ns from bar 1 beat 1 as rolled"),
        Column("machine", "text", "the session's name of it"),
        Column("port", "text", "the session's name of it"),
        Column("count", "whole", "how many of the kind"),
        Column("text", "text", "in words"),
        Column("cause", "text", "the likeliest cause"),
    ),
    "events": (
        _TAKE,
        Column("n", "whole", "the engine's number of the record"),
        Column("t_ns", "whole", "ns from bar 1 beat 1 as rolled"),
        Column("at", "text", "song position"),
        Column("kind", "text", "as in events.jsonl"),
        Column("port", "text", "the session's name of it"),
        Column("machine", "text", "the session's name of it"),
        Column("bytes", "text", "the message, upper-case hex with spaces"),
        Column("due_ns", "whole", "when it was due, from bar 1 beat 1"),
        Column("late_us", "number", "how late it was"),
        Column("source", "text", "what in the session it came from"),
        Column("amount", "whole", "the line's count, held_us or clocks_before"),
        Column("data", "text", "further facts, as JSON"),
    ),
    "clocks": (
        _TAKE,
        Column("port", "text", "the session's name of it"),
        Column("direction", "text", "out or in"),
        Column("number", "whole", "the tick's number in the roll (out) or since its port was opened (in)"),
        Column("t_ns", "whole", "ns from bar 1 beat 1 as rolled"),
        Column("due_ns", "whole", "when it was due; empty if nothing said when"),
        Column("late_us", "number", "how late it was"),
    ),
}
Row = tuple[Any, ...]


def take_row(entry: TakeEntry, key: str, summary: Mapping[str, Any]) -> Row:
    """Return a take's row of the table "takes"; `summary` is its take.json, empty if there is none."""
    clock = _dict(summary.get("clock"))
    tempo, late = _dict(clock.get("tempo")), _dict(clock.get("lateness_us"))
    return (
        key, entry.session, entry.song, entry.pass_name, entry.number, entry.started_at, entry.verdict,
        entry.seconds, entry.rating, entry.marks, _text(clock.get("role")), _number(tempo.get("declared")),
        _number(tempo.get("measured")),
        *(_whole(clock.get(k)) for k in ("sent", "received", "missing", "extra")),
        *(_number(late.get(k)) for k in ("p50", "p99", "max")),
    )  # fmt: skip


def finding_rows(key: str, summary: Mapping[str, Any]) -> Iterator[Row]:
    """Yield a take's rows of the table "findings"."""
    findings = summary.get("findings")
    for finding in findings if isinstance(findings, list) else ():
        if not isinstance(finding, Mapping):
            continue
        causes = finding.get("causes")
        first = _dict(causes[0]) if isinstance(causes, list) and causes else {}
        yield (
            key, *(_text(finding.get(k)) for k in ("code", "severity", "at")), _whole(finding.get("t_ns")),
            *(_text(finding.get(k)) for k in ("machine", "port")), _whole(finding.get("count")),
            _text(finding.get("text")), _text(first.get("text")),
        )  # fmt: skip


def event_rows(key: str, take: Take) -> Iterator[Row]:
    """Yield a take's rows of the table "events", in the order of the log."""
    for event in take.events:
        yield (
            key, event.n, event.t_ns, event.at, event.kind, event.port, event.machine,
            event.data.hex(" ").upper(), event.due_ns,
            None if event.due_ns is None else (event.t_ns - event.due_ns) / 1000, event.source, event.amount,
            json.dumps(dict(event.detail), ensure_ascii=False) if event.detail else "",
        )  # fmt: skip


def clock_rows(key: str, take: Take) -> Iterator[Row]:
    """Yield a take's rows of the table "clocks", port by port."""
    for (port, direction), track in sorted(take.tracks.items()):
        for number, t, due in zip(track.number, track.t_ns, track.due_ns, strict=True):
            if due == NO_DUE:
                yield key, port, direction, number, t, None, None
            else:
                yield key, port, direction, number, t, due, (t - due) / 1000


def names(table: str) -> Sequence[str]:
    """Return the names of a table's columns."""
    return [column.name for column in COLUMNS[table]]


def _dict(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _whole(value: object) -> int | None:
    return value if type(value) is int and -(2**63) <= value < 2**63 else None


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
