"""What a site would generate under a clear sky, and the cause of a dip in its surplus.

Sun position and clear-sky irradiance are pvlib's: Spencer's series for declination and equation of time
(zenith within 0.3 deg of the SPA) and Haurwitz's model of global irradiance, which needs the zenith alone
and is among the better of its kind (Reno, Hansen & Stein 2012, SAND2012-2389). The model is scaled to a
site by the upper envelope of the site's own generation, half hour by half hour of the UTC day, over the
local day and the 30 before it. So the roof's tilt and shade are in the scale and not in the model.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import polars as pl
import pvlib
from coilbook.ingest.store import Session

Floats = npt.NDArray[np.float64]

HALF_HOURS = 48
LOOKBACK_DAYS = 30
MICROSECONDS_A_DAY = 86_400_000_000
HALF_HOUR_US = MICROSECONDS_A_DAY // HALF_HOURS


def irradiance(times: npt.NDArray[np.datetime64], latitude: Floats, longitude: Floats) -> Floats:
    """Clear-sky global irradiance [W/m2] at UTC instants and places [deg], arrays of one length.

    Each value depends on its own instant and place alone, whatever else is asked for at the same time.
    """
    if len(times) == 0:
        return np.zeros(0)
    index = pd.DatetimeIndex(times)
    day = index.dayofyear.to_numpy() + (index - index.normalize()).total_seconds().to_numpy() / 86_400
    hour_angle = pvlib.solarposition.hour_angle(
        index.tz_localize("UTC"), longitude, pvlib.solarposition.equation_of_time_spencer71(day)
    )
    zenith = pvlib.solarposition.solar_zenith_analytical(
        np.radians(latitude), np.radians(hour_angle), pvlib.solarposition.declination_spencer71(day)
    )
    return np.asarray(
        pvlib.clearsky.haurwitz(pd.Series(np.degrees(zenith)))["ghi"].to_numpy(), dtype=np.float64
    )


def sky_grid(days: pl.DataFrame, places: pl.DataFrame) -> pl.DataFrame:
    """Irradiance at the middle of each half hour of the UTC clock that touches the days given.

    days: site_id, start_ts, end_ts; places: site_id, latitude, longitude [deg]. Sites without a place are
    left out. Returns site_id, half_ts, ghi_wm2 [W/m2].
    """
    placed = days.join(places.drop_nulls(), on="site_id")
    grid = (
        placed.select(
            "site_id",
            "latitude",
            "longitude",
            pl.datetime_ranges(pl.col("start_ts").dt.truncate("30m"), "end_ts", "30m", closed="left").alias(
                "half_ts"
            ),
        )
        .explode("half_ts", empty_as_null=False, keep_nulls=False)
        .unique(["site_id", "half_ts"])
    )
    times = grid.select(pl.col("half_ts").dt.offset_by("15m"))["half_ts"].to_numpy()
    ghi = irradiance(times, grid["latitude"].to_numpy(), grid["longitude"].to_numpy())
    return grid.select("site_id", pl.col("half_ts").cast(pl.Datetime("us")), pl.Series("ghi_wm2", ghi))


def _filled(scale: Floats) -> Floats:
    """Rows of 48 half hours; gaps take the nearest half hour of the row that has a value."""
    out = scale.copy()
    for step in range(1, HALF_HOURS // 2 + 1):
        for shift in (step, -step):
            missing = np.isnan(out)
            if not missing.any():
                return out
            out = np.where(missing, np.roll(scale, shift, axis=1), out)
    return out


def _interpolated(rows: Floats, times: npt.NDArray[np.datetime64]) -> Floats:
    """Value at each time of its row of 48 half hours [n, 48], linear between the middles of half hours."""
    clock = times.astype("datetime64[us]").astype(np.int64) % MICROSECONDS_A_DAY
    place = (clock - HALF_HOUR_US / 2) / HALF_HOUR_US
    low = np.floor(place).astype(np.int64)
    share = place - low
    index = np.arange(len(rows))
    left, right = rows[index, low % HALF_HOURS], rows[index, (low + 1) % HALF_HOURS]
    return np.asarray(left * (1 - share) + right * share)


def _upper(envelopes: pl.DataFrame, asked: pl.DataFrame, column: str) -> Floats:
    """For each asked (site_id, local_date): the greatest over the day and the 30 before it [n, 48]."""
    stacked: dict[str, tuple[npt.NDArray[np.int64], Floats]] = {}
    for (site,), part in envelopes.group_by(["site_id"]):
        part = part.sort("local_date")
        values = np.array(part[column].to_list(), dtype=np.float64).reshape(-1, HALF_HOURS)
        stacked[str(site)] = (part["local_date"].to_physical().to_numpy().astype(np.int64), values)
    result = np.full((len(asked), HALF_HOURS), np.nan)
    days = asked["local_date"].to_physical().to_numpy()
    for row, (site, day) in enumerate(zip(asked["site_id"], days, strict=True)):
        if site not in stacked:
            continue
        dates, values = stacked[site]
        first, last = np.searchsorted(dates, [day - LOOKBACK_DAYS, day + 1])
        if last > first:
            result[row] = np.fmax.reduce(values[first:last], axis=0)
    return result


def expectation(
    envelopes: pl.DataFrame, places: pl.DataFrame, asked: pl.DataFrame, times: npt.NDArray[np.datetime64]
) -> Floats:
    """Generation [W] expected under a clear sky; NaN where nothing is known.

    envelopes: the `pv_envelope` fact; places: site_id, latitude, longitude [deg]; asked: site_id,
    local_date, one row a time. Without a place the envelope alone serves.
    """
    if asked.is_empty():
        return np.zeros(0)
    where = asked.select("site_id").join(places, on="site_id", how="left", maintain_order="left")
    latitude = where["latitude"].cast(pl.Float64).to_numpy().astype(np.float64)
    longitude = where["longitude"].cast(pl.Float64).to_numpy().astype(np.float64)
    placed = ~(np.isnan(latitude) | np.isnan(longitude))
    ghi = np.zeros(len(asked))
    ghi[placed] = irradiance(times[placed], latitude[placed], longitude[placed])
    scaled = _interpolated(_filled(_upper(envelopes, asked, "ratio")), times) * ghi
    alone = _interpolated(np.nan_to_num(_upper(envelopes, asked, "peak_w")), times)
    return np.where(placed, scaled, alone)


def explain_dips(session: Session, starts: pl.DataFrame, places: pl.DataFrame) -> pl.DataFrame:
    """d_clear_w [W] and why of surplus starts with a dip.

    starts: site_id, circuit_id, local_date, start, before_ts, dip_ts, dip_end_ts, d_pv_w, d_base_w. Returns
    circuit_id, start, d_clear_w, why; 4-facts.md, `surplus_start`.
    """
    if starts.is_empty():
        return pl.DataFrame(
            schema={
                "circuit_id": pl.String,
                "start": pl.Datetime("us"),
                "d_clear_w": pl.Float64,
                "why": pl.String,
            }
        )
    envelopes = session.frame(
        """
        SELECT e.site_id, e.local_date, e.peak_w, e.ratio
        FROM pv_envelope e
        WHERE e.local_date BETWEEN $first AND $last AND e.site_id IN (SELECT unnest($sites))
        """,
        {
            "first": starts["local_date"].dt.offset_by(f"-{LOOKBACK_DAYS}d").min(),
            "last": starts["local_date"].max(),
            "sites": starts["site_id"].unique().to_list(),
        },
    )
    before = starts["before_ts"].to_numpy()
    middle = starts.select(pl.col("dip_ts") + (pl.col("dip_end_ts") - pl.col("dip_ts")) / 2)[
        "dip_ts"
    ].to_numpy()
    fall = expectation(envelopes, places, starts, before) - expectation(envelopes, places, starts, middle)
    d_clear = pl.Series("d_clear_w", fall, nan_to_null=True)
    return (
        starts.with_columns(d_clear)
        .with_columns(known=pl.col("d_clear_w").fill_null(0.0), d_pv=pl.col("d_pv_w"))
        .select(
            "circuit_id",
            "start",
            "d_clear_w",
            pl.when((pl.col("d_pv") > 0) & (pl.col("known") >= pl.col("d_pv") / 2))
            .then(pl.lit("sunset"))
            .when(
                (pl.col("d_pv") > 0)
                & (pl.col("d_pv") - pl.col("known") >= pl.max_horizontal(0.0, "d_base_w"))
            )
            .then(pl.lit("cloud"))
            .otherwise(pl.lit("house"))
            .alias("why"),
        )
    )
