"""A site's timeline over any range: switching, windows, dips, islanding and holes, over its power.

Power comes down to a number of bins that a screen can show, each keeping its least and greatest sample, so
that no peak is lost. The surplus is that of the whole site: what would flow out were its switched circuits
off and the battery to go on as it does. Circuits count with their rated power while closed, but with no more
than the house draws: an EV that is full draws nothing though its contactor stays closed. Where a bin is two
hours or longer, the parts of days are read that the facts keep of the samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from coilbook.analytics.queries.power_rows import PART_S, SERIES, power_rows
from coilbook.ingest.errors import InputError
from coilbook.ingest.store import Session

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
    width = max(1.0, (end - start).total_seconds() / points)
    power = power_rows(session, site_id, home[0], start, end, runs, circuits, in_parts=width >= PART_S)
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
        _islands(power.islanded),
        _holes(power.rows, start, min(end, horizon)),
        _binned(power.rows, start, end, width),
    )


def _binned(power: pl.DataFrame, start: datetime, end: datetime, width: float) -> pl.DataFrame:
    bin_us = int(width * 1e6)
    place = ((pl.col("ts") - start).dt.total_microseconds().clip(0) // bin_us).alias("_bin")
    return (
        power.group_by(place)
        .agg(
            pl.col("ts").min().clip(start).alias("ts"),
            pl.col("stop").max().clip(upper_bound=end).alias("stop"),
            pl.col("samples").sum(),
            *(_mean(f"{name}_w") for name in SERIES),
            *(pl.col(f"{name}_min_w").min() for name in SERIES),
            *(pl.col(f"{name}_max_w").max() for name in SERIES),
        )
        .sort("ts")
        .drop("_bin")
    )


def _mean(name: str) -> pl.Expr:
    """The mean over samples of a column of means; null where there is none."""
    known = pl.col("samples").filter(pl.col(name).is_not_null()).sum()
    total = (pl.col(name) * pl.col("samples")).sum()
    return pl.when(known > 0).then(total / known).alias(name)


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


def _islands(islanded: pl.DataFrame) -> pl.DataFrame:
    """Stretches of neighbouring rows `ts, stop`."""
    fresh = pl.col("ts") > pl.col("stop").shift(1)
    return (
        islanded.with_columns(fresh.fill_null(True).cum_sum().alias("_stretch"))
        .group_by("_stretch", maintain_order=True)
        .agg(pl.col("ts").first().alias("start"), pl.col("stop").last())
        .drop("_stretch")
    )


def _holes(power: pl.DataFrame, start: datetime, end: datetime) -> pl.DataFrame:
    """Stretches of `[start, end)` outside every row of power; in a part of a day holes are not seen."""
    begins = np.concatenate([[np.datetime64(start, "us")], power["stop"].to_numpy()])
    ends = np.concatenate([power["ts"].to_numpy(), [np.datetime64(end, "us")]])
    hole = ends > begins
    return pl.DataFrame({"start": begins[hole], "stop": ends[hole]}).cast(pl.Datetime("us"))
