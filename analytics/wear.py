"""From closings to dates: how fast a contactor wears, and when it will have used 80 and 100 % of its life.

The rate is the mean of the closings of the last 28 covered days of the day and the 31 before it. Its 90 %
interval comes from resampling those days in blocks of 7 (a circular moving-block bootstrap, Politis &
Romano 1992, so that weekly habits stay together), with one fixed set of draws for each number of days:
the same facts give the same interval.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]

RATE_DAYS = 28
WITHIN_DAYS = 31
BLOCK_DAYS = 7
RESAMPLES = 400
LOW_PLACE, HIGH_PLACE = 19, 380  # nearest ranks of the 5 and 95 % points of 400, from 0
SEED = 28
DATES_A_CIRCUIT = 1_000_000
FARTHEST_DAYS = 36_525


@lru_cache(maxsize=RATE_DAYS)
def _draw_counts(days: int) -> Floats:
    """How often each of `days` days is drawn in each resample [RESAMPLES, days]; every row sums to `days`."""
    generator = np.random.default_rng(SEED + days)
    blocks = -(-days // BLOCK_DAYS)
    first = generator.integers(0, days, size=(RESAMPLES, blocks, 1))
    drawn = ((first + np.arange(BLOCK_DAYS)) % days).reshape(RESAMPLES, -1)[:, :days]
    counts = np.zeros((RESAMPLES, days))
    np.add.at(counts, (np.arange(RESAMPLES)[:, None], drawn), 1)
    return counts


def _keys(frame: pl.DataFrame, codes: pl.DataFrame) -> npt.NDArray[np.int64]:
    """One number for each (circuit_id, local_date), rising with the date within a circuit."""
    coded = frame.join(codes, on="circuit_id", maintain_order="left")
    return (
        coded.select(pl.col("code") * DATES_A_CIRCUIT + pl.col("local_date").to_physical())
        .to_series()
        .to_numpy()
    )


def rates(daily: pl.DataFrame, asked: pl.DataFrame) -> pl.DataFrame:
    """Operations a day with a 90 % interval.

    daily: circuit_id, local_date, starts of covered days; asked: circuit_id, local_date. Returns asked
    with rate_days [d], ops_per_day, ops_per_day_low, ops_per_day_high [operations/d]; null where no day
    is covered.
    """
    codes = asked.select(pl.col("circuit_id").unique().sort()).with_row_index("code").cast({"code": pl.Int64})
    known = daily.join(codes, on="circuit_id", how="semi").sort("circuit_id", "local_date")
    starts = known["starts"].to_numpy().astype(np.float64)
    have, want = _keys(known, codes), _keys(asked, codes)
    last = np.searchsorted(have, want, side="right")
    first = np.maximum(np.searchsorted(have, want - WITHIN_DAYS, side="left"), last - RATE_DAYS)
    counts = last - first
    out = np.full((len(want), 3), np.nan)
    for days in np.unique(counts[counts > 0]):
        rows = np.flatnonzero(counts == days)
        closings = starts[first[rows][:, None] + np.arange(days)]
        means = closings @ _draw_counts(int(days)).T / days
        means.partition((LOW_PLACE, HIGH_PLACE), axis=1)
        out[rows] = np.column_stack([closings.sum(axis=1) / days, means[:, LOW_PLACE], means[:, HIGH_PLACE]])
    return asked.with_columns(
        pl.Series("rate_days", counts),
        *(
            pl.Series(name, out[:, column], nan_to_null=True)
            for column, name in enumerate(("ops_per_day", "ops_per_day_low", "ops_per_day_high"))
        ),
    )


def _date_of(share: float, rate: str) -> pl.Expr:
    """Date on which the greater of both wears reaches `share` at `rate`; the day itself where it has."""
    left = [
        (share - pl.col(used)) * pl.col(life) / pl.col(rate)
        for used, life in (("mech_used", "mech_life_ops"), ("elec_used", "elec_life"))
    ]
    days = pl.max_horizontal(pl.min_horizontal(*left).ceil(), 0.0)
    reached = pl.col("used") >= share
    return (
        pl.when(reached)
        .then(pl.col("local_date"))
        .when(pl.col("used").is_not_null() & (pl.col(rate) > 0) & (days <= FARTHEST_DAYS))
        .then(pl.col("local_date") + pl.duration(days=days.fill_nan(0).clip(0, FARTHEST_DAYS).cast(pl.Int64)))
    )


def projected(counted: pl.DataFrame, daily: pl.DataFrame) -> pl.DataFrame:
    """Rows of the `wear` fact.

    counted: result of wear.sql; daily: closings of covered days (see `rates`). A date is null where no
    life figure is known, where nothing closes, or where it lies more than a century ahead.
    """
    rated = counted.join(
        rates(daily, counted.select("circuit_id", "local_date")),
        on=["circuit_id", "local_date"],
        maintain_order="left",
    )
    dates = [
        _date_of(share, rate).alias(f"date_{name}{suffix}")
        for share, name in ((0.8, "80"), (1.0, "100"))
        for rate, suffix in (
            ("ops_per_day", ""),
            ("ops_per_day_high", "_early"),
            ("ops_per_day_low", "_late"),
        )
    ]
    return rated.with_columns(*dates).drop("mech_life_ops", "elec_life")
