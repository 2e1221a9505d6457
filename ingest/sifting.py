"""From blocks of text to typed rows, held rows and rows that wait for the row order to settle their time."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import polars as pl
from coilbook.ingest import columns, rows
from coilbook.ingest.blocks import Block
from coilbook.ingest.kinds import Kind
from coilbook.ingest.mapping import LogMap
from coilbook.ingest.rows import Context
from coilbook.ingest.schema import Table
from coilbook.ingest.times import Local
from coilbook.ingest.values import Bad

TYPES: dict[str, Any] = {
    "VARCHAR": pl.String,
    "BIGINT": pl.Int64,
    "DOUBLE": pl.Float64,
    "BOOLEAN": pl.Boolean,
    "TIMESTAMP": pl.Datetime("us"),
    "DATE": pl.Date,
    "TIME": pl.Time,
}


@dataclass(frozen=True)
class Held:
    """A row held back; `fields` is the JSON of its contract columns, `{}` where it has none."""

    line: int
    reason: str
    detail: str
    subject: str | None
    raw: str
    fields: str


@dataclass(frozen=True)
class Waiting:
    """A good row whose wall time its zone has twice; `subject` is whose rows give the order."""

    line: int
    subject: str
    values: dict[str, Any]
    local: Local
    raw: str
    fields: str


@dataclass
class Sifted:
    """What became of the rows of one block. `rows` has `line` and the table's columns without `load_id`."""

    rows: pl.DataFrame
    read: int
    held: list[Held] = field(default_factory=list)
    waiting: list[Waiting] = field(default_factory=list)
    extra: frozenset[str] = frozenset()


def row_schema(table: Table) -> dict[str, Any]:
    """Columns and types of `Sifted.rows`."""
    own = {c.name: TYPES[c.type] for c in table.columns if c.name != "load_id"}
    return {"line": pl.Int64, **own}


def sift(block: Block, log_map: LogMap, context: Context) -> Sifted:
    """Judge every row of a block: column-wise where that is exact, one by one where not."""
    kind = log_map.kind
    text = log_map.apply(block.text)
    schema = row_schema(kind.table)
    found = Sifted(pl.DataFrame(schema=schema), text.height + len(block.broken), extra=block.extra)
    found.held.extend(
        Held(broken.line, "malformed_row", broken.detail, None, broken.raw, "{}") for broken in block.broken
    )
    lines = pl.Series("line", block.lines, pl.Int64)
    if text.is_empty():
        return found
    left = list(range(text.height))
    if kind.name in columns.COLUMN_WISE:
        frame, regular = columns.judge(kind, text, context)
        frame = frame.with_columns(lines).select(list(schema))
        found.rows = frame if regular.all() else frame.filter(regular)
        left = (~regular).arg_true().to_list()
    if left:
        taken = _one_by_one(block, kind, text, left, context, found)
        found.rows = pl.concat([found.rows, pl.DataFrame(taken, schema=schema, orient="row")])
    return found


def _one_by_one(
    block: Block, kind: Kind, text: pl.DataFrame, left: list[int], context: Context, found: Sifted
) -> list[dict[str, Any]]:
    taken: list[dict[str, Any]] = []
    for i in left:
        line, given = int(block.lines[i]), text.row(i, named=True)
        try:
            row = rows.judge(kind, given, context)
        except Bad as bad:
            held = Held(line, bad.reason, bad.detail, bad.subject, block.raw(i), _fields(given))
            found.held.append(held)
            continue
        values = {"line": line, **row.values}
        if row.local is None:
            taken.append(values)
        else:
            subject = values[kind.owner]
            found.waiting.append(Waiting(line, subject, values, row.local, block.raw(i), _fields(given)))
    return taken


def _fields(given: dict[str, Any]) -> str:
    return json.dumps({name: text for name, text in given.items() if text is not None}, ensure_ascii=False)
