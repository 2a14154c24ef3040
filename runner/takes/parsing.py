"""Reads the lines of a take's files. Pure and tolerant: a line without sense is a `Damage`, no error."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from json.scanner import make_scanner
from typing import Any, cast

from runner.takes.model import NO_DUE, Damage, Event, TickTrack

_LIMIT = 2**62  #: no time or number of a take is that large


class LineError(ValueError):
    """A line that is no line of a take; the text says why."""


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON number")


#: One decoder for all lines, and its inner part: making one for each line, as json.loads does, is slow.
_scan: Callable[[str, int], tuple[Any, int]] = make_scanner(
    cast(Any, json.JSONDecoder(parse_constant=_refuse_constant))
)


def parse_json_line(raw: bytes) -> dict[str, Any]:
    """Return the object of one line; `LineError` says why it is none."""
    try:
        text = raw.decode().strip()
        value, end = _scan(text, 0)
    except StopIteration as error:
        raise LineError(f"not JSON: a value is missing at column {error.value + 1}") from None
    except UnicodeDecodeError:
        raise LineError("not text") from None
    except json.JSONDecodeError as error:
        raise LineError(f"not JSON: {error.msg} at column {error.colno}") from None
    except (ValueError, RecursionError) as error:
        raise LineError(f"not JSON: {error}"[:120]) from None
    if end != len(text):
        raise LineError(f"not JSON: something follows at column {end + 1}")
    if type(value) is not dict:
        raise LineError("not a JSON object")
    return value


def _time(line: Mapping[str, Any], key: str) -> int:
    value = line.get(key)
    if type(value) is not int or not -_LIMIT < value < _LIMIT:
        raise LineError(f"{key!r} is no time in ns")
    return value


def _word(line: Mapping[str, Any], key: str) -> str:
    value = line.get(key)
    if value is None:
        return ""
    if type(value) is not str:
        raise LineError(f"{key!r} is no text")
    return sys.intern(value)  # names recur on every line: one copy of each is enough


def _at(line: Mapping[str, Any]) -> str | None:
    value = line.get("at")
    if value is not None and type(value) is not str:
        raise LineError("'at' is no text")
    return value


def parse_event(line: Mapping[str, Any]) -> Event:
    """Return the event of a line of events.jsonl; `LineError` says what is wrong with it."""
    kind = _word(line, "kind")
    if not kind:
        raise LineError("'kind' is missing")
    data = b""
    if "bytes" in line:
        try:
            data = bytes.fromhex(line["bytes"])
        except (TypeError, ValueError):
            raise LineError("'bytes' is no hex") from None
    detail = line.get("data", _NO_DETAIL)
    if type(detail) is not dict:
        raise LineError("'data' is no object")
    amount = next((_time(line, key) for key in _AMOUNTS if key in line), 0)
    t_ns, n, due = line.get("t"), line.get("n"), line.get("due")
    if type(t_ns) is not int or not -_LIMIT < t_ns < _LIMIT:
        raise LineError("'t' is no time in ns")
    n = n if n is None else _time(line, "n")
    due = due if due is None else _time(line, "due")
    return Event(
        t_ns, kind, _at(line), n, _word(line, "port"), _word(line, "machine"), data, due,
        _word(line, "source"), amount, detail,
    )  # fmt: skip


_AMOUNTS = ("count", "held_us", "clocks_before")
_NO_DETAIL: dict[str, Any] = {}
_INTS, _NUMBERS = frozenset({int}), frozenset({int, float})


def add_beat(tracks: dict[tuple[str, str], TickTrack], line: Mapping[str, Any]) -> None:
    """Add a line of clock.jsonl to its track; `LineError` says what is wrong with it."""
    t0, first, n, at = _time(line, "t"), _time(line, "first"), _time(line, "n"), _at(line)
    port, direction = _word(line, "port"), _word(line, "direction")
    if direction not in ("out", "in"):
        raise LineError("'direction' is neither out nor in")
    offsets, deviations = line.get("times_ns"), line.get("dev_us")
    if type(offsets) is not list or type(deviations) is not list or len(offsets) != len(deviations):
        raise LineError("'times_ns' and 'dev_us' are no lists of one length")
    numbers: Sequence[int] = range(first, first + len(offsets))
    if None in offsets:
        there = [slot for slot, offset in enumerate(offsets) if offset is not None]
        numbers = [first + slot for slot in there]
        offsets = [offsets[slot] for slot in there]
        deviations = [deviations[slot] for slot in there]
    if not offsets:
        raise LineError("'times_ns' holds no tick")
    if not _INTS.issuperset(map(type, offsets)) or not -_LIMIT < min(offsets) <= max(offsets) < _LIMIT:
        raise LineError("'times_ns' holds something that is no time")
    times = [t0 + offset for offset in offsets]
    track = tracks.get((port, direction)) or TickTrack(port, direction)
    dues = _dues(times, deviations)
    track.beats.append((len(track), at))
    track.last_n = max(track.last_n, n)
    track.number.extend(numbers)
    track.t_ns.extend(times)
    track.due_ns.extend(dues)
    tracks[port, direction] = track


def _dues(times: list[int], deviations: list[Any]) -> list[int]:
    """Return when the ticks were due; `NO_DUE` where nothing said so."""
    known = [value for value in deviations if value is not None] if None in deviations else deviations
    if known and not (_NUMBERS.issuperset(map(type, known)) and -1e13 < min(known) <= max(known) < 1e13):
        raise LineError("'dev_us' holds something that is no deviation")
    if known is deviations:
        return [t - round(1000 * value) for t, value in zip(times, deviations, strict=True)]
    pairs = zip(times, deviations, strict=True)
    return [NO_DUE if value is None else t - round(1000 * value) for t, value in pairs]


@dataclass(slots=True)
class LineReader:
    """Reads the lines of one file and keeps the damages. `torn` is set by a last line without an end."""

    file: str
    damages: list[Damage] = field(default_factory=list)
    torn: bool = False
    _fragments: list[tuple[bytes, Damage]] = field(default_factory=list)

    def read(self, lines: Iterable[bytes], use: Callable[[dict[str, Any], int], None]) -> None:
        """Call `use(object, line number)` for each line; a `LineError` from it is a damage too."""
        for number, raw in enumerate(lines, 1):
            body = raw.strip()
            if not body and raw:
                continue
            try:
                use(parse_json_line(body), number)
            except LineError as error:
                self._note(number, raw, body, str(error))
                continue
            if self._fragments:
                self._forget_rewritten(body)

    def _note(self, number: int, raw: bytes, body: bytes, text: str) -> None:
        if not raw.endswith(b"\n"):
            self.torn = True
            text = "the last line is torn"
        damage = Damage(self.file, number, len(raw), text)
        self.damages.append(damage)
        self._fragments.append((body, damage))

    def _forget_rewritten(self, body: bytes) -> None:
        """A line torn by the death of its writer is no loss: the next writer begins with it, in full."""
        for fragment, damage in self._fragments:
            if body.startswith(fragment):
                self.damages.remove(damage)
        self._fragments.clear()
