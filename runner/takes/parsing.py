"""Reads the lines of a take's files. Pure and tolerant: a line without sense is a `Damage`, no error."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from runner.takes.model import NO_DUE, Damage, Event, TickTrack

_LIMIT = 2**62  #: no time or number of a take is that large


class LineError(ValueError):
    """A line that is no line of a take; the text says why."""


def parse_json_line(raw: bytes) -> dict[str, Any]:
    """Return the object of one line; `LineError` says why it is none."""
    try:
        value = json.loads(raw, parse_constant=_refuse_constant)
    except UnicodeDecodeError:
        raise LineError("not text") from None
    except json.JSONDecodeError as error:
        raise LineError(f"not JSON: {error.msg} at column {error.colno}") from None
    except (ValueError, RecursionError) as error:
        raise LineError(f"not JSON: {error}"[:120]) from None
    if not isinstance(value, dict):
        raise LineError("not a JSON object")
    return value


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON number")


def _time(line: Mapping[str, Any], key: str) -> int:
    value = line.get(key)
    if type(value) is not int or not -_LIMIT < value < _LIMIT:
        raise LineError(f"{key!r} is no time in ns")
    return value


def _word(line: Mapping[str, Any], key: str) -> str:
    value = line.get(key, "")
    if type(value) is not str:
        raise LineError(f"{key!r} is no text")
    return sys.intern(value)


def _at(line: Mapping[str, Any]) -> str | None:
    value = line.get("at")
    if value is not None and type(value) is not str:
        raise LineError("'at' is no text")
    return value


def _optional_whole(line: Mapping[str, Any], key: str) -> int | None:
    return _time(line, key) if line.get(key) is not None else None


def parse_event(line: Mapping[str, Any]) -> Event:
    """Return the event of a line of events.jsonl; `LineError` says what is wrong with it."""
    kind = _word(line, "kind")
    if not kind:
        raise LineError("'kind' is missing")
    data = b""
    text = line.get("bytes")
    if text is not None:
        try:
            data = bytes.fromhex(text)
        except (TypeError, ValueError):
            raise LineError("'bytes' is no hex") from None
    detail = line.get("data", {})
    if type(detail) is not dict:
        raise LineError("'data' is no object")
    return Event(
        _time(line, "t"), kind, _at(line), _optional_whole(line, "n"), _word(line, "port"),
        _word(line, "machine"), data, _optional_whole(line, "due"), _word(line, "source"),
        _optional_whole(line, "count") or _optional_whole(line, "held_us") or 0, detail,
    )  # fmt: skip


def add_beat(tracks: dict[tuple[str, str], TickTrack], line: Mapping[str, Any]) -> None:
    """Add a line of clock.jsonl to its track; `LineError` says what is wrong with it."""
    t0 = _time(line, "t")
    first = _time(line, "first")
    at = _at(line)
    n = _time(line, "n")
    port, direction = _word(line, "port"), _word(line, "direction")
    if direction not in ("out", "in"):
        raise LineError("'direction' is neither out nor in")
    times, deviations = line.get("times_ns"), line.get("dev_us")
    if type(times) is not list or type(deviations) is not list or len(times) != len(deviations):
        raise LineError("'times_ns' and 'dev_us' are no lists of one length")
    ticks: list[tuple[int, int, int]] = []
    for slot, (offset, deviation) in enumerate(zip(times, deviations, strict=True)):
        if offset is None:
            continue
        if type(offset) is not int or not -_LIMIT < offset < _LIMIT:
            raise LineError("'times_ns' holds something that is no time")
        t_ns = t0 + offset
        due = NO_DUE
        if deviation is not None:
            if type(deviation) not in (int, float) or not -1e13 < deviation < 1e13:
                raise LineError("'dev_us' holds something that is no deviation")
            due = t_ns - round(deviation * 1000)
        ticks.append((first + slot, t_ns, due))
    track = tracks.get((port, direction))
    if track is None:
        track = tracks[port, direction] = TickTrack(port, direction)
    track.beats.append((len(track), at))
    track.last_n = max(track.last_n, n)
    for number, t_ns, due in ticks:
        track.number.append(number)
        track.t_ns.append(t_ns)
        track.due_ns.append(due)


@dataclass(slots=True)
class LineReader:
    """Reads the lines of one file and keeps the damages. `torn` is set by a last line without an end."""

    file: str
    damages: list[Damage] = field(default_factory=list)
    torn: bool = False

    def read(self, lines: Iterable[bytes], use: Callable[[dict[str, Any], int], None]) -> None:
        """Call `use(object, line number)` for each line; a `LineError` from it is a damage too."""
        for number, raw in enumerate(lines, 1):
            ended = raw.endswith(b"\n")
            body = raw.strip()
            if not body and ended:
                continue
            try:
                use(parse_json_line(body), number)
            except LineError as error:
                if ended:
                    self.damages.append(Damage(self.file, number, len(raw), str(error)))
                else:
                    self.torn = True
                    self.damages.append(Damage(self.file, number, len(raw), "the last line is torn"))
