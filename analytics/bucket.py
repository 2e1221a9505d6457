"""The working tables of one bucket of sites: which days must be computed, and the logs they need.

Everything here happens in one session inside one transaction; the tables are temporary. Their SQL stands in
`analytics/facts/working/`. Dates of a site are local dates; instants are naive UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl
from coilbook.analytics.clear_sky import sky_grid
from coilbook.analytics.local_days import ONE_DAY, REACH_DAYS, bounds, calendar, offsets, utc_dates, widened
from coilbook.analytics.sql_files import working
from coilbook.ingest.local_time import instant, midnight
from coilbook.ingest.store import Session

BEGIN_OF_TIME = datetime(1, 1, 1)  # noqa: DTZ001 - instants of the store are naive UTC
END_OF_TIME = datetime(9999, 1, 1)  # noqa: DTZ001 - instants of the store are naive UTC


@dataclass(frozen=True)
class Bucket:
    """Sites worked on together.

    zones: site_id, timezone, latitude, longitude [deg]; dirty: site_id, local_date; as_of: logs from this
    instant on are not seen.
    """

    session: Session
    zones: pl.DataFrame
    dirty: pl.DataFrame
    as_of: datetime | None

    def build(self, name: str, first: datetime | None = None, last: datetime | None = None) -> None:
        """Make working table `name`; `first` and `last` bound the instants it reads [UTC]."""
        sql = working(name)
        self.session.run(sql, self.bound(sql, first, last))

    def bound(
        self, sql: str, first: datetime | None = None, last: datetime | None = None
    ) -> dict[str, datetime]:
        """The values that `sql` asks for by name."""
        values = {
            "as_of": self.as_of or END_OF_TIME,
            "first_ts": first or BEGIN_OF_TIME,
            "last_ts": last or END_OF_TIME,
        }
        return {key: value for key, value in values.items() if f"${key}" in sql}


def look(bucket: Bucket) -> pl.DataFrame:
    """Working tables day_rows, span and bucket_circuit; returns the span of each site with its horizon.

    Columns: site_id, first_ts, last_ts, first_date, last_date, last_sample_ts, last_sample_date, horizon,
    and first_before, last_before, last_sample_before, the dates of the stored facts. Sites without any
    log row have null dates.
    """
    session = bucket.session
    session.temporary("zone_site", bucket.zones)
    session.temporary("look_day", bucket.dirty)
    first, last = bucket.dirty["local_date"].min(), bucket.dirty["local_date"].max()
    assert isinstance(first, date)
    assert isinstance(last, date)
    dirty_days = calendar(bucket.zones, first, last).join(
        bucket.dirty, on=["site_id", "local_date"], how="semi"
    )
    session.temporary("look_day_utc", utc_dates(dirty_days))
    reach = bounds(dirty_days)
    session.temporary("site_offset", offsets(bucket.zones, *reach))
    bucket.build("day_rows", *reach)
    bucket.build("known_rows")
    bucket.build("span")
    bucket.build("last_interval", *reach)
    bucket.build("bucket_circuit")
    return session.frame(working("site_span"))


def days_before_meter_gaps(bucket: Bucket) -> pl.DataFrame:
    """Days of the newest meter sample before each dirty day: what it covers depends on what follows."""
    return bucket.session.frame(working("meter_reach"), {"as_of": bucket.as_of or END_OF_TIME})


def days_of_span(spans: pl.DataFrame) -> pl.DataFrame:
    """Days that must be computed because a site's first day, last day or horizon moved."""
    both = spans.with_columns(
        early=pl.min_horizontal("first_date", "first_before"),
        first_settled=pl.max_horizontal("first_date", "first_before"),
        settled=pl.min_horizontal("last_date", "last_before"),
        late=pl.max_horizontal("last_date", "last_before"),
    )
    ranges = [
        both.filter(pl.col("early") < pl.col("first_settled")).select(
            "site_id", pl.date_ranges("early", "first_settled").alias("d")
        ),
        both.filter(pl.col("late").is_not_null()).select(
            "site_id", pl.date_ranges(pl.col("settled").dt.offset_by("-1d"), "late").alias("d")
        ),
        both.filter(pl.col("first_before").is_null() & pl.col("first_date").is_not_null()).select(
            "site_id", pl.date_ranges("first_date", "last_date").alias("d")
        ),
    ]
    resumed = both.filter(pl.col("last_sample_date").ne_missing(pl.col("last_sample_before")))
    ranges.extend(
        resumed.drop_nulls(name).select("site_id", pl.concat_list(name).alias("d"))
        for name in ("last_sample_date", "last_sample_before")
    )
    return (
        pl.concat(ranges)
        .explode("d", empty_as_null=False, keep_nulls=False)
        .rename({"d": "local_date"})
        .unique()
    )


def read_events(bucket: Bucket, spans: pl.DataFrame, days: pl.DataFrame) -> None:
    """Working tables bucket_site, day, state_before, event, new_run, new_state, hold and setting_day.

    Events are read from two days before the first day in `days` on (its neighbour is computed anew, too), or
    from the begin of a run that stood then.
    """
    session = bucket.session
    neighbours = days.group_by("site_id").agg(pl.col("local_date").min().dt.offset_by("-1d"))
    session.temporary("first_asked", neighbours)
    begun = session.frame(working("events_from"), {"reach": REACH_DAYS})
    sites = bucket.zones.join(spans.drop_nulls("first_date"), on="site_id").join(begun, on="site_id")
    starts = [midnight(zone, day) for zone, day in sites.select("timezone", "events_from").iter_rows()]
    sites = sites.with_columns(pl.Series("events_from_ts", starts, dtype=pl.Datetime("us")))
    session.temporary("bucket_site", sites)
    first, last = sites["events_from"].min(), sites["last_date"].max()
    assert isinstance(first, date)
    assert isinstance(last, date)
    first = min(first, *(days["local_date"].to_list()))
    session.temporary("day", calendar(sites, first - timedelta(days=REACH_DAYS + 2), last + 2 * ONE_DAY))
    earliest = min(starts)
    bucket.build("state_before")
    bucket.build("event", earliest)
    bucket.build("new_run")
    bucket.build("new_state")
    bucket.build("hold")
    bucket.build("setting_day")


def wanted(bucket: Bucket, changed: pl.DataFrame) -> pl.DataFrame:
    """Working tables wanted_day and load_day from the days that changed; returns wanted_day.

    To them come their neighbours (extents and windows cross midnight), days whose few samples borrow an
    interval from a changed day, and the days on which surplus runs began that reach a changed day.
    """
    session = bucket.session
    moved = session.frame(working("moved_day"))
    near = widened(pl.concat([changed, moved]).unique())
    session.temporary("near_day", near)
    borrowed = session.frame(working("borrowed_day"), {"reach": REACH_DAYS})
    reaching = session.frame(working("reaching_day"))
    session.temporary("near_day", pl.concat([near, widened(borrowed), reaching]).unique())
    bucket.build("wanted_day")
    days = session.frame("SELECT site_id, local_date, start_ts, end_ts FROM wanted_day ORDER BY ALL")
    session.temporary("near_day", widened(days.select("site_id", "local_date")))
    bucket.build("load_day")
    return days


def read_samples(bucket: Bucket, days: pl.DataFrame) -> None:
    """Working tables of samples, of windows and prices as instants, and of load checks."""
    session = bucket.session
    bucket.build("load_day_utc")
    found = session.one("SELECT min(start_ts), max(end_ts) FROM load_day_utc")
    assert found is not None
    first, last = found
    bucket.build("sample", first, last)
    bucket.build("hole")
    bucket.build("meter_sample", first, last)
    bucket.build("on_sample")
    bucket.build("circuit_sample")
    session.temporary("sky", sky_grid(days, bucket.zones.select("site_id", "latitude", "longitude")))
    bucket.build("half_hour")
    bucket.build("window_day")
    bucket.build("tariff_day")
    _resolve_wall_times(session)
    bucket.build("window_span")
    bucket.build("wall_window")
    bucket.build("price_span")
    bucket.build("change")
    bucket.build("check_sample")
    bucket.build("island_part")


def _resolve_wall_times(session: Session) -> None:
    """Working table wall: the instant of every wall time that a window or a price begins or ends at."""
    asked = session.rows(working("wall_time"))
    resolved = [(zone, day, wall, instant(zone, day, wall)) for zone, day, wall in asked]
    session.temporary(
        "wall",
        pl.DataFrame(
            resolved,
            schema={"timezone": pl.String, "local_date": pl.Date, "wall": pl.Time, "ts": pl.Datetime("us")},
            orient="row",
        ),
    )
