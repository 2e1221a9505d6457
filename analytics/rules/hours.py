"""Overlap of two sets of weekly hours, such as a run window and a lockout."""

from __future__ import annotations

import polars as pl

WEEK_MIN = 7 * 1440
MINE = ["days", "start_min", "end_min"]
OTHER = [f"other_{name}" for name in MINE]


def weekly_overlap(pairs: pl.DataFrame) -> pl.DataFrame:
    """`pairs` with three columns more.

    `pairs` has days [bits, 1 = Monday], start_min, end_min [minutes of the wall day] and the same with
    `other_` before them. Added: `week_min`, minutes of one's own hours in a week; `shared_min`, those of them
    that lie in the other's hours; `inside`, whether any one occurrence lies wholly inside one of the other's.
    """
    weekdays = pl.DataFrame({"day": range(7)}, schema={"day": pl.Int32})
    other_weekdays = weekdays.rename({"day": "other_day"})
    weeks = pl.DataFrame({"week": [-WEEK_MIN, 0, WEEK_MIN]}, schema={"week": pl.Int32})
    c = pl.col
    begin, end = c("day") * 1440 + c("start_min"), c("day") * 1440 + c("end_min")
    other = c("other_day") * 1440 + c("week")
    distinct = pairs.select(*MINE, *OTHER).unique()
    met = (
        distinct.join(weekdays, how="cross")
        .filter((c("days") // 2 ** c("day")) % 2 == 1)
        .join(other_weekdays, how="cross")
        .filter((c("other_days") // 2 ** c("other_day")) % 2 == 1)
        .join(weeks, how="cross")
        .with_columns(
            both=pl.min_horizontal(end, other + c("other_end_min"))
            - pl.max_horizontal(begin, other + c("other_start_min"))
        )
        .filter(c("both") > 0)
        .group_by(*MINE, *OTHER)
        .agg(shared_min=c("both").sum(), longest=c("both").max())
    )
    return (
        pairs.join(met, on=[*MINE, *OTHER], how="left")
        .with_columns(
            week_min=(c("end_min") - c("start_min")) * c("days").bitwise_count_ones(),
            shared_min=c("shared_min").fill_null(0),
            inside=(c("longest") == c("end_min") - c("start_min")).fill_null(value=False),
        )
        .drop("longest")
    )
