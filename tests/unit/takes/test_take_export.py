"""Takes as tables: every record comes back from CSV, Parquet and the JSON Lines as they are."""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from runner.errors import UsageError
from runner.takes.export import PARQUET_TYPES, export_csv, export_parquet
from runner.takes.format import Kind
from runner.takes.rating import rate
from runner.takes.reader import read_take
from runner.takes.store import Store
from runner.takes.tables import COLUMNS, names
from runner.takes.testing import song_time, steady_records, take_header, write_take

GUIDE = Path(__file__).parents[3] / "docs" / "guides" / "archive.md"
NAME = 'Tide Table, "slow", für Öre'


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes; the second lacks a clock, is kept, and has a name that needs quoting."""
    folder = tmp_path_factory.mktemp("archive") / "takes"
    time = song_time(125, bars=4, pre_roll=1)
    for number, song in ((1, "Ropewalk"), (2, NAME)):
        place = folder / "Lantern Quay" / f"song {number}" / "bass" / f"take-{number:04d}"
        header = take_header(time, 2, song=song, number=number, take=f"take-{number:04d}")
        records = steady_records(time, 2)
        if number == 2:
            records = [r for r in records if not (r.kind == Kind.TICK_SENT and r.port == 0 and r.ref == 77)]
        write_take(place, header, records).close()
    rate(place, "keep")
    return folder


def rows_of(path: Path) -> list[dict[str, str]]:
    """Read a CSV file by the standard library."""
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_holds_every_record(root: Path, tmp_path: Path) -> None:
    """Four files; as many events and clocks as the takes have; names with quotes and commas come back."""
    entries = Store(root).takes()
    done = export_csv(entries, root, tmp_path / "tables")
    assert [path.name for path in done.files] == [f"{table}.csv" for table in COLUMNS]
    assert sorted(path.name for path in (tmp_path / "tables").iterdir()) == sorted(p.name for p in done.files)
    takes = rows_of(tmp_path / "tables" / "takes.csv")
    assert [(row["song"], row["rating"]) for row in takes] == [("Ropewalk", ""), (NAME, "keep")]
    clocks, events = (rows_of(tmp_path / "tables" / f"{name}.csv") for name in ("clocks", "events"))
    read = [read_take(Path(entry.path)) for entry in entries]
    assert len(clocks) == sum(len(track) for take in read for track in take.tracks.values())
    assert len(events) == sum(len(take.events) for take in read)
    first = read[0].tracks["loft", "out"]
    assert (int(clocks[0]["t_ns"]), int(clocks[0]["due_ns"])) == (first.t_ns[0], first.due_ns[0])
    assert float(clocks[0]["late_us"]) == (first.t_ns[0] - first.due_ns[0]) / 1000


def test_parquet_holds_the_same_with_types(root: Path, tmp_path: Path) -> None:
    """pyarrow reads back each record with ns as whole numbers, and the take's names in each row."""
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "takes.parquet"
    entries = Store(root).takes()
    assert export_parquet(entries, root, path).takes == 2
    table = parquet.read_table(path)
    assert table.column_names == list(PARQUET_TYPES)
    assert str(table.schema.field("t_ns").type) == "int64"
    every = table.to_pylist()
    rows = [row for row in every if row["kind"] != "audit"]
    assert "clock-not-sent" in {row["code"] for row in every}
    read = [read_take(Path(entry.path)) for entry in entries]
    clocks = sum(len(track) for take in read for track in take.tracks.values())
    assert len(rows) == sum(len(take.events) for take in read) + clocks
    quay = [row for row in rows if row["kind"] == "clock" and row["song"] == NAME and row["port"] == "quay"]
    assert [row["t_ns"] for row in quay] == list(read[1].tracks["quay", "out"].t_ns)
    assert {row["rating"] for row in quay} == {"keep"}
    assert [path.name for path in tmp_path.iterdir()] == ["takes.parquet"]


def test_a_take_that_cannot_be_read_hides_no_other(root: Path, tmp_path: Path) -> None:
    """It has its row among the takes, is named with the reason, and the others are whole."""
    broken = tmp_path / "takes" / "Lantern Quay" / "Fog Signal" / "bass" / "take-0001"
    broken.mkdir(parents=True)
    (broken / "events.jsonl").write_bytes(b"\x00\xff")
    entries = [*Store(tmp_path / "takes").takes(), *Store(root).takes()]
    done = export_csv(entries, root, tmp_path / "tables")
    assert done.takes == 2
    assert [path for path, _ in done.left_out] == [str(broken)]
    assert [row["verdict"] for row in rows_of(tmp_path / "tables" / "takes.csv")] == [
        "open",
        "clean",
        "failed",
    ]


def test_a_place_that_cannot_be_written_is_named(root: Path, tmp_path: Path) -> None:
    """A file in the way of the folder, or a folder in the way of the file, is an error of use."""
    (tmp_path / "tables").write_text("in the way")
    (tmp_path / "takes.parquet").mkdir()
    with pytest.raises(UsageError, match="tables cannot be written"):
        export_csv(Store(root).takes(), root, tmp_path / "tables")
    pytest.importorskip("pyarrow")
    with pytest.raises(UsageError, match=r"takes\.parquet cannot be written"):
        export_parquet(Store(root).takes(), root, tmp_path / "takes.parquet")


def test_without_pyarrow_it_says_what_to_install(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The extra is named, and the way that needs none."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"takewright\[parquet\].*--csv"):
        export_parquet(Store(root).takes(), root, tmp_path / "takes.parquet")


def queries() -> list[str]:
    """Return the guide's queries."""
    return re.findall(r"```sql\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.parametrize("number", range(4))
def test_duckdb_reads_the_files_as_they_are(root: Path, number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each query of the guide runs in DuckDB on takes as they lie on disk, and gives what the takes hold."""
    duckdb = pytest.importorskip("duckdb")
    monkeypatch.chdir(root.parent)
    found: list[tuple[Any, ...]] = duckdb.sql(queries()[number]).fetchall()
    read = [read_take(Path(entry.path)) for entry in Store(root).takes()]
    if number == 0:
        assert {row[0] for row in found} == {"Ropewalk", NAME}
        worst = max((take.summary or {})["clock"]["lateness_us"]["max"] for take in read)
        assert found[0][4] == pytest.approx(worst)
    elif number == 1:
        codes = {finding["code"] for take in read for finding in (take.summary or {})["findings"]}
        assert {row[0] for row in found} == codes >= {"clock-not-sent"}
    elif number == 2:
        sent = sum(1 for take in read for _ in take.of_kind("sent"))
        assert sum(row[1] for row in found) == sent
    else:
        assert len(found) == sum(len(track) for take in read for track in take.tracks.values())
        times = {row[4] for row in found if row[1:3] == ("loft", "out")}
        assert times == {t for take in read for t in take.tracks["loft", "out"].t_ns}


def test_duckdb_reads_the_exports(root: Path, tmp_path: Path) -> None:
    """CSV and Parquet give the same count of clocks and the same worst lateness."""
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    entries = Store(root).takes()
    export_csv(entries, root, tmp_path)
    export_parquet(entries, root, tmp_path / "takes.parquet")
    by_csv = duckdb.sql(f"SELECT count(*), max(late_us) FROM '{tmp_path}/clocks.csv'").fetchall()
    query = f"SELECT count(*), max(late_us) FROM '{tmp_path}/takes.parquet' WHERE kind = 'clock'"
    assert by_csv == duckdb.sql(query).fetchall()
    assert by_csv[0][0] > 500


def test_the_guide_names_every_column() -> None:
    """The tables of the guide hold each column of each table, with what it means."""
    text = GUIDE.read_text(encoding="utf-8")
    for table in COLUMNS:
        for column in COLUMNS[table]:
            assert f"| `{table}` | `{column.name}` | {column.meaning} |" in text
    assert len(names("clocks")) == 7
