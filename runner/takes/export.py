"""Writes takes as tables: CSV files in a folder (RFC 4180), or one Parquet file of all that has a time.

A take that cannot be read is told and left out; it never hides the others. Files are written beside their
place and renamed when whole, so that an export that breaks off leaves no half of one.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from runner.errors import TakeFormatError, UsageError
from runner.takes.index import TakeEntry
from runner.takes.model import Take
from runner.takes.reader import read_take
from runner.takes.tables import COLUMNS, Row, clock_rows, event_rows, finding_rows, names, take_row

#: columns of the Parquet file, in order; each row is an event, a clock, or a finding (see `kind`)
PARQUET_TYPES = {
    "take": "text", "session": "text", "song": "text", "pass": "text", "take_number": "whole",
    "started_at": "text", "verdict": "text", "rating": "text", "kind": "text", "t_ns": "whole", "at": "text",
    "port": "text", "machine": "text", "direction": "text", "tick": "whole", "bytes": "text",
    "due_ns": "whole", "late_us": "number", "source": "text", "code": "text", "severity": "text",
    "text": "text", "data": "text",
}  # fmt: skip
_ROWS_AT_ONCE = 100_000


@dataclass(slots=True)
class Exported:
    """What an export wrote: files, how many takes, and which could not be read (folder, why)."""

    files: list[Path] = field(default_factory=list)
    takes: int = 0
    left_out: list[tuple[str, str]] = field(default_factory=list)


def export_csv(entries: Iterable[TakeEntry], root: Path, folder: Path) -> Exported:
    """Write takes.csv, findings.csv, events.csv and clocks.csv; `UsageError` if the folder cannot be."""
    done = Exported()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as stack:
            writers = {}
            for table in COLUMNS:
                path = folder / f"{table}.csv"
                file = stack.enter_context(open(_beside(path), "w", encoding="utf-8", newline=""))
                writers[table] = csv.writer(file)
                writers[table].writerow(names(table))
                done.files.append(path)
            for entry in entries:
                take = _read(entry, done)
                key = key_of(entry, root)
                summary = take.summary or {} if take is not None else {}
                writers["takes"].writerow(take_row(entry, key, summary))
                writers["findings"].writerows(finding_rows(key, summary))
                if take is not None:
                    writers["events"].writerows(event_rows(key, take))
                    writers["clocks"].writerows(clock_rows(key, take))
        for path in done.files:
            os.replace(_beside(path), path)
    except OSError as error:
        raise UsageError(f"{folder} cannot be written: {error.strerror or error}") from None
    finally:
        for path in done.files:
            _beside(path).unlink(missing_ok=True)
    return done


def export_parquet(entries: Iterable[TakeEntry], root: Path, path: Path) -> Exported:
    """Write one Parquet file with a row for each event, clock and finding of the takes.

    Raises:
        UsageError: pyarrow is not installed (extra ``parquet``), or the file cannot be written.
    """
    try:
        import pyarrow as arrow
        import pyarrow.parquet as parquet
    except ImportError:
        raise UsageError(
            "Parquet needs pyarrow: install it with `pip install 'takewright[parquet]'`, or export as --csv"
        ) from None
    kinds = {"text": arrow.string(), "whole": arrow.int64(), "number": arrow.float64()}
    schema = arrow.schema([(name, kinds[kind]) for name, kind in PARQUET_TYPES.items()])
    done = Exported([path])
    try:
        with parquet.ParquetWriter(_beside(path), schema, compression="zstd") as writer:
            for entry in entries:
                take = _read(entry, done)
                if take is None:
                    continue
                for rows in _batches(_parquet_rows(entry, key_of(entry, root), take)):
                    columns = list(zip(*rows, strict=True))
                    arrays = [
                        arrow.array(column, field.type) for column, field in zip(columns, schema, strict=True)
                    ]
                    writer.write_batch(arrow.record_batch(arrays, schema=schema))
        os.replace(_beside(path), path)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}") from None
    finally:
        _beside(path).unlink(missing_ok=True)
    return done


def key_of(entry: TakeEntry, root: Path) -> str:
    """Return a take's folder as seen from the takes folder, with slashes."""
    path = Path(entry.path)
    return path.relative_to(root).as_posix() if path.is_relative_to(root) else path.as_posix()


def _beside(path: Path) -> Path:
    return path.with_name(f".{path.name}.part")


def _read(entry: TakeEntry, done: Exported) -> Take | None:
    try:
        take = read_take(Path(entry.path))
    except TakeFormatError as error:
        done.left_out.append((entry.path, str(error)))
        return None
    done.takes += 1
    return take


def _batches(rows: Iterator[Row]) -> Iterator[Sequence[Row]]:
    batch: list[Row] = []
    for row in rows:
        batch.append(row)
        if len(batch) == _ROWS_AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch


def _parquet_rows(entry: TakeEntry, key: str, take: Take) -> Iterator[Row]:
    """Yield rows in the order of `PARQUET_TYPES`."""
    head = (
        key, entry.session, entry.song, entry.pass_name, entry.number, entry.started_at, entry.verdict,
        entry.rating,
    )  # fmt: skip
    for row in event_rows(key, take):
        _, _, t, at, kind, port, machine, data, due, late, source, _, detail = row
        yield (
            *head,
            kind,
            t,
            at,
            port,
            machine,
            None,
            None,
            data,
            due,
            late,
            source,
            None,
            None,
            None,
            detail,
        )
    for row in clock_rows(key, take):
        _, port, direction, number, t, due, late = row
        yield (*head, "clock", t, None, port, None, direction, number, "F8", due, late, *_none(5))
    for row in finding_rows(key, take.summary or {}):
        _, code, severity, at, t, machine, port, _, text, _ = row
        yield (*head, "audit", t, at, port, machine, *_none(6), code, severity, text, None)


def _none(count: int) -> tuple[Any, ...]:
    return (None,) * count
