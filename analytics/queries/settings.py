"""The history of a site's settings, as changes."""

from __future__ import annotations

import polars as pl
from coilbook.ingest.store import Session

SETTINGS = (
    "appliance",
    "rated_w",
    "voltage_v",
    "load_a",
    "contactor",
    "poles",
    "coil_v",
    "mech_life_ops",
    "elec_life_ops",
    "elec_life_a",
    "fitted_on",
    "ops_at_fit",
    "min_run_s",
    "min_rest_s",
    "surplus_on_w",
    "surplus_off_w",
    "shed_when_islanded",
)

REGISTRY = """
FROM circuit WHERE site_id = $site_id ORDER BY circuit_id, valid_from NULLS FIRST
"""

SCHEDULE = """
SELECT s.circuit_id, s.kind, s.window_id, s.days, s.start, s."end", s.need_minutes, s.valid_from, s.valid_to
FROM schedule s
WHERE s.circuit_id IN (SELECT circuit_id FROM circuit WHERE site_id = $site_id)
ORDER BY s.circuit_id, s.kind DESC, s.window_id, s.valid_from NULLS FIRST
"""


def settings_history(session: Session, site_id: str) -> pl.DataFrame:
    """Every setting that changed: `circuit_id, valid_from, setting, before, after`, newest first.

    The first row of a circuit is no change. Values are text as the registry gives them; empty: not given.
    """
    rows = session.frame(REGISTRY, {"site_id": site_id})
    told = rows.select(
        "circuit_id",
        "valid_from",
        pl.col("valid_from").rank("ordinal").over("circuit_id").alias("_n"),
        *(_text(rows, name) for name in SETTINGS),
    )
    long = told.with_row_index("_row").unpivot(
        SETTINGS, index=["_row", "circuit_id", "valid_from"], variable_name="setting", value_name="after"
    )
    before = pl.col("after").shift(1).over("circuit_id", "setting", order_by="_row")
    first = pl.col("_row") == pl.col("_row").min().over("circuit_id")
    return (
        long.with_columns(before.alias("before"), first.alias("_first"))
        .filter(~pl.col("_first") & pl.col("before").ne_missing(pl.col("after")))
        .sort("valid_from", "circuit_id", "setting", descending=[True, False, False])
        .select("circuit_id", "valid_from", "setting", "before", "after")
    )


def schedule(session: Session, site_id: str) -> pl.DataFrame:
    """Windows of the site's circuits with their validity, oldest first within a window."""
    return session.frame(SCHEDULE, {"site_id": site_id})


def _text(rows: pl.DataFrame, name: str) -> pl.Expr:
    """A registry value as text, whole numbers without a fraction."""
    if rows.schema[name] == pl.Float64:
        value = pl.col(name)
        return (
            pl.when(value == value.round())
            .then(value.cast(pl.Int64).cast(pl.String))
            .otherwise(value.cast(pl.String))
            .alias(name)
        )
    return pl.col(name).cast(pl.String)
