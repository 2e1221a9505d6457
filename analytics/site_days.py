"""Which site-days are there to be judged, and how much of each was seen: one frame for all rules."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from coilbook.analytics.rules.shape import SITE_DAYS
from coilbook.analytics.rules.silent import Settings
from coilbook.ingest.local_time import midnight


def site_days(
    sites: pl.DataFrame,
    coverage: pl.DataFrame,
    first_rows: pl.DataFrame,
    horizon: datetime,
    settings: Settings,
) -> pl.DataFrame:
    """Every day of `sites` from the site's first row on, as `SITE_DAYS` describes.

    `sites`: one row per site and local day asked for, with zone, area, tariff and prices. `coverage`: facts
    of those days. `first_rows`: site_id, first_ts [instant of the site's first row], power_from [first local
    day with a power sample, empty = none]. `horizon`: newest instant in any log of the fleet.
    """
    c = pl.col
    edges = _day_edges(sites.select("timezone", "local_date").unique())
    seen = coverage.select("site_id", "local_date", "covered_s", c("first_ts").alias("row_ts"))
    now = pl.lit(horizon, pl.Datetime("us"))
    days = (
        sites.join(edges, on=["timezone", "local_date"])
        .join(first_rows, on="site_id")
        .join(seen, on=["site_id", "local_date"], how="left")
        .filter((c("day_end") > c("first_ts")) & (c("day_start") < now))
        .with_columns(
            due_s=_seconds(pl.min_horizontal(c("day_end"), now) - pl.max_horizontal("day_start", "first_ts")),
            covered_s=c("covered_s").fill_null(0.0),
            rows=c("row_ts").is_not_null(),
            powered=(c("power_from") <= c("local_date")).fill_null(value=False),
        )
        .with_columns(
            covered_share=pl.when("powered")
            .then(pl.when(c("due_s") > 0).then((c("covered_s") / c("due_s")).clip(0, 1)).otherwise(1.0))
            .otherwise(c("rows").cast(pl.Float64)),
            early=c("due_s") < settings.min_part_h * 3600,
            complete=c("day_end") <= now,
        )
        .with_columns(silent=~c("early") & (c("covered_share") < settings.min_covered_share))
    )
    return days.select(pl.col(name).cast(type_) for name, type_ in SITE_DAYS.items()).sort(
        "site_id", "local_date"
    )


def _seconds(span: pl.Expr) -> pl.Expr:
    return span.dt.total_microseconds() / 1e6


def _day_edges(days: pl.DataFrame) -> pl.DataFrame:
    rows: list[tuple[str, date, datetime, datetime]] = []
    for zone, day in days.iter_rows():
        rows.append((zone, day, midnight(zone, day), midnight(zone, day + timedelta(days=1))))
    schema: dict[str, Any] = {
        "timezone": pl.String,
        "local_date": pl.Date,
        "day_start": pl.Datetime("us"),
        "day_end": pl.Datetime("us"),
    }
    return pl.DataFrame(rows, schema=schema, orient="row")
