"""Brings the facts up to date with the logs: dirty days and what depends on them, bucket by bucket.

One bucket is one transaction that computes facts, removes the marks of its days and marks the same days for
the rules. Whatever the order in which logs came in, the facts equal those of one computation from nothing.
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
from coilbook.analytics.facts_writer import forget, forget_sites, write
from coilbook.ingest.store import Store

Progress = Callable[[int, int], None]

SITE_DAYS_A_BUCKET = 1500


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
    forget(session, pl.concat([changed, days.select("site_id", "local_date")]).unique())
    forget_sites(session, spans.filter(pl.col("first_date").is_null()))
    if not days.is_empty():
        write(bucket, days)
    session.run(
        "DELETE FROM dirty_day WHERE (site_id, local_date) IN (SELECT (site_id, local_date) FROM look_day)"
    )
    session.run(
        """
        INSERT INTO unjudged_day
        SELECT DISTINCT site_id, local_date FROM touched_day
        ANTI JOIN unjudged_day USING (site_id, local_date)
        """
    )
    return len(days)
