"""Reads a take from its folder, whole, unfinished or damaged. Never changes a byte of it."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from runner.errors import TakeFormatError
from runner.takes.declared import Declared
from runner.takes.journal import Numbering, journal_files, read_journal
from runner.takes.lines import TICK_KINDS, AtText, BeatLines, TakeHeader, event_line
from runner.takes.model import Damage, Event, Take, TickTrack
from runner.takes.parsing import LineError, LineReader, add_beat, parse_event, parse_json_line

EVENTS_FILE = "events.jsonl"
CLOCK_FILE = "clock.jsonl"
SUMMARY_FILE = "take.json"
PLAN_FILE = "plan.json"
RECORDER_FILE = "recorder.json"  #: what each recorder said that it did
_HEADER_LINES = 4  #: a header torn by the death of its writer is written again on the next line
_TAIL_BYTES = 1024 * 1024
_MAX_JSON_BYTES = 256 * 1024 * 1024


def read_header(folder: Path) -> TakeHeader:
    """Return the header of a take; `TakeFormatError` if it cannot be read."""
    path = folder / EVENTS_FILE
    problem = "it is empty"
    try:
        with open(path, "rb") as file:
            for raw in islice(file, _HEADER_LINES):
                try:
                    return TakeHeader.from_line(parse_json_line(raw), str(path))
                except LineError as error:
                    problem = f"the take's header is damaged: {error}"
    except OSError as error:
        problem = error.strerror or str(error)
    raise TakeFormatError(str(path), problem)


def read_take(folder: Path, *, plan: bool = False) -> Take:
    """Return a take with all that can be read of it; what cannot is in `damages`.

    `plan` says whether plan.json is wanted (its clocks may be left out). `TakeFormatError` if there is no
    take in the folder, or neither events.jsonl nor take.json can say which take it is.
    """
    if not folder.is_dir():
        raise TakeFormatError(str(folder), "there is no such folder")
    damages: list[Damage] = []
    summary = _read_object(folder / SUMMARY_FILE, damages)
    events: list[Event] = []
    reader = LineReader(EVENTS_FILE)
    header = _read_events(folder, reader, events)
    damages += reader.damages
    torn = reader.torn
    if header is None:
        header = _header_of_summary(summary)
        if header is None:
            text = damages[-1].text if damages else "it is empty or missing"
            raise TakeFormatError(
                str(folder / EVENTS_FILE), f"no take can be read here: {text}", line=1 if damages else 0
            )
    tracks: dict[tuple[str, str], TickTrack] = {}
    reader = LineReader(CLOCK_FILE)
    _read_lines(folder / CLOCK_FILE, reader, lambda line, _: add_beat(tracks, line))
    damages += reader.damages
    _add_pending(folder, header, events, tracks)
    take = Take(str(folder), header, events, tracks, damages, summary, torn=torn or reader.torn)
    take.recorders = _read_recorders(folder / RECORDER_FILE, damages)
    if plan:
        take.plan = _read_plan(folder / PLAN_FILE, damages)
    return take


def _read_events(folder: Path, reader: LineReader, events: list[Event]) -> TakeHeader | None:
    header: list[TakeHeader] = []

    def use(line: dict[str, Any], number: int) -> None:
        if (not header and number <= _HEADER_LINES and line.get("kind") == "take") or number == 1:
            try:
                header.append(TakeHeader.from_line(line, EVENTS_FILE))
            except TakeFormatError as error:
                raise LineError(str(error)) from None
        else:
            events.append(parse_event(line))

    _read_lines(folder / EVENTS_FILE, reader, use)
    return header[0] if header else None


def _read_lines(path: Path, reader: LineReader, use: Any) -> None:
    try:
        with open(path, "rb") as file:
            reader.read(file, use)
    except FileNotFoundError:
        if path.name == EVENTS_FILE:
            reader.damages.append(Damage(path.name, 0, 0, "the file is missing"))
    except OSError as error:
        reader.damages.append(Damage(path.name, 0, 0, error.strerror or str(error)))


def _read_object(path: Path, damages: list[Damage]) -> dict[str, Any] | None:
    value = _read_json(path, damages)
    if value is not None and not isinstance(value, dict):
        damages.append(Damage(path.name, 0, path.stat().st_size, "not a JSON object"))
        return None
    return value


def _read_recorders(path: Path, damages: list[Damage]) -> list[dict[str, Any]]:
    reports = (_read_object(path, damages) or {}).get("recorders")
    return [each for each in reports if isinstance(each, dict)] if isinstance(reports, list) else []


def _read_plan(path: Path, damages: list[Damage]) -> list[dict[str, Any]] | None:
    with contextlib.suppress(OSError):
        if not path.stat().st_size:  # of a take that ended before it was written
            return None
    rows = _plan_by_lines(path)
    if rows is not None:
        return rows
    value = _read_json(path, damages)
    if not isinstance(value, list):
        return None
    return [row for row in value if isinstance(row, dict)]


def _plan_by_lines(path: Path) -> list[dict[str, Any]] | None:
    """Return the rows of a plan as we write it, a row a line, without its clocks; None of any other.

    Of an hour's plan all but a hundredth are clocks, which the clock's grid tells as well; to read them
    would take seconds and a gigabyte.
    """
    rows: list[dict[str, Any]] = []
    try:
        with open(path, "rb") as file:
            if file.readline() != b"[\n":
                return None
            for line in file:
                if b'"bytes":"F8"' in line:
                    continue
                if line.startswith(b"]"):
                    return rows
                row = json.loads(line.rstrip(b",\n"))
                if not isinstance(row, dict):
                    return None
                rows.append(row)
    except (OSError, ValueError, RecursionError):
        return None
    return None


def _read_json(path: Path, damages: list[Damage]) -> Any:
    try:
        size = path.stat().st_size
        if size > _MAX_JSON_BYTES:
            damages.append(Damage(path.name, 0, size, "too large to be read"))
            return None
        raw = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        damages.append(Damage(path.name, 0, 0, error.strerror or str(error)))
        return None
    try:
        return json.loads(raw)
    except (ValueError, RecursionError) as error:
        damages.append(Damage(path.name, 0, len(raw), f"not JSON: {error}"[:160]))
        return None


def _header_of_summary(summary: dict[str, Any] | None) -> TakeHeader | None:
    line = summary.get("header") if summary is not None else None
    if not isinstance(line, dict):
        return None
    try:
        return TakeHeader.from_line(line, SUMMARY_FILE)
    except TakeFormatError:
        return None


def at_text_of(header: TakeHeader) -> AtText:
    """Return the text of song positions as the header's declaration gives it, else in quarters."""
    time = Declared.from_dict(header.declared).song_time()
    if time is None:
        return lambda quarters: f"quarter {float(quarters):g}"
    return time.at_text


def _add_pending(
    folder: Path, header: TakeHeader, events: list[Event], tracks: dict[tuple[str, str], TickTrack]
) -> None:
    """Add the records of the writer's working files that have no line yet."""
    journals = journal_files(folder)
    if not journals:
        return
    event_mark = max((event.n for event in events if event.n is not None), default=-1)
    at_text = at_text_of(header)
    for epoch, path in journals:
        numbering = Numbering(epoch)
        beats = BeatLines(header, at_text)
        lines: list[dict[str, Any]] = []
        for record in read_journal(path):
            n = numbering.n_of(record)
            numbering.note(n, record.raw_count)
            if record.kind in TICK_KINDS:
                lines += (
                    beats.feed(record, n) if n > _tick_mark(tracks, header, record.port, record.kind) else ()
                )
                continue
            line = event_line(record, n, header, at_text) if n > event_mark else None
            if line is not None:
                with contextlib.suppress(LineError):  # a damaged record of a working file tells nothing
                    events.append(parse_event(line))
        for line in (*lines, *beats.flush()):
            with contextlib.suppress(LineError):
                add_beat(tracks, line)


def _tick_mark(tracks: dict[tuple[str, str], TickTrack], header: TakeHeader, port: int, kind: int) -> int:
    name = header.ports[port] if port < len(header.ports) else f"#{port}"
    direction = "out" if kind == min(TICK_KINDS) else "in"
    track = tracks.get((name, direction))
    return track.last_n if track is not None else -1


@dataclass(slots=True)
class TailMarks:
    """Where a file of lines ends: the highest `n`, the same by port and direction, and whether it is torn."""

    last_n: int = -1
    by_stream: dict[tuple[str, str], int] = field(default_factory=dict)
    torn: bool = False


def tail_marks(path: Path) -> TailMarks:
    """Return the marks of a file of lines from its last megabyte; of no file, there are none."""
    marks = TailMarks()
    try:
        with open(path, "rb") as file:
            size = file.seek(0, 2)
            start = max(0, size - _TAIL_BYTES)
            file.seek(start)
            data = file.read()
    except OSError:
        return marks
    marks.torn = bool(data) and not data.endswith(b"\n")
    lines = data.split(b"\n")
    for raw in lines[1:] if start else lines:
        try:
            line = parse_json_line(raw)
        except LineError:
            continue
        n = line.get("n")
        if type(n) is not int:
            continue
        marks.last_n = max(marks.last_n, n)
        stream = (str(line.get("port")), str(line.get("direction")))
        marks.by_stream[stream] = max(marks.by_stream.get(stream, -1), n)
    return marks
