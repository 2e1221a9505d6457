"""Local days of sites as frames of instants."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import polars as pl
from coilbook.ingest.local_time import days_between, midnight, offset_spans

ONE_DAY = timedelta(days=1)
REACH_DAYS = 31


def calendar(zones: pl.DataFrame, first: date, last: date) -> pl.DataFrame:
    """Local days of every site from `first` to `last`: site_id, local_date, start_ts, end_ts [UTC]."""
    parts = []
    for name in zones["timezone"].unique().sort():
        days = list(days_between(first, last + ONE_DAY))
        edges = [midnight(name, day) for day in days]
        parts.append(
            pl.DataFrame(
                {
                    "timezone": [name] * (len(days) - 1),
                    "local_date": days[:-1],
                    "start_ts": edges[:-1],
                    "end_ts": edges[1:],
                },
                schema={
                    "timezone": pl.String,
                    "local_date": pl.Date,
                    "start_ts": pl.Datetime("us"),
                    "end_ts": pl.Datetime("us"),
                },
            )
        )
    return zones.select("site_id", "timezone").join(pl.concat(parts), on="timezone").drop("timezone")


def utc_dates(days: pl.DataFrame) -> pl.DataFrame:
    """The same local days once for each UTC date they touch, so that a sample finds its day by equality."""
    return days.with_columns(
        pl.date_ranges(pl.col("start_ts").dt.date(), pl.col("end_ts").dt.date()).alias("utc_date")
    ).explode("utc_date", empty_as_null=False, keep_nulls=False)


def offsets(zones: pl.DataFrame, first: datetime, last: datetime) -> pl.DataFrame:
    """Spans of one offset from UTC of every site, from a month before `first` on.

    Columns: site_id, from_ts, to_ts [UTC], offset_s [s].
    """
    rows = [
        (name, *span)
        for name in zones["timezone"].unique()
        for span in offset_spans(name, first - timedelta(days=REACH_DAYS + 2), last)
    ]
    spans = pl.DataFrame(
        rows,
        schema={
            "timezone": pl.String,
            "from_ts": pl.Datetime("us"),
            "to_ts": pl.Datetime("us"),
            "offset_s": pl.Int64,
        },
        orient="row",
    )
    return zones.select("site_id", "timezone").join(spans, on="timezone")


def widened(days: pl.DataFrame, before: int = 1, after: int = 1) -> pl.DataFrame:
    """(site_id, local_date) with the neighbours of each."""
    steps = [
        days.select("site_id", pl.col("local_date").dt.offset_by(f"{n}d")) for n in range(-before, after + 1)
    ]
    return pl.concat(steps).unique()


def bounds(days: pl.DataFrame) -> tuple[datetime, datetime]:
    """The instants from the begin of the first to the end of the last of `days`, which are not none."""
    first, last = days["start_ts"].min(), days["end_ts"].max()
    assert isinstance(first, datetime)
    assert isinstance(last, datetime)
    return first, last
