"""Parquet by blocks: typed columns are written as the text that the contract has for them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow.parquet as pq
from coilbook.ingest.blocks import Block, cut
from coilbook.ingest.errors import UnreadableFile
from coilbook.ingest.opening import reading

ROWS = 200_000


def names_in(path: Path) -> list[str]:
    """The column names."""
    with reading():
        names: list[str] = pq.ParquetFile(path).schema_arrow.names
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UnreadableFile(f"the file has a column twice: {', '.join(twice)[:200]}")
    return names


def read(path: Path, wanted: Sequence[str]) -> Iterator[Block]:
    """The rows by blocks; `Block.lines` counts rows from 1."""
    with reading():
        file = pq.ParquetFile(path)
        names = file.schema_arrow.names
        used = [name for name in wanted if name in names]
        first = 1
        for batch in file.iter_batches(ROWS, columns=used):
            frame = pl.from_arrow(batch)
            assert isinstance(frame, pl.DataFrame)
            text = frame.select(_as_text(frame[name]) for name in used).with_columns(
                pl.lit(None, pl.String).alias(name) for name in wanted if name not in used
            )
            lines = np.arange(first, first + text.height)
            yield Block(text.select(wanted), lines, _raw(text), [], frozenset(set(names) - set(wanted)))
            first += text.height


def _raw(text: pl.DataFrame) -> Callable[[int], str]:
    return lambda i: cut(json.dumps(text.row(i, named=True), ensure_ascii=False))


def _as_text(series: pl.Series) -> pl.Series:
    kind = series.dtype
    if isinstance(kind, pl.Datetime):
        if kind.time_zone:
            return series.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
        return series.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
    if kind == pl.Time:
        return series.dt.to_string("%H:%M:%S")
    if kind.is_numeric() or kind in (pl.String, pl.Categorical, pl.Enum, pl.Boolean, pl.Date, pl.Null):
        text = series.cast(pl.String)
        return text.set(text == "", None)
    raise UnreadableFile(f"column {series.name} holds {kind}; expected text, numbers, dates or instants")
