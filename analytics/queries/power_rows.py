"""Power of a site for a timeline: its samples, or for long ranges parts of days from the facts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl
from coilbook.analytics.queries.own_power import own_power
from coilbook.ingest.local_time import midnight
from coilbook.ingest.store import Session

SERIES = ("pv", "house", "surplus")
PART_S = 7200.0
"""Length of a part of a day in the fact `power_part` [s]."""

HOLE_AFTER = 3
"""A sample covers at most this many intervals."""

DAY_BEFORE = timedelta(days=1)

SAMPLES = """
SELECT
    ts, pv_w,
    coalesce(house_w, pv_w + grid_w + coalesce(battery_w, 0)) AS house_w,
    coalesce(battery_w, 0) AS battery_w,
    coalesce(islanded, false) AS islanded
FROM power_log
WHERE site_id = $site_id AND ts >= $first AND ts < $stop
ORDER BY ts
"""

INTERVALS = """
SELECT local_date, interval_s FROM coverage
WHERE site_id = $site_id AND local_date BETWEEN $first::DATE - 2 AND $stop::DATE + 2
ORDER BY local_date
"""

PARTS = """
SELECT * EXCLUDE (site_id, start, "end", rest_s, rest_w), start AS ts, "end" AS stop FROM power_part
WHERE site_id = $site_id AND "end" > $first AND start < $stop
    AND local_date BETWEEN $first::DATE - 2 AND $stop::DATE + 2
    AND local_date NOT IN (SELECT local_date FROM dirty_day WHERE site_id = $site_id)
ORDER BY ts
"""

DAYS_BY_SAMPLES = """
SELECT local_date FROM (
    SELECT local_date FROM coverage WHERE site_id = $site_id AND samples IS DISTINCT FROM 0
        AND local_date NOT IN (SELECT local_date FROM power_part WHERE site_id = $site_id)
    UNION SELECT local_date FROM dirty_day WHERE site_id = $site_id
)
WHERE local_date BETWEEN $first::DATE - 2 AND $stop::DATE + 2
ORDER BY local_date
"""

ISLANDS = """
SELECT start AS ts, "end" AS stop FROM island
WHERE site_id = $site_id AND "end" > $first AND start < $stop
    AND local_date NOT IN (SELECT unnest($others::DATE[]))
ORDER BY ts
"""


@dataclass(frozen=True)
class PowerRows:
    """Rows sorted by `ts`: `ts, stop, samples`, and of pv, house and surplus `…_w, …_min_w, …_max_w` [W].

    A row is a sample, or a part of a day. `islanded`: `ts, stop` of samples or stretches in an island.
    """

    rows: pl.DataFrame
    islanded: pl.DataFrame


def power_rows(
    session: Session,
    site_id: str,
    zone: str,
    first: datetime,
    stop: datetime,
    runs: pl.DataFrame,
    circuits: pl.DataFrame,
    *,
    in_parts: bool,
) -> PowerRows:
    """What covers any of `[first, stop)` [naive UTC]; `in_parts`: by parts of days where there are any.

    Days loaded since the last review, and those of stores from before parts were kept, come by their samples.
    """
    values = {"site_id": site_id, "first": first, "stop": stop}
    if not in_parts:
        return _by_sample(session, values, zone, runs, circuits)
    days = session.frame(DAYS_BY_SAMPLES, values)["local_date"].to_list()
    others = [_of_days(session, values, zone, runs, circuits, days)] if days else []
    parts = session.frame(PARTS, values).drop("local_date")
    islands = session.frame(ISLANDS, {**values, "others": days})
    return PowerRows(
        pl.concat([parts, *(other.rows.select(parts.columns) for other in others)]).sort("ts"),
        pl.concat([islands, *(other.islanded for other in others)]).sort("ts"),
    )


def _of_days(
    session: Session,
    values: Mapping[str, object],
    zone: str,
    runs: pl.DataFrame,
    circuits: pl.DataFrame,
    days: list[date],
) -> PowerRows:
    """The samples that begin in some local days."""
    first, stop = values["first"], values["stop"]
    assert isinstance(first, datetime)
    assert isinstance(stop, datetime)
    begin, end = midnight(zone, days[0]), midnight(zone, days[-1] + timedelta(days=1))
    if max(first, begin) >= min(stop, end):
        begin, end = first, first
    found = _by_sample(
        session, {**values, "first": max(first, begin), "stop": min(stop, end)}, zone, runs, circuits
    )
    wanted = pl.col("ts").dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.date().is_in(days)
    return PowerRows(found.rows.filter(wanted), found.islanded.filter(wanted))


def _by_sample(
    session: Session, values: Mapping[str, object], zone: str, runs: pl.DataFrame, circuits: pl.DataFrame
) -> PowerRows:
    samples = _samples(session, values, zone)
    own = pl.Series(own_power(session, str(values["site_id"]), samples, runs, circuits))
    drawn = pl.min_horizontal(own, pl.col("house_w").clip(0))
    surplus = pl.col("pv_w") + pl.col("battery_w") - pl.col("house_w") + drawn
    told = samples.with_columns(surplus.alias("surplus_w"))
    edges = [pl.col(f"{name}_w").alias(f"{name}_{edge}_w") for name in SERIES for edge in ("min", "max")]
    return PowerRows(
        told.select("ts", "stop", pl.lit(1, pl.Int64).alias("samples"), *(f"{n}_w" for n in SERIES), *edges),
        samples.filter("islanded").select("ts", "stop"),
    )


def _samples(session: Session, values: Mapping[str, object], zone: str) -> pl.DataFrame:
    """Samples of the range, each with the end of what it covers in `stop`; one day more on either side."""
    first, stop = values["first"], values["stop"]
    assert isinstance(first, datetime)
    assert isinstance(stop, datetime)
    wide = {**values, "first": first - DAY_BEFORE, "stop": stop + DAY_BEFORE}
    samples = session.frame(SAMPLES, wide)
    days = session.frame(INTERVALS, values)
    begins = pl.Series("ts", [midnight(zone, day) for day in days["local_date"]], pl.Datetime("us"))
    intervals = days.select(begins, "interval_s").sort("ts")
    reach = pl.duration(microseconds=(pl.col("interval_s") * 1e6 * HOLE_AFTER).cast(pl.Int64))
    last = pl.duration(microseconds=(pl.col("interval_s") * 1e6).cast(pl.Int64))
    following = pl.col("ts").shift(-1)
    cover = pl.when(following.is_null()).then(pl.col("ts") + last)
    return (
        samples.sort("ts")
        .join_asof(intervals, on="ts", strategy="backward")
        .with_columns(pl.col("interval_s").fill_null(strategy="backward").fill_null(0.0))
        .with_columns(cover.otherwise(pl.min_horizontal(following, pl.col("ts") + reach)).alias("stop"))
        .filter((pl.col("stop") > first) & (pl.col("ts") < stop))
    )
