"""Contactors that come due, by quarter."""

from __future__ import annotations

from datetime import date

import altair as alt
import polars as pl
from coilbook.dashboards import palette
from coilbook.dashboards.charts.look import AXIS_PX, axis_of
from coilbook.dashboards.phrases import phrase

PANEL_PX = 130
DUE, OVERDUE = palette.SEVERITY["wear"], palette.BEYOND


def contactors_due_data(due: pl.DataFrame) -> pl.DataFrame:
    """`quarter` [its first day], `name` (`2026 Q2`), `due, overdue` [contactors].

    `due` as `analytics.queries.contactors.ContactorPlan.due`; every quarter from the first to the last, and
    eight at least, has a row: an empty quarter is news too.
    """
    if due.is_empty():
        return pl.DataFrame(
            schema={"quarter": pl.Date, "name": pl.String, "due": pl.Int64, "overdue": pl.Int64}
        )
    first, last = due["quarter"].min(), due["quarter"].max()
    assert isinstance(first, date)
    assert isinstance(last, date)
    plan_end = date(first.year + 1, 10, 1) if first.month == 1 else date(first.year + 2, first.month - 3, 1)
    spine = pl.DataFrame({"quarter": pl.date_range(first, max(last, plan_end), "1q", eager=True)})
    counted = due.group_by("quarter").agg(
        (~pl.col("overdue")).sum().alias("due"), pl.col("overdue").sum().alias("overdue")
    )
    return (
        spine.join(counted, on="quarter", how="left")
        .select(
            "quarter",
            quarter_name("quarter").alias("name"),
            pl.col("due", "overdue").fill_null(0).cast(pl.Int64),
        )
        .sort("quarter")
    )


def quarter_name(column: str) -> pl.Expr:
    """`2026 Q2` of a date."""
    return phrase("{} Q{}", pl.col(column).dt.year(), pl.col(column).dt.quarter())


def contactors_due_chart(quarters: pl.DataFrame) -> alt.Chart:
    """`quarters` as `contactors_due_data` returns them; at least one row."""
    most = quarters.select(pl.max_horizontal((pl.col("due") + pl.col("overdue")).max(), pl.lit(1))).item()
    ticks = list(range(0, most + 1, max(1, -(-most // 4))))
    long = quarters.unpivot(["overdue", "due"], index=["name", "quarter"], variable_name="part").with_columns(
        pl.when(pl.col("part") == "due")
        .then(pl.lit("80 % of the life used in it"))
        .otherwise(pl.lit("all of the life used already"))
        .alias("said"),
        pl.when(pl.col("part") == "due").then(pl.lit(DUE)).otherwise(pl.lit(OVERDUE)).alias("colour"),
    )
    made = (
        alt.Chart(long)
        .mark_bar(size=26)
        .encode(
            x=alt.X(
                "name:O",
                sort=quarters["name"].to_list(),
                axis=axis_of(title=None, labelAngle=0, labelOverlap=True),
            ),
            y=alt.Y(
                "value:Q",
                axis=axis_of(
                    title="contactors", minExtent=AXIS_PX, maxExtent=AXIS_PX, values=ticks, format="d"
                ),
            ),
            color=alt.Color("colour:N", scale=None),
            tooltip=[
                alt.Tooltip("name:O", title="quarter"),
                alt.Tooltip("said:N", title="contactors with"),
                alt.Tooltip("value:Q", title="number"),
            ],
        )
        .properties(width=900, height=PANEL_PX, title="Contactors due by quarter")
    )
    assert isinstance(made, alt.Chart)
    return made
