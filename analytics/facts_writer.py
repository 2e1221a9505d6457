"""Facts of one bucket, computed from its working tables and put in the place of what stood."""

from __future__ import annotations

import polars as pl
from coilbook.analytics.bucket import Bucket
from coilbook.analytics.clear_sky import LOOKBACK_DAYS, explain_dips
from coilbook.analytics.load_checks import judge_checks
from coilbook.analytics.sql_files import fact
from coilbook.analytics.wear import WITHIN_DAYS, projected
from coilbook.ingest.schema import BY_NAME
from coilbook.ingest.store import Session

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
    "power_part",
    "house_rest",  # reads power_part
)
FROM_A_DAY_ON = ("controller_day", "day_state", "wear")


RUNS_READ_ANEW = """
    DELETE FROM run USING bucket_site b
    WHERE run.site_id = b.site_id AND (
        run.start >= b.events_from_ts OR (run.circuit_id, run.start) IN (SELECT (circuit_id, start) FROM
        new_run)
    )
"""

DIPS_TO_EXPLAIN = """
    SELECT
        s.site_id, s.circuit_id, s.local_date, s.start,
        s.before_ts, s.dip_ts, s.dip_end_ts, s.d_pv_w, s.d_base_w
    FROM surplus_start s
    WHERE s.dip_ts IS NOT NULL AND s.before_ts IS NOT NULL AND EXISTS (
        SELECT 1 FROM asked_day f
        WHERE f.site_id = s.site_id AND s.local_date BETWEEN f.local_date AND f.local_date + $lookback
    )
    ORDER BY s.circuit_id, s.start
"""

CAUSES_FOUND = """
    UPDATE surplus_start SET d_clear_w = c.d_clear_w, why = c.why FROM cause c
    WHERE surplus_start.circuit_id = c.circuit_id AND surplus_start.start = c.start
"""

CLOSINGS_OF_COVERED_DAYS = """
    SELECT c.circuit_id, c.local_date, c.starts
    FROM circuit_day c
    JOIN bucket_site b ON b.site_id = c.site_id AND c.local_date >= b.wear_from - $within
    JOIN coverage v ON v.site_id = c.site_id AND v.local_date = c.local_date
    WHERE v.covered_s >= 0.8 * v.day_s
"""


def forget(session: Session, touched: pl.DataFrame) -> None:
    """Remove the facts of days that are computed anew or lie outside the site's logs now."""
    session.temporary("touched_day", touched)
    for name in BY_DAY:
        session.run(
            f'DELETE FROM "{name}" '  # noqa: S608 - a name
            "WHERE (site_id, local_date) IN (SELECT (site_id, local_date) FROM touched_day)"
        )


def forget_sites(session: Session, gone: pl.DataFrame) -> None:
    """Remove what is kept from a day on for sites that have no log row any more."""
    session.temporary("gone_site", gone.select("site_id"))
    for name in ("run", *FROM_A_DAY_ON):
        session.run(f'DELETE FROM "{name}" WHERE site_id IN (SELECT site_id FROM gone_site)')  # noqa: S608 - a name


def write(bucket: Bucket, days: pl.DataFrame) -> None:
    """Compute and store the facts of `days` (wanted_day) from the working tables of `bucket`."""
    session = bucket.session
    session.run(RUNS_READ_ANEW)
    _insert(bucket, "run")
    _insert(bucket, "controller_day", replace_from="events_from")
    _forget_from(session, "day_state", "events_from")
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
        _forget_from(session, name, replace_from)
    session.run(f'INSERT INTO "{name}" ({columns}) SELECT {columns} FROM made')  # noqa: S608 - names


def _forget_from(session: Session, name: str, bound: str) -> None:
    """Remove the bucket's rows of fact `name` from the day in column `bound` of bucket_site on."""
    session.run(
        f'DELETE FROM "{name}" USING bucket_site b '  # noqa: S608 - names
        f'WHERE "{name}".site_id = b.site_id AND "{name}".local_date >= b."{bound}"'
    )


def _explain(bucket: Bucket, days: pl.DataFrame) -> None:
    """Cause of the dips of every day whose clear-sky envelope may have moved."""
    session = bucket.session
    session.temporary("asked_day", days.select("site_id", "local_date"))
    starts = session.frame(
        DIPS_TO_EXPLAIN,
        {"lookback": LOOKBACK_DAYS},
    )
    found = explain_dips(session, starts, bucket.zones.select("site_id", "latitude", "longitude"))
    session.temporary("cause", found)
    session.run(CAUSES_FOUND)


def _write_wear(bucket: Bucket, days: pl.DataFrame) -> None:
    session = bucket.session
    first = days.group_by("site_id").agg(pl.col("local_date").min().alias("wear_from"))
    session.temporary("bucket_site", session.frame("FROM bucket_site").join(first, on="site_id"))
    counted = session.frame(fact("wear"), {"exponent": WEAR_EXPONENT})
    daily = session.frame(
        CLOSINGS_OF_COVERED_DAYS,
        {"within": WITHIN_DAYS},
    )
    _forget_from(session, "wear", "wear_from")
    session.put("wear", projected(counted, daily).sort("circuit_id", "local_date"))
