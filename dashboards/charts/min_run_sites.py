"""What the recommendation would change at each site."""

from __future__ import annotations

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, layered

PANEL_PX = 150


def sites_data(sites: pl.DataFrame) -> pl.DataFrame:
    """`place` (0 = pays most more), `site_id, area, circuits, today_cost, recommended_cost, change, worse`.

    `sites` of one class as a tuning gives them; costs and changes in its currency a year.
    """
    return (
        sites.sort("change", "site_id", descending=[True, False])
        .with_row_index("place")
        .select("place", "site_id", "area", "circuits", "today_cost", "recommended_cost", "change", "worse")
        .with_columns(pl.col("place").cast(pl.Int64))
    )


def sites_chart(data: pl.DataFrame, currency: str) -> alt.LayerChart:
    """`data` as `sites_data` returns it; at least one row. A bar a site, those that pay more upwards."""
    drawn = data.with_columns(
        (pl.col("place") + 0.08).alias("left"),
        (pl.col("place") + 0.92).alias("right"),
        pl.lit(0.0).alias("zero"),
    )
    worse = int(data["worse"].sum())
    x = alt.X(
        "left:Q", scale=alt.Scale(domain=[0, data.height], nice=False), axis=axis_of(title=None, values=[])
    )
    axis = axis_of(title=f"change [{currency}/a]", minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=5)
    bars = (
        alt.Chart(drawn)
        .mark_rect()
        .encode(
            x=x,
            x2="right:Q",
            y=alt.Y("zero:Q", axis=axis),
            y2="change:Q",
            color=alt.condition("datum.worse", alt.value(palette.BEYOND), alt.value(palette.BLUE)),
            tooltip=[
                alt.Tooltip("site_id:N", title="site"),
                alt.Tooltip("area:N", title="area"),
                alt.Tooltip("circuits:Q", title="circuits"),
                alt.Tooltip("today_cost:Q", title=f"today [{currency}/a]", format=",.2f"),
                alt.Tooltip("recommended_cost:Q", title=f"then [{currency}/a]", format=",.2f"),
                alt.Tooltip("change:Q", title=f"change [{currency}/a]", format="+,.2f"),
            ],
        )
    )
    line = (
        alt.Chart(pl.DataFrame({"zero": [0.0]})).mark_rule(strokeWidth=1).encode(y=alt.Y("zero:Q", axis=axis))
    )
    more = words.count(worse, "site pays", "sites pay")
    said = f"{more} more (upwards), {data.height - worse} less or the same"
    return layered(bars, line).properties(width=900, height=PANEL_PX, title=f"Change at each site: {said}")
