"""Cases over the weeks: a panel for each rule, or for each area."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, layered, time_scale
from coilbook.dashboards.labels import said

PANEL_PX = 46
STANDING, OPENED = palette.SKY, palette.BLUE
ONE_WEEK = timedelta(days=7)
By = Literal["rule", "area"]


def cases_by_week_data(weeks: pl.DataFrame, by: By) -> pl.DataFrame:
    """`panel, week` [its Monday], `whole, opened, cleared, standing`; a week without any has zeros.

    `weeks` as `analytics.queries.fleet.cases_by_week` returns it. Panels come with the most standing cases of
    the newest week first, then by name.
    """
    name = said("rule", words.RULE) if by == "rule" else pl.col("area").fill_null("No area")
    counted = (
        weeks.with_columns(name.alias("panel"))
        .group_by("panel", "week")
        .agg(pl.col("whole").first(), pl.col("opened", "cleared", "standing").sum())
    )
    spine = weeks.select("week", "whole").unique("week").sort("week")
    every = counted.select("panel").unique().join(_filled(spine), how="cross")
    full = every.join(counted.drop("whole"), on=["panel", "week"], how="left").with_columns(
        pl.col("opened", "cleared", "standing").fill_null(0).cast(pl.Int64)
    )
    rank = pl.col("standing").sort_by("week").last().over("panel")
    return full.sort(rank, "panel", "week", descending=[True, False, False])


def cases_by_week_chart(counts: pl.DataFrame) -> alt.VConcatChart:
    """`counts` as `cases_by_week_data` returns them; at least one row. All panels share one scale."""
    first, last = counts["week"].min(), counts["week"].max()
    most = counts.select(pl.max_horizontal("standing", "opened").max()).item()
    assert isinstance(first, date)
    assert isinstance(last, date)
    span = (_ms(first), _ms(last + ONE_WEEK))
    names = counts["panel"].unique(maintain_order=True).to_list()
    panels = [
        _panel(name, counts.filter(pl.col("panel") == name), span, max(1, int(most)), last=name == names[-1])
        for name in names
    ]
    return alt.vconcat(*panels)


def _filled(spine: pl.DataFrame) -> pl.DataFrame:
    """Every week from the first to the last, those without a case included."""
    first, last = spine["week"].min(), spine["week"].max()
    assert isinstance(first, date)
    assert isinstance(last, date)
    weeks = pl.DataFrame({"week": pl.date_range(first, last, "1w", eager=True)})
    return weeks.join(spine, on="week", how="left").with_columns(pl.col("whole").fill_null(value=True))


def _panel(
    name: str, counts: pl.DataFrame, span: tuple[int, int], most: int, *, last: bool
) -> alt.LayerChart:
    drawn = counts.select(
        pl.col("week").dt.to_string("%-d %b %Y").alias("on"),
        _epoch(pl.col("week")).alias("begin"),
        _epoch(pl.col("week") + timedelta(days=6)).alias("stop"),
        _epoch(pl.col("week") + timedelta(days=2)).alias("inner"),
        _epoch(pl.col("week") + timedelta(days=4)).alias("outer"),
        "opened",
        "cleared",
        "standing",
        pl.lit(0).alias("floor"),
    )
    scale = time_scale(*map(str, span))
    axis = axis_of(title="cases", minExtent=AXIS_PX, maxExtent=AXIS_PX, values=[0, most], format="d")
    y_scale = alt.Scale(domain=[0, most], nice=False)
    tips = [
        alt.Tooltip("on:N", title="week of"),
        alt.Tooltip("standing:Q", title="standing at its end"),
        alt.Tooltip("opened:Q", title="opened"),
        alt.Tooltip("cleared:Q", title="cleared"),
    ]
    base = alt.Chart(drawn)
    standing = base.mark_rect(color=STANDING).encode(
        x=alt.X(
            "begin:T",
            scale=scale,
            axis=axis_of(
                title="week that begins on, local dates" if last else None,
                grid=False,
                format="%-d %b",
                labelOverlap=True,
                tickCount=8,
                labels=last,
                ticks=last,
            ),
        ),
        x2="stop:T",
        y=alt.Y("standing:Q", scale=y_scale, axis=axis),
        y2="floor:Q",
        tooltip=tips,
    )
    opened = base.mark_rect(color=OPENED).encode(
        x=alt.X("inner:T", scale=scale),
        x2="outer:T",
        y=alt.Y("opened:Q", scale=y_scale),
        y2="floor:Q",
        tooltip=tips,
    )
    now = counts.sort("week")["standing"][-1]
    title = f"{name}: {now} standing"
    return layered(standing, opened).properties(width=900, height=PANEL_PX, title=title)


def _epoch(day: pl.Expr) -> pl.Expr:
    return day.cast(pl.Datetime("ms")).dt.epoch("ms")


def _ms(day: date) -> int:
    return (day - date(1970, 1, 1)).days * 86_400_000
