"""Starts a day, and in the busiest hour of the day against the appliance's limit."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.forms import Spec, filled, rows, rows_of, slot, stacked
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, checked, layered, local_dates
from coilbook.dashboards.labels import circuit_name

PANEL_PX = 92
SHOWN = "starts a day (bars) and in its busiest hour (dashes)"


def starts_per_day_data(
    days: pl.DataFrame, circuits: pl.DataFrame, limits: Mapping[str, float]
) -> pl.DataFrame:
    """A row a circuit and day: `circuit, local_date, starts, max_starts_1h, limit` [1/h], `beyond, covered`.

    `days` as `analytics.queries.site.starts_per_day` returns them; `limits` by appliance, else `other`.
    """
    named = circuits.select(
        "circuit_id",
        circuit_name().alias("circuit"),
        pl.col("appliance")
        .replace_strict(dict(limits), default=limits.get("other"), return_dtype=pl.Float64)
        .alias("limit"),
    )
    return days.join(named, on="circuit_id", maintain_order="left").select(
        "circuit",
        "local_date",
        "starts",
        "max_starts_1h",
        "limit",
        (pl.col("max_starts_1h") > pl.col("limit")).fill_null(False).alias("beyond"),
        pl.col("covered").round(3),
    )


def starts_per_day_chart(days: pl.DataFrame, zone: str) -> Spec:
    """`days` as `starts_per_day_data` returns them; at least one row. One panel a circuit."""
    names = days["circuit"].unique(maintain_order=True).to_list()
    panels = [
        _panel(name, days.filter(pl.col("circuit") == name), local_dates(zone) if name == names[-1] else None)
        for name in names
    ]
    return stacked(panels)


def _panel(name: str, days: pl.DataFrame, under: str | None) -> Spec:
    limit = days["limit"][0]
    drawn = days.drop("circuit").with_columns(
        pl.col("local_date").cast(pl.Datetime("ms")).dt.epoch("ms").alias("day"),
        pl.col("local_date").dt.offset_by("1d").cast(pl.Datetime("ms")).dt.epoch("ms").alias("day_end"),
        pl.col("local_date").dt.to_string("%a %-d %b %Y").alias("local_date"),
    )
    if limit is None:
        title = f"{name}: {SHOWN}"
        return filled(chart_form(limited=False), title=title, under=under, days=rows(drawn))
    title = f"{name}: {SHOWN}, limit {words.with_unit(limit, '')} an hour (broken line)"
    return filled(
        chart_form(limited=True), title=title, under=under, days=rows(drawn), limit=[{"limit": limit}]
    )


@cache
def chart_form(*, limited: bool) -> Spec:
    """Slots: `title`, `under` the axis, `days`, and `limit` where there is one."""
    tips = [
        alt.Tooltip("local_date:N", title="local date"),
        alt.Tooltip("starts:Q", title="starts"),
        alt.Tooltip("max_starts_1h:Q", title="most within an hour"),
        alt.Tooltip("limit:Q", title="limit an hour"),
        alt.Tooltip("covered:Q", title="day in the log", format=".0%"),
    ]
    x = alt.X(
        "day:T",
        scale=alt.Scale(type="utc"),
        axis=axis_of(title=slot("under"), grid=False, labelOverlap=True, format="%-d %b"),
    )
    axis = axis_of(title="starts", minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=4, tickMinStep=1)
    base = alt.Chart().encode(x=x)
    bars = base.mark_rect(opacity=0.75, color=palette.WITHIN).encode(
        x2="day_end:T", y=alt.Y("starts:Q", axis=axis), y2=alt.datum(0), tooltip=tips
    )
    hours = base.mark_rect(height=3).encode(
        x2="day_end:T",
        y=alt.Y("max_starts_1h:Q", axis=axis),
        color=alt.condition("datum.beyond", alt.value(palette.BEYOND), alt.value(palette.BLUE)),
        tooltip=tips,
    )
    layers: list[alt.Chart] = [bars, hours]
    if limited:
        rule = alt.Chart(rows_of("limit")).mark_rule(color=palette.LIMIT, strokeDash=[5, 4])
        layers.append(rule.encode(y=alt.Y("limit:Q", axis=axis)))
    return checked(
        layered(*layers, data=rows_of("days")).properties(width=900, height=PANEL_PX, title=slot("title"))
    )
