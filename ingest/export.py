"""Tables out of the store: CSV, Parquet or NDJSON, the same bytes for the same content.

Instants leave as RFC 3339 in UTC with `Z`, with microseconds only where they are not zero; dates as ISO 8601;
numbers in their shortest form; truth as 1 and 0; nothing as an empty cell (null in NDJSON). CSV follows RFC
4180; a text cell that a spreadsheet could take for a formula (CWE-1236: it begins with = + - @, a tab or
a carriage return) gets an apostrophe in front, numbers stay numbers. Parquet keeps types, instants with zone
UTC. Rows are sorted by the table's grain.

`registry` is four tables in one name: `FILE.json` becomes one object with the four arrays, ready to be loaded
again; any other ending becomes four files, `FILE-sites.csv` and so on.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
from coilbook.ingest.errors import InputError
from coilbook.ingest.kinds import KIND, REGISTRY_ARRAYS
from coilbook.ingest.schema import BY_NAME, EXPORTS, Column, Table
from coilbook.ingest.store import Session, Store
from coilbook.ingest.target import replacing

REGISTRY = "registry"
FORMULA = r"^[=+\-@\t\r]"
ROWS = 100_000


def export_table(store: Store, table: str, target: Path) -> int:
    """Write a table to `target`, whose ending says the format; returns the number of rows.

    `table` is a name of `schema.EXPORTS` or `registry`. Raises `InputError` for another name or ending, or
    where the file cannot be written. A file of that name is replaced once the new one is whole.
    """
    if table == REGISTRY:
        return _registry(store, target)
    if table not in EXPORTS:
        raise InputError(
            f"unknown table {table!r}; expected one of {', '.join([*sorted(EXPORTS), REGISTRY])}"
        )
    return _file(store, EXPORTS[table], target)


def _registry(store: Store, target: Path) -> int:
    tables = {name: _public(BY_NAME[KIND[name].table_name]) for name in REGISTRY_ARRAYS}
    if target.suffix.lower() == ".json":
        with store.reading() as session, replacing(target) as path:
            arrays = {name: _objects(session, table) for name, table in tables.items()}
            body = ",\n".join(f"{json.dumps(name)}: [\n{_joined(rows)}]" for name, rows in arrays.items())
            path.write_text(f"{{{body}}}\n", "utf-8")
        return sum(map(len, arrays.values()))
    _writer(target)
    return sum(
        _file(store, table, target.with_name(f"{target.stem}-{name}{target.suffix}"))
        for name, table in tables.items()
    )


def _public(table: Table) -> Table:
    # What a registry file holds: the number of a load means nothing outside this store.
    columns = tuple(c for c in table.columns if c.name != "load_id")
    return Table(table.name, table.group, table.grain, table.meaning, columns)


def _objects(session: Session, table: Table) -> list[str]:
    frame = session.frame(_query(table)).select(as_text(c, json_values=True) for c in table.columns)
    return [row for row in frame.write_ndjson().splitlines() if row]


def _joined(rows: list[str]) -> str:
    return ",\n".join(rows) + "\n" if rows else ""


def _file(store: Store, table: Table, target: Path) -> int:
    write = _writer(target)
    rows = 0

    def counted(frames: Iterator[pl.DataFrame]) -> Iterator[pl.DataFrame]:
        nonlocal rows
        for frame in frames:
            rows += frame.height
            yield frame

    with store.reading() as session, replacing(target) as path:
        write(path, table, counted(session.frames(_query(table), ROWS)))
    return rows


def _query(table: Table) -> str:
    columns = ", ".join(f'"{name}"' for name in table.names())
    grain = ", ".join(f'"{name}" NULLS FIRST' for name in table.grain)
    return f'SELECT {columns} FROM "{table.name}" ORDER BY {grain}'  # noqa: S608 - names of schema.py


def as_text(column: Column, *, json_values: bool) -> pl.Expr:
    """The column as it is written; with `json_values` numbers stay numbers and text is left as it is."""
    cell = pl.col(column.name)
    if column.type == "TIMESTAMP":
        whole = cell.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        return (
            pl.when(cell.dt.microsecond() == 0)
            .then(whole)
            .otherwise(cell.dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"))
        )
    if column.type == "DATE":
        return cell.dt.strftime("%Y-%m-%d")
    if column.type == "TIME":
        return (
            pl.when(cell.dt.second() == 0)
            .then(cell.dt.to_string("%H:%M"))
            .otherwise(cell.dt.to_string("%H:%M:%S"))
        )
    if column.type == "BOOLEAN":
        cell = cell.cast(pl.Int64)
    if json_values:
        return cell
    if column.type == "VARCHAR":
        return pl.when(cell.str.contains(FORMULA)).then("'" + cell).otherwise(cell).alias(column.name)
    return cell.cast(pl.String)


def _csv(path: Path, table: Table, frames: Iterator[pl.DataFrame]) -> None:
    with path.open("wb") as file:
        head = pl.DataFrame(schema=dict.fromkeys(table.names(), pl.String))
        head.write_csv(file, line_terminator="\r\n")
        for frame in frames:
            cells = frame.select(as_text(c, json_values=False) for c in table.columns)
            cells.write_csv(file, include_header=False, line_terminator="\r\n")


def _ndjson(path: Path, table: Table, frames: Iterator[pl.DataFrame]) -> None:
    with path.open("wb") as file:
        for frame in frames:
            frame.select(as_text(c, json_values=True) for c in table.columns).write_ndjson(file)


def _parquet(path: Path, table: Table, frames: Iterator[pl.DataFrame]) -> None:
    writer: pq.ParquetWriter | None = None
    for frame in frames:
        arrow = frame.with_columns(pl.col(pl.Datetime("us")).dt.replace_time_zone("UTC")).to_arrow()
        writer = writer or pq.ParquetWriter(path, arrow.schema)
        writer.write_table(arrow)
    if writer:
        writer.close()


_WRITERS: dict[str, Callable[[Path, Table, Iterator[pl.DataFrame]], None]] = {
    ".csv": _csv,
    ".parquet": _parquet,
    ".ndjson": _ndjson,
}


def _writer(target: Path) -> Callable[[Path, Table, Iterator[pl.DataFrame]], None]:
    if target.suffix.lower() not in _WRITERS:
        raise InputError(f"{target}: unknown ending {target.suffix!r}; expected {', '.join(_WRITERS)}")
    if not target.parent.is_dir():
        raise InputError(f"{target}: folder {target.parent} does not exist")
    return _WRITERS[target.suffix.lower()]
