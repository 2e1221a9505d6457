"""Recommended settings as rows of the registry's circuits file, ready to load."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl
from coilbook.analytics.replay.candidates import Candidate
from coilbook.analytics.replay.fleet import Replayed
from coilbook.analytics.replay.registry import circuit_columns
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Session

NEWEST = """
SELECT * EXCLUDE (load_id) FROM circuit
QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
ORDER BY circuit_id
"""
CHANGES = {
    "circuit_id": pl.String,
    "new_run": pl.Float64,
    "new_rest": pl.Float64,
    "new_on": pl.Float64,
    "new_off": pl.Float64,
}


def no_rows() -> pl.DataFrame:
    """A frame with the columns of the circuits file and no row."""
    kinds = {
        "VARCHAR": pl.String,
        "BIGINT": pl.Int64,
        "DOUBLE": pl.Float64,
        "BOOLEAN": pl.Boolean,
        "DATE": pl.Date,
    }
    named = {column.name: kinds[column.type] for column in BY_NAME["circuit"].columns}
    return pl.DataFrame(schema={name: named[name] for name in circuit_columns()})


def registry_rows(
    session: Session,
    chosen: Sequence[tuple[Replayed, Candidate]],
    valid_from: date,
    candidates: Sequence[Candidate],
) -> pl.DataFrame:
    """The newest row of each circuit that changes, with the chosen settings, from `valid_from` on.

    Always `min_run_s`; levels and rest only where the candidates differ in them. Columns of the circuits
    file.
    """
    with_on = len({c.on_level for c in candidates}) > 1
    with_off = len({c.off_level for c in candidates}) > 1
    changes = []
    for one, c in chosen:
        on_w = round(c.on_level * one.own_w, 1) if with_on else None
        off_w = round(c.off_level * one.own_w, 1) if with_off else None
        changes.append((one.circuit.circuit_id, c.min_run_s, c.min_rest_s, on_w, off_w))
    new = pl.DataFrame(changes, schema=CHANGES, orient="row")
    rows = session.frame(NEWEST).join(new, on="circuit_id")
    pairs = {
        "min_run_s": "new_run",
        "min_rest_s": "new_rest",
        "surplus_on_w": "new_on",
        "surplus_off_w": "new_off",
    }
    updated = rows.with_columns(
        *(pl.coalesce(after, before).alias(before) for before, after in pairs.items()),
        pl.lit(valid_from).alias("valid_from"),
        pl.lit(None, pl.Date).alias("valid_to"),
    )
    same = pl.all_horizontal(updated[name].eq_missing(rows[name]) for name in pairs)
    return no_rows().vstack(updated.filter(~same).select(circuit_columns()))


def registry_csv(rows: pl.DataFrame) -> str:
    """The rows as the CSV text of a circuits file; flags as 1 and 0."""
    return rows.with_columns(pl.col(pl.Boolean).cast(pl.Int8)).write_csv()
