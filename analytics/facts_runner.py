"""Brings the facts up to date with the logs: dirty days and what depends on them, bucket by bucket.

One bucket is one transaction that computes facts, removes the marks of its days and marks the same days for the
rules. Whatever the order in which logs came in, the facts equal those of one computation from nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime

import polars as pl

from coilbook.analytics.bucket import (
    Bucket,
    days_before_meter_gaps,
    days_of_span,
    look,
    read_events,
    read_samples,
    wanted,
)
from coilbook.analytics.clear_sky import LOOKBACK_DAYS, explain_dips
from coilbook.analytics.load_checks import judge_checks
from coilbook.analytics.sql_files import fact
from coilbook.analytics.wear import WITHIN_DAYS, projected
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Session, Store

Progress = Callable[[int, int], None]

SITE_DAYS_A_BUCKET = 1500
WEAR_EXPONENT = 2.0
BY_DAY = (
    "coverage",
    "circuit_day",
    "window_result",
    "lockout_result",
    "surplus_start",
    "pv_envelope",
    "switch_check",
    "stay_on",
    "island",
    "island_run",
    "idle_surplus",
    "clock_start",
    "solar_clock",
)
FROM_A_DAY_ON = ("controller_day", "day_state", "wear")


def refresh_facts(store: Store, as_of: datetime | None = None, progress: Progress | None = None) -> int:
    """Compute all facts of dirty site-days and of the days that depend on them.

    as_of: logs from this instant [naive UTC] on are left out. Returns the number of site-days computed.
    """
    with store.reading() as session:
        dirty = session.frame("SELECT DISTINCT site_id, local_date FROM dirty_day ORDER BY ALL")
        zones = session.frame(
            """
            SELECT site_id, timezone, latitude, longitude FROM site
            QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY valid_from DESC NULLS LAST) = 1
            ORDER BY site_id
            """
        )
    dirty = dirty.join(zones, on="site_id", how="semi")
    done = 0
    for sites in _buckets(dirty):
        part = dirty.filter(pl.col("site_id").is_in(sites))
        with store.writing() as session:
            bucket = Bucket(session, zones.filter(pl.col("site_id").is_in(sites)), part, as_of)
            done += _refresh_bucket(bucket)
        if progress:
            progress(done, len(dirty))
    return done


def _buckets(dirty: pl.DataFrame) -> Iterator[list[str]]:
    """Lists of sites, each of so many dirty days that one bucket's samples fit in memory."""
    sites: list[str] = []
    days = 0
    for site, count in dirty.group_by("site_id", maintain_order=True).len().iter_rows():
        if sites and days + count > SITE_DAYS_A_BUCKET:
            yield sites
            sites, days = [], 0
        sites.append(site)
        days += count
    if sites:
        yield sites


def _refresh_bucket(bucket: Bucket) -> int:
    session = bucket.session
    spans = look(bucket)
    changed = pl.concat([bucket.dirty, days_of_span(spans), days_before_meter_gaps(bucket)]).unique()
    living = changed.join(spans.drop_nulls("first_date"), on="site_id", how="semi")
    days = bucket.dirty.clear()
    if not living.is_empty():
        read_events(bucket, spans, living)
        days = wanted(bucket, living)
        read_samples(bucket, days)
    _forget(session, pl.concat([changed, days.select("site_id", "local_date")]).unique())
    _forget_sites(session, spans.filter(pl.col("first_date").is_null()))
    if not days.is_empty():
        _write(bucket, days)
    session.run(
        "DELETE FROM dirty_day USING look_day l WHERE dirty_day.site_id = l.site_id AND dirty_day.local_date = l.local_date"
    )
    session.run(
        """
        INSERT INTO unjudged_day
        SELECT DISTINCT site_id, local_date FROM touched_day
        ANTI JOIN unjudged_day USING (site_id, local_date)
        """
    )
    return len(days)


def _forget(session: Session, touched: pl.DataFrame) -> None:
    """Remove the facts of days that are computed anew or lie outside the site's logs now."""
    session.temporary("touched_day", touched)
    for name in BY_DAY:
        session.run(
            f'DELETE FROM "{name}" USING touched_day t WHERE "{name}".site_id = t.site_id AND "{name}".local_date = t.local_date'  # noqa: S608 - a name
        )


def _forget_sites(session: Session, gone: pl.DataFrame) -> None:
    """Remove what is kept from a day on for sites that have no log row any more."""
    session.temporary("gone_site", gone.select("site_id"))
    for name in ("run", *FROM_A_DAY_ON):
        session.run(f'DELETE FROM "{name}" WHERE site_id IN (SELECT site_id FROM gone_site)')  # noqa: S608 - a name


def _write(bucket: Bucket, days: pl.DataFrame) -> None:
    session = bucket.session
    session.run(
        """
        DELETE FROM run USING bucket_site b
        WHERE run.site_id = b.site_id
            AND (run.start >= b.events_from_ts OR (run.circuit_id, run.start) IN (SELECT (circuit_id, start) FROM new_run))
        """
    )
    _insert(bucket, "run")
    _insert(bucket, "controller_day", replace_from="events_from")
    session.run(
        "DELETE FROM day_state USING bucket_site b WHERE day_state.site_id = b.site_id AND day_state.local_date >= b.events_from"
    )
    session.run("INSERT INTO day_state BY NAME SELECT * FROM new_state")
    for name in BY_DAY:
        _insert(bucket, name)
    _explain(bucket, days)
    judge_checks(session)
    _write_wear(bucket, days)


def _insert(bucket: Bucket, name: str, replace_from: str | None = None) -> None:
    session = bucket.session
    sql = fact(name)
    columns = ", ".join(f'"{column}"' for column in BY_NAME[name].names())
    session.run(f'CREATE OR REPLACE TEMP TABLE "made" AS {sql}', bucket.bound(sql))
    if replace_from:
        session.run(
            f'DELETE FROM "{name}" USING bucket_site b WHERE "{name}".site_id = b.site_id AND "{name}".local_date >= b.{replace_from}'  # noqa: S608
        )
    session.run(f'INSERT INTO "{name}" ({columns}) SELECT {columns} FROM made')  # noqa: S608 - names


def _explain(bucket: Bucket, days: pl.DataFrame) -> None:
    """Cause of the dips of every day whose clear-sky envelope may have moved."""
    session = bucket.session
    session.temporary("asked_day", days.select("site_id", "local_date"))
    starts = session.frame(
        """
        SELECT s.site_id, s.circuit_id, s.local_date, s.start, s.before_ts, s.dip_ts, s.dip_end_ts, s.d_pv_w, s.d_base_w
        FROM surplus_start s
        WHERE s.dip_ts IS NOT NULL AND s.before_ts IS NOT NULL AND EXISTS (
            SELECT 1 FROM asked_day f
            WHERE f.site_id = s.site_id AND s.local_date BETWEEN f.local_date AND f.local_date + $lookback
        )
        ORDER BY s.circuit_id, s.start
        """,
        {"lookback": LOOKBACK_DAYS},
    )
    found = explain_dips(session, starts, bucket.zones.select("site_id", "latitude", "longitude"))
    session.temporary("cause", found)
    session.run(
        """
        UPDATE surplus_start SET d_clear_w = c.d_clear_w, why = c.why FROM cause c
        WHERE surplus_start.circuit_id = c.circuit_id AND surplus_start.start = c.start
        """
    )


def _write_wear(bucket: Bucket, days: pl.DataFrame) -> None:
    session = bucket.session
    session.temporary(
        "wear_from", days.group_by("site_id").agg(pl.col("local_date").min().alias("wear_from"))
    )
    session.run(
        "CREATE OR REPLACE TEMP TABLE bucket_site AS SELECT b.*, w.wear_from FROM bucket_site b JOIN wear_from w USING (site_id)"
    )
    counted = session.frame(fact("wear"), {"exponent": WEAR_EXPONENT})
    daily = session.frame(
        """
        SELECT c.circuit_id, c.local_date, c.starts
        FROM circuit_day c
        JOIN bucket_site b ON b.site_id = c.site_id AND c.local_date >= b.wear_from - $within
        JOIN coverage v ON v.site_id = c.site_id AND v.local_date = c.local_date
        WHERE v.covered_s >= 0.8 * v.day_s
        """,
        {"within": WITHIN_DAYS},
    )
    session.run(
        "DELETE FROM wear USING bucket_site b WHERE wear.site_id = b.site_id AND wear.local_date >= b.wear_from"
    )
    session.put("wear", projected(counted, daily).sort("circuit_id", "local_date"))
