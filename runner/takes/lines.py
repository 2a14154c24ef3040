"""The lines of a take's log: how an engine record becomes a line of events.jsonl or clock.jsonl.

Pure: records in, plain dicts out. The song position's text comes from a callable, so that this
module knows no song. Times in lines are ns from the take's anchor (bar 1 beat 1 as rolled).

`n` is the record's sequence number with the engine's wrap-arounds and restarts added in units of
2**32, so that it only grows within a take: a writer that starts again knows what is on disk already.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from runner.errors import TakeFormatError
from runner.takes.format import NONE16, Kind, Record

FORMAT = 1  #: the version of a take's files
CLOCKS_PER_QUARTER = 24
_MAX_QUARTERS = 1e9  #: over a year at any tempo; beyond it there is no position
AtText = Callable[[Fraction], str]

EVENT_KINDS: Mapping[int, str] = {
    Kind.SENT: "sent",
    Kind.RECEIVED: "received",
    Kind.STATE: "state",
    Kind.FINDING: "finding",
    Kind.DROPPED: "dropped",
    Kind.SEND_FAILED: "send_failed",
    Kind.SLOW_SEND: "slow_send",
    Kind.PRESENCE: "presence",
    Kind.REFUSED: "refused",
    Kind.TAKE_BEGIN: "begin",
    Kind.TAKE_END: "end",
    Kind.BAD_INPUT: "bad_input",
    Kind.CUT: "cut",
}
_MESSAGE_KINDS = frozenset({Kind.SENT, Kind.RECEIVED, Kind.SEND_FAILED, Kind.CUT})
_JSON_KINDS = frozenset(
    {Kind.STATE, Kind.FINDING, Kind.PRESENCE, Kind.REFUSED, Kind.TAKE_BEGIN, Kind.TAKE_END}
)
TICK_KINDS = frozenset({Kind.TICK_SENT, Kind.TICK_RECEIVED})


@dataclass(frozen=True, slots=True)
class TakeHeader:
    """The first line of events.jsonl: what a reader needs to understand the rest.

    `anchor_ns` is the monotonic time of bar 1 beat 1; `started_at` is UTC, ISO 8601; `run` names the
    daemon's run, so that a recovery leaves alone the takes of a run that is still going on.
    `rights` says what the engine was allowed: "realtime", "memory_locked"; it is empty where nobody knew.
    `ports`, `machines` and `sources` are what the indices in records mean. `declared` is what the
    session says about the song (see `runner.takes.declared`), `limits` its `limits:` in file keys.
    """

    take: str
    session: str
    song: str
    pass_name: str
    number: int
    started_at: str
    run: str
    anchor_ns: int
    ports: tuple[str, ...]
    machines: tuple[str, ...]
    sources: tuple[str, ...] = ()
    declared: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    rights: Mapping[str, Any] = field(default_factory=dict)

    def to_line(self) -> dict[str, Any]:
        """Return the header as the dict of its line."""
        return {
            "t": 0,
            "kind": "take",
            "format": FORMAT,
            "take": self.take,
            "session": self.session,
            "song": self.song,
            "pass": self.pass_name,
            "number": self.number,
            "started_at": self.started_at,
            "run": self.run,
            "anchor_ns": self.anchor_ns,
            "ports": list(self.ports),
            "machines": list(self.machines),
            "sources": list(self.sources),
            "declared": dict(self.declared),
            "limits": dict(self.limits),
            "rights": dict(self.rights),
        }

    @classmethod
    def from_line(cls, line: Mapping[str, Any], file: str = "events.jsonl") -> TakeHeader:
        """Return the header of a line; `TakeFormatError` says what is wrong with it."""
        if line.get("kind") != "take":
            raise TakeFormatError(file, "the first line is no take header", line=1)
        if line.get("format") != FORMAT:
            raise TakeFormatError(
                file,
                f"format {line.get('format')!r} is not known to this version (it reads {FORMAT})",
                line=1,
            )
        return cls(
            take=_text(line, "take", file),
            session=_text(line, "session", file),
            song=_text(line, "song", file),
            pass_name=_text(line, "pass", file),
            number=_whole(line, "number", file),
            started_at=_text(line, "started_at", file),
            run=_text(line, "run", file),
            anchor_ns=_whole(line, "anchor_ns", file),
            ports=_names(line, "ports", file),
            machines=_names(line, "machines", file),
            sources=_names(line, "sources", file),
            declared=_object(line, "declared", file),
            limits=_object(line, "limits", file),
            rights=_object(line, "rights", file),
        )


def _text(line: Mapping[str, Any], key: str, file: str) -> str:
    value = line.get(key)
    if not isinstance(value, str):
        raise TakeFormatError(file, f"the header's {key!r} is no text, got {value!r:.60}", line=1)
    return value


def _whole(line: Mapping[str, Any], key: str, file: str) -> int:
    value = line.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or not -(2**63) <= value < 2**63:
        raise TakeFormatError(file, f"the header's {key!r} is no whole number, got {value!r:.60}", line=1)
    return value


def _names(line: Mapping[str, Any], key: str, file: str) -> tuple[str, ...]:
    value = line.get(key, [])
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise TakeFormatError(file, f"the header's {key!r} is no list of names", line=1)
    return tuple(value)


def _object(line: Mapping[str, Any], key: str, file: str) -> dict[str, Any]:
    value = line.get(key, {})
    if not isinstance(value, dict):
        raise TakeFormatError(file, f"the header's {key!r} is no object", line=1)
    return value


def dump_line(line: Mapping[str, Any]) -> bytes:
    """Return a line as it goes to disk: compact JSON in ASCII, ended by a line feed."""
    return json.dumps(line, separators=(",", ":"), allow_nan=False).encode("ascii") + b"\n"


def hex_text(data: bytes) -> str:
    """Return bytes as spaced upper-case hex, such as ``C1 0B``."""
    return data.hex(" ").upper()


def position_text(quarters: float, at_text: AtText) -> str | None:
    """Return the text of a song position given as a float, or None where there is none.

    A float that is a fraction of a quarter note on a grid of 1/5760 (all usual divisions) is taken
    back to that fraction, so that a third of a quarter is one again.
    """
    if not abs(quarters) < _MAX_QUARTERS:  # so that NaN, for no position, fails too
        return None
    grid = round(quarters * 5760)
    on_grid = abs(grid / 5760 - quarters) < 1e-9
    return at_text(Fraction(grid, 5760) if on_grid else Fraction(quarters))


def microseconds(span_ns: int) -> float:
    """Return ns as µs with three decimals, which keeps the ns exactly (below 100 days)."""
    return round(span_ns / 1000, 3)


def event_line(record: Record, n: int, header: TakeHeader, at_text: AtText) -> dict[str, Any] | None:
    """Return the line of events.jsonl for a record, or None for ticks and signs of life."""
    kind = EVENT_KINDS.get(record.kind)
    if kind is None:
        return None
    line: dict[str, Any] = {
        "t": record.t_ns - header.anchor_ns,
        "at": position_text(record.quarters, at_text),
        "kind": kind,
        "n": n,
    }
    if record.port != NONE16:
        line["port"] = _name(header.ports, record.port)
    if record.machine != NONE16:
        line["machine"] = _name(header.machines, record.machine)
    if record.kind in _MESSAGE_KINDS:
        line["bytes"] = hex_text(record.data)
        if record.kind == Kind.SENT and record.ref < len(header.sources):
            line["source"] = header.sources[record.ref]
        elif record.kind == Kind.RECEIVED:
            line["clocks_before"] = record.ref
    elif record.kind in _JSON_KINDS:
        line["data"] = _json_data(record)
    elif record.kind == Kind.SLOW_SEND:
        line["held_us"] = record.ref
    else:
        line["count"] = record.ref
    if record.due_ns:
        line["due"] = record.due_ns - header.anchor_ns
        line["late_us"] = microseconds(record.t_ns - record.due_ns)
    return line


def _name(names: tuple[str, ...], index: int) -> str:
    return names[index] if index < len(names) else f"#{index}"


def _json_data(record: Record) -> dict[str, Any]:
    """Return the record's JSON; text that is none is kept as it came, under "raw"."""
    try:
        value = record.json()
        json.dumps(value, allow_nan=False)
    except (ValueError, RecursionError):
        return {"raw": record.data.decode("latin-1")}
    return value


class BeatLines:
    """Collects ticks into the lines of clock.jsonl: one a beat (24 ticks), port and direction.

    A line begins at a whole quarter note where the position is known. It ends when its beat is
    full, or early when ticks do not follow one another by number (a locate, a restart).
    """

    def __init__(self, header: TakeHeader, at_text: AtText) -> None:
        self._header = header
        self._at_text = at_text
        self._open: dict[tuple[int, int], _Beat] = {}

    def feed(self, record: Record, n: int) -> list[dict[str, Any]]:
        """Take one tick and return the lines that it completes (none, one or two)."""
        key = (record.port, record.kind)
        done: list[dict[str, Any]] = []
        beat = self._open.get(key)
        if beat is not None and not beat.takes(record):
            done.append(self._line(self._open.pop(key)))
            beat = None
        if beat is None:
            beat = self._open[key] = _Beat.begin(record)
        beat.add(record, n)
        if beat.full:
            done.append(self._line(self._open.pop(key)))
        return done

    def flush(self) -> list[dict[str, Any]]:
        """Return the lines of the unfinished beats and forget them."""
        lines = [self._line(beat) for beat in self._open.values()]
        self._open.clear()
        return lines

    def pending(self) -> list[tuple[int, Record]]:
        """Return the ticks of unfinished beats with their `n`, oldest first."""
        return sorted(
            (entry for beat in self._open.values() for entry in beat.entries), key=lambda entry: entry[0]
        )

    def _line(self, beat: _Beat) -> dict[str, Any]:
        first = beat.entries[0][1]
        t0 = first.due_ns or first.t_ns
        length = beat.entries[-1][1].ref - beat.first + 1
        times: list[int | None] = [None] * length
        deviations: list[float | None] = [None] * length
        for _, record in beat.entries:
            slot = record.ref - beat.first
            times[slot] = record.t_ns - t0
            if record.due_ns:
                deviations[slot] = microseconds(record.t_ns - record.due_ns)
        return {
            "n": beat.entries[-1][0],
            "t": t0 - self._header.anchor_ns,
            "at": position_text(first.quarters, self._at_text),
            "port": _name(self._header.ports, first.port),
            "direction": "out" if first.kind == Kind.TICK_SENT else "in",
            "first": beat.first,
            "times_ns": times,
            "dev_us": deviations,
        }


@dataclass(slots=True)
class _Beat:
    first: int  #: number of the first tick
    room: int  #: how many tick numbers the line may hold
    entries: list[tuple[int, Record]] = field(default_factory=list)

    @classmethod
    def begin(cls, record: Record) -> _Beat:
        room = CLOCKS_PER_QUARTER
        if abs(record.quarters) < _MAX_QUARTERS:
            room -= round(record.quarters * CLOCKS_PER_QUARTER) % CLOCKS_PER_QUARTER
        return cls(record.ref, room)

    def takes(self, record: Record) -> bool:
        return self.entries[-1][1].ref < record.ref < self.first + self.room

    def add(self, record: Record, n: int) -> None:
        self.entries.append((n, record))

    @property
    def full(self) -> bool:
        return self.entries[-1][1].ref == self.first + self.room - 1
