"""Whether a power log's clock has moved, told by the sun.

The middle of a day's generation lies as far from the sun's own noon as the array's direction and its shade
have it: up to about two hours either way, but alike from one smooth day to the next (`solar_clock`). A
clock that is set, or that follows daylight saving time where its stamps say it does not, moves it all at
once, and it stays moved.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

BACK = 42  # days looked back at [d]
NEWEST, FRESH = 3, 14  # so many smooth days, none of them older [d]
OLDEST, LEAST = 7, 4  # smooth days at the far end of the stretch, and the least of them
STEADY_S = 900.0  # median distance of those from their middle
ALIKE_S = 1200.0  # greatest distance between the newest ones
SMOOTH = 0.9  # `quality` of a day that is one smooth hump


@dataclass(frozen=True)
class Limits:
    """Least jump, and least distance from the sun whatever was before [s]."""

    jump_s: float
    far_s: float


USUAL = Limits(1800.0, 10800.0)
"""For rules that ask only whether power and switching belong together."""


def moved_clocks(solar_clock: pl.DataFrame, days: pl.DataFrame, limits: Limits) -> pl.DataFrame:
    """Of the site-days `days` (site_id, local_date), those on which the clock is seen to have moved.

    Adds clock_s [s, + = late]: the jump from the oldest smooth days of the stretch, else the distance from
    the sun; jumped: whether it is a jump; clock_from, clock_days: date of the first and number of the
    newest smooth days, all of which lie beyond the limit on one side.
    """
    c = pl.col
    key = ["site_id", "local_date"]
    smooth = solar_clock.filter(c("quality") >= SMOOTH).select("site_id", "offset_s", on="local_date")
    age = (c("local_date") - c("on")).dt.total_days()
    seen = days.select(key).join(smooth, on="site_id").filter(age.is_between(0, BACK)).sort(*key, "on")
    newest, before = c("offset_s").tail(NEWEST), c("offset_s").head(c("offset_s").len() - NEWEST).head(OLDEST)
    judged = (
        seen.group_by(key, maintain_order=True)
        .agg(
            newest=newest,
            clock_from=c("on").tail(NEWEST).first(),
            base=before.median(),
            spread=(before - before.median()).abs().median(),
            known=before.len(),
        )
        .filter(
            (c("newest").list.len() == NEWEST)
            & (c("newest").list.max() - c("newest").list.min() <= ALIKE_S)
            & ((c("local_date") - c("clock_from")).dt.total_days() <= FRESH)
        )
    )
    base = pl.when((c("known") >= LEAST) & (c("spread") <= STEADY_S)).then("base")
    low, high = c("newest").list.min(), c("newest").list.max()
    jumped = (low - base >= limits.jump_s) | (high - base <= -limits.jump_s)
    far = (low >= limits.far_s) | (high <= -limits.far_s)
    middle = c("newest").list.median()
    return (
        judged.with_columns(jumped=jumped.fill_null(value=False), far=far, base=base)
        .filter(c("jumped") | c("far"))
        .select(
            *key,
            "jumped",
            "clock_from",
            clock_s=pl.when("jumped").then(middle - c("base")).otherwise(middle),
            clock_days=pl.lit(NEWEST, pl.Int64),
        )
    )
