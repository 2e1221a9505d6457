"""A store made the way a user makes one: files of the log contract, loaded, reviewed, read back."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
from coilbook.analytics.review import review
from coilbook.ingest.load import load_paths
from coilbook.ingest.store import Store

NOW = datetime(2027, 1, 1, tzinfo=UTC)
MEASURED = Path(__file__).parents[2].parent / "shared" / "data"

Row = Mapping[str, object]


def instant(ts: datetime) -> str:
    """RFC 3339; a naive instant is UTC."""
    return ts.isoformat() if ts.tzinfo else f"{ts.isoformat()}Z"


def write_csv(path: Path, rows: Sequence[Row]) -> None:
    """One contract file; None is an empty cell, instants are written as RFC 3339."""
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        for row in rows:
            writer.writerow({k: instant(v) if isinstance(v, datetime) else v for k, v in row.items()})


@contextmanager
def reviewed(folder: Path, files: Mapping[str, Sequence[Row]]) -> Iterator[Store]:
    """A store with `files` (name without ending to rows), none of whose rows may be held back."""
    logs = folder / "files"
    logs.mkdir()
    for name, rows in files.items():
        write_csv(logs / f"{name}.csv", rows)
    with Store.open(folder / "store.duckdb", threads=1) as store:
        for row in load_paths(store, [logs], now=NOW):
            assert (row.error, row.quarantined, row.accepted) == (None, 0, row.rows_read), row
        review(store, now=NOW.replace(tzinfo=None))
        yield store


def table(store: Store, name: str) -> pl.DataFrame:
    """All rows of a table of the store."""
    with store.reading() as session:
        return session.frame(f'SELECT * FROM "{name}" ORDER BY ALL')  # noqa: S608 - a name


def by_key(frame: pl.DataFrame, *key: str) -> dict[tuple[Any, ...], dict[str, Any]]:
    """Rows by their key, which no two share."""
    rows = {tuple(row[name] for name in key): row for row in frame.iter_rows(named=True)}
    assert len(rows) == frame.height
    return rows
