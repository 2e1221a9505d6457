"""A site's timeline over any range: switching, windows, dips, islanding and holes, over its power.

Power comes down to a number of bins that a screen can show, each keeping its least and greatest sample, so
that no peak is lost. The surplus is that of the whole site: what would flow out were its switched circuits
off and the battery to go on as it does. Circuits count with their rated power while closed, but with no more
than the house draws: an EV that is full draws nothing though its contactor stays closed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from coilbook.analytics.queries.own_power import own_power
from coilbook.ingest.errors import InputError
from coilbook.ingest.local_time import midnight
from coilbook.ingest.store import Session

SERIES = ("pv", "house", "surplus")
HOLE_AFTER = 3
"""A sample covers at most this many intervals."""

DAY_BEFORE = timedelta(days=1)

POWER = """
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

RUNS = """
SELECT circuit_id, start, coalesce("end", start + to_microseconds((duration_s * 1e6)::BIGINT)) AS stop,
    "end" IS NULL AS open, cause_on, cause_off
FROM run
WHERE site_id = $site_id AND start < $stop
    AND coalesce("end", start + to_microseconds((duration_s * 1e6)::BIGINT)) >= $first
ORDER BY circuit_id, start
"""

WINDOWS = """
SELECT circuit_id, window_id, 'run' AS kind, start_ts, end_ts, verdict, on_s, need_s FROM window_result
WHERE site_id = $site_id AND start_ts < $stop AND end_ts > $first
UNION ALL
SELECT circuit_id, window_id, 'lockout', start_ts, end_ts,
    CASE WHEN on_s > 0 THEN 'ran' WHEN hand_s > 0 THEN 'hand' ELSE 'kept' END, on_s, NULL
FROM lockout_result
WHERE site_id = $site_id AND start_ts < $stop AND end_ts > $first
ORDER BY circuit_id, start_ts
"""

DIPS = """
SELECT circuit_id, dip_ts, dip_end_ts, why FROM surplus_start
WHERE site_id = $site_id AND dip_ts < $stop AND dip_end_ts > $first
ORDER BY circuit_id, dip_ts
"""

SITE = """
SELECT timezone FROM site WHERE site_id = $site_id ORDER BY valid_from DESC NULLS LAST LIMIT 1
"""

KIT = """
SELECT circuit_id, appliance, rated_w FROM circuit WHERE site_id = $site_id
QUALIFY row_number() OVER (PARTITION BY circuit_id ORDER BY valid_from DESC NULLS LAST) = 1
ORDER BY circuit_id
"""

HORIZON = """
SELECT max(horizon) FROM review
"""


@dataclass(frozen=True)
class Timeline:
    """What `[start, end)` [naive UTC] holds; instants in the frames are naive UTC too.

    `circuits`: `circuit_id, appliance, rated_w`. `runs`: `circuit_id, start, stop, open, cause_on, cause_off,
    runs, on_s`; where the range is long, runs of one cause less than a bin apart are one row. `windows`:
    `circuit_id, window_id, kind, start_ts, end_ts, verdict, on_s, need_s`. `dips`: `circuit_id, dip_ts,
    dip_end_ts, why`. `islands` and `holes`: `start, stop`. `power`: `ts, stop, samples`, and for each of pv,
    house and surplus `…_w` (mean), `…_min_w`, `…_max_w` [W].
    """

    site_id: str
    timezone: str
    start: datetime
    end: datetime
    bin_s: float
    circuits: pl.DataFrame
    runs: pl.DataFrame
    windows: pl.DataFrame
    dips: pl.DataFrame
    islands: pl.DataFrame
    holes: pl.DataFrame
    power: pl.DataFrame


def timeline(session: Session, site_id: str, start: datetime, end: datetime, points: int = 1500) -> Timeline:
    """The timeline of `[start, end)` with at most `points` power bins.

    Raises `InputError` for an unknown site or an empty range.
    """
    if end <= start:
        raise InputError(f"timeline of {site_id}: the range ends at {end} but begins at {start}")
    home = session.one(SITE, {"site_id": site_id})
    if home is None:
        raise InputError(f"site {site_id!r} is not in the registry")
    values = {"site_id": site_id, "first": start, "stop": end}
    circuits = session.frame(KIT, {"site_id": site_id})
    runs = session.frame(RUNS, values)
    samples = _samples(session, values, home[0])
    width = max(1.0, (end - start).total_seconds() / points)
    known = session.one(HORIZON)
    horizon = known[0] if known and known[0] else end
    return Timeline(
        site_id,
        home[0],
        start,
        end,
        width,
        circuits,
        _merged(runs, width),
        session.frame(WINDOWS, values),
        session.frame(DIPS, values),
        _islands(samples),
        _holes(samples, start, min(end, horizon)),
        _binned(_with_surplus(session, site_id, samples, runs, circuits), start, end, width),
    )


def _samples(session: Session, values: dict[str, object], zone: str) -> pl.DataFrame:
    """Samples of the range, each with the end of what it covers in `stop`; one day more on either side."""
    first, stop = values["first"], values["stop"]
    assert isinstance(first, datetime)
    assert isinstance(stop, datetime)
    wide = {**values, "first": first - DAY_BEFORE, "stop": stop + DAY_BEFORE}
    samples = session.frame(POWER, wide)
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


def _with_surplus(
    session: Session, site_id: str, samples: pl.DataFrame, runs: pl.DataFrame, circuits: pl.DataFrame
) -> pl.DataFrame:
    own = pl.Series(own_power(session, site_id, samples, runs, circuits))
    drawn = pl.min_horizontal(own, pl.col("house_w").clip(0))
    return samples.with_columns(
        (pl.col("pv_w") + pl.col("battery_w") - pl.col("house_w") + drawn).alias("surplus_w")
    )


def _binned(samples: pl.DataFrame, start: datetime, end: datetime, width: float) -> pl.DataFrame:
    bin_us = int(width * 1e6)
    place = ((pl.col("ts") - start).dt.total_microseconds().clip(0) // bin_us).alias("_bin")
    peaks = [
        expr
        for name in SERIES
        for expr in (
            pl.col(f"{name}_w").mean().alias(f"{name}_w"),
            pl.col(f"{name}_w").min().alias(f"{name}_min_w"),
            pl.col(f"{name}_w").max().alias(f"{name}_max_w"),
        )
    ]
    return (
        samples.group_by(place)
        .agg(
            pl.col("ts").min().clip(start).alias("ts"),
            pl.col("stop").max().clip(upper_bound=end).alias("stop"),
            pl.len().alias("samples"),
            *peaks,
        )
        .sort("ts")
        .drop("_bin")
    )


def _merged(runs: pl.DataFrame, width: float) -> pl.DataFrame:
    """Runs of one circuit and cause that stand less than a bin apart, as one row."""
    same = (pl.col("cause_on").eq_missing(pl.col("cause_on").shift(1))) & (
        pl.col("start") - pl.col("stop").shift(1) < pl.duration(microseconds=int(width * 1e6))
    )
    return (
        runs.with_columns(
            (~same).fill_null(True).cum_sum().over("circuit_id", order_by="start").alias("_run")
        )
        .group_by("circuit_id", "_run", maintain_order=True)
        .agg(
            pl.col("start").first(),
            pl.col("stop").last(),
            pl.col("open").last(),
            pl.col("cause_on").first(),
            pl.col("cause_off").last(),
            pl.len().alias("runs"),
            (pl.col("stop") - pl.col("start")).sum().dt.total_milliseconds().truediv(1000).alias("on_s"),
        )
        .drop("_run")
    )


def _islands(samples: pl.DataFrame) -> pl.DataFrame:
    """Stretches of neighbouring islanded samples."""
    fresh = (pl.col("ts") > pl.col("stop").shift(1)) | (pl.col("islanded") != pl.col("islanded").shift(1))
    return (
        samples.select("ts", "stop", "islanded", fresh.fill_null(True).cum_sum().alias("_stretch"))
        .filter("islanded")
        .group_by("_stretch", maintain_order=True)
        .agg(pl.col("ts").first().alias("start"), pl.col("stop").last())
        .drop("_stretch")
    )


def _holes(samples: pl.DataFrame, start: datetime, end: datetime) -> pl.DataFrame:
    """Stretches of `[start, end)` outside every sample."""
    begins = np.concatenate([[np.datetime64(start, "us")], samples["stop"].to_numpy()])
    ends = np.concatenate([samples["ts"].to_numpy(), [np.datetime64(end, "us")]])
    hole = ends > begins
    return pl.DataFrame({"start": begins[hole], "stop": ends[hole]}).cast(pl.Datetime("us"))
