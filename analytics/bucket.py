"""The working tables of one bucket of sites: which days must be computed, and the logs they need.

Everything here happens in one session inside one transaction; the tables are temporary. Their SQL stands in
`analytics/facts/working/`. Dates of a site are local dates; instants are naive UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl

from coilbook.analytics.clear_sky import sky_grid
from coilbook.analytics.sql_files import working
from coilbook.ingest.local_time import days_between, instant, midnight, offset_spans
from coilbook.ingest.store import Session

ONE_DAY = timedelta(days=1)
REACH_DAYS = 31
BEGIN_OF_TIME = datetime(1, 1, 1)  # noqa: DTZ001 - instants of the store are naive UTC
END_OF_TIME = datetime(9999, 1, 1)  # noqa: DTZ001 - instants of the store are naive UTC


@dataclass(frozen=True)
class Bucket:
    """Sites worked on together. zones: site_id, timezone, latitude, longitude [deg]; as_of: logs from then on are unseen."""

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


def _offsets(zones: pl.DataFrame, first: datetime, last: datetime) -> pl.DataFrame:
    """Spans of one offset from UTC of every site, from a month before `first` on: site_id, from_ts, to_ts, offset_s."""
    rows = [
        (name, *span)
        for name in zones["timezone"].unique()
        for span in offset_spans(name, first - timedelta(days=REACH_DAYS + 2), last)
    ]
    schema = {
        "timezone": pl.String,
        "from_ts": pl.Datetime("us"),
        "to_ts": pl.Datetime("us"),
        "offset_s": pl.Int64,
    }
    return zones.select("site_id", "timezone").join(
        pl.DataFrame(rows, schema=schema, orient="row"), on="timezone"
    )


def _widened(days: pl.DataFrame, before: int = 1, after: int = 1) -> pl.DataFrame:
    """(site_id, local_date) with the neighbours of each."""
    steps = [
        days.select("site_id", pl.col("local_date").dt.offset_by(f"{n}d")) for n in range(-before, after + 1)
    ]
    return pl.concat(steps).unique()


def _bounds(days: pl.DataFrame) -> tuple[datetime, datetime]:
    first, last = days["start_ts"].min(), days["end_ts"].max()
    assert isinstance(first, datetime) and isinstance(last, datetime)
    return first, last


def look(bucket: Bucket) -> pl.DataFrame:
    """Working tables day_rows, span and bucket_circuit; returns the span of each site with its horizon.

    Columns: site_id, first_ts, last_ts, first_date, last_date, last_sample_ts, last_sample_date, horizon, and
    first_before, last_before, last_sample_before, the dates of the stored facts. Sites without any log row have null dates.
    """
    session = bucket.session
    session.temporary("zone_site", bucket.zones)
    session.temporary("look_day", bucket.dirty)
    first, last = bucket.dirty["local_date"].min(), bucket.dirty["local_date"].max()
    assert isinstance(first, date) and isinstance(last, date)
    dirty_days = calendar(bucket.zones, first, last).join(
        bucket.dirty, on=["site_id", "local_date"], how="semi"
    )
    session.temporary("look_day_utc", utc_dates(dirty_days))
    session.temporary("site_offset", _offsets(bucket.zones, *_bounds(dirty_days)))
    bounds = _bounds(dirty_days)
    bucket.build("day_rows", *bounds)
    bucket.build("known_rows")
    bucket.build("span")
    bucket.build("last_interval", *bounds)
    session.run(
        """
        CREATE OR REPLACE TEMP TABLE bucket_circuit AS
        SELECT c.circuit_id, c.site_id, c.controller_id FROM circuit c JOIN zone_site z USING (site_id)
        QUALIFY row_number() OVER (PARTITION BY c.circuit_id ORDER BY c.valid_from DESC NULLS LAST) = 1
        """
    )
    return session.frame(
        """
        SELECT
            z.site_id, s.first_ts, s.last_ts, s.first_date, s.last_date, s.last_sample_ts,
            greatest(s.last_ts, s.last_sample_ts + to_microseconds(CAST(coalesce(i.interval_us, 0) AS BIGINT))) AS horizon,
            s.last_sample_date, b.first_before, b.last_before, b.last_sample_before
        FROM zone_site z
        LEFT JOIN span s USING (site_id)
        LEFT JOIN last_interval i USING (site_id)
        LEFT JOIN (
            SELECT
                site_id,
                min(local_date) AS first_before,
                max(local_date) AS last_before,
                max(local_date) FILTER (WHERE last_sample_ts IS NOT NULL) AS last_sample_before
            FROM coverage
            JOIN zone_site USING (site_id)
            GROUP BY ALL
        ) b USING (site_id)
        """
    )


def days_before_meter_gaps(bucket: Bucket) -> pl.DataFrame:
    """Days of the newest meter sample before each dirty day: what it covers depends on whether one follows."""
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

    Events are read from the day before the first day in `days` on, or from the begin of a run that stood then.
    """
    session = bucket.session
    session.temporary("first_asked", days.group_by("site_id").agg(pl.col("local_date").min()))
    begun = session.frame(
        """
        SELECT f.site_id, least(
            f.local_date,
            min(s.run_date) FILTER (WHERE s.closed AND (s.run_cause = 'surplus' OR s.run_date >= f.local_date - $reach))
        ) - 1 AS events_from
        FROM first_asked f
        LEFT JOIN day_state s ON s.site_id = f.site_id AND s.local_date = f.local_date - 1
        GROUP BY f.site_id, f.local_date
        """,
        {"reach": REACH_DAYS},
    )
    sites = bucket.zones.join(spans.drop_nulls("first_date"), on="site_id").join(begun, on="site_id")
    starts = [midnight(zone, day) for zone, day in sites.select("timezone", "events_from").iter_rows()]
    sites = sites.with_columns(pl.Series("events_from_ts", starts, dtype=pl.Datetime("us")))
    session.temporary("bucket_site", sites)
    first, last = sites["events_from"].min(), sites["last_date"].max()
    assert isinstance(first, date) and isinstance(last, date)
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

    To them come their neighbours (extents and windows cross midnight), days whose few samples borrow an interval
    from a changed day, and the days on which surplus runs began that reach a changed day.
    """
    session = bucket.session
    moved = session.frame(working("moved_day"))
    near = _widened(pl.concat([changed, moved]).unique())
    session.temporary("near_day", near)
    borrowed = session.frame(
        """
        SELECT DISTINCT c.site_id, c.local_date
        FROM coverage c
        JOIN near_day n ON n.site_id = c.site_id AND c.local_date > n.local_date AND c.local_date <= n.local_date + $reach
        WHERE c.samples < 3 AND c.samples > 0
        """,
        {"reach": REACH_DAYS},
    )
    reaching = session.frame(
        """
        SELECT DISTINCT r.site_id, r.local_date
        FROM new_run r
        JOIN day d ON d.site_id = r.site_id AND r.start < d.end_ts AND r.until >= d.start_ts
        SEMI JOIN near_day n ON n.site_id = d.site_id AND n.local_date = d.local_date
        WHERE r.cause_on = 'surplus'
        """
    )
    session.temporary("near_day", pl.concat([near, _widened(borrowed), reaching]).unique())
    session.run(
        """
        CREATE OR REPLACE TEMP TABLE wanted_day AS
        SELECT d.*, b.horizon
        FROM near_day n
        JOIN day d USING (site_id, local_date)
        JOIN bucket_site b ON b.site_id = n.site_id AND n.local_date BETWEEN b.first_date AND b.last_date
        WHERE n.local_date > b.events_from
        """
    )
    days = session.frame("SELECT site_id, local_date, start_ts, end_ts FROM wanted_day ORDER BY ALL")
    session.temporary("near_day", _widened(days.select("site_id", "local_date")))
    session.run(
        """
        CREATE OR REPLACE TEMP TABLE load_day AS
        SELECT site_id, local_date FROM near_day
        UNION
        SELECT d.site_id, d.local_date
        FROM new_run r
        SEMI JOIN wanted_day w ON w.site_id = r.site_id AND w.local_date = r.local_date
        JOIN day d ON d.site_id = r.site_id AND r.start < d.end_ts AND r.until > d.start_ts
        WHERE r.cause_on = 'surplus'
        """
    )
    return days


def read_samples(bucket: Bucket, days: pl.DataFrame) -> None:
    """Working tables sample, hole, on_sample, meter_sample, circuit_sample, sky, sun_up, half_hour, and windows and prices as instants."""
    session = bucket.session
    bucket.build("load_day_utc")
    found = session.one("SELECT min(start_ts), max(end_ts) FROM load_day_utc")
    assert found is not None
    first, last = found
    bucket.build("sample", first, last)
    bucket.build("hole")
    bucket.build("on_sample")
    bucket.build("meter_sample", first, last)
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
    asked = session.rows(
        """
        SELECT DISTINCT timezone, local_date, wall_start FROM (
            SELECT timezone, local_date, wall_start FROM window_day
            UNION ALL SELECT timezone, end_date, wall_end FROM window_day
            UNION ALL SELECT timezone, local_date, wall_start FROM tariff_day
            UNION ALL SELECT timezone, end_date, wall_end FROM tariff_day
        )
        """
    )
    resolved = [(zone, day, wall, instant(zone, day, wall)) for zone, day, wall in asked]
    schema = {"timezone": pl.String, "local_date": pl.Date, "wall": pl.Time, "ts": pl.Datetime("us")}
    session.temporary("wall", pl.DataFrame(resolved, schema=schema, orient="row"))
