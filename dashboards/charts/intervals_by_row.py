"""Values with their intervals, a row for each, its name written over it: fit for any width."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import polars as pl
from coilbook.dashboards.charts.look import axis_of, layered

ROW_PX = 40
LABEL_UP = 0.3
"""How far a row's name stands above its line, as a share of the row."""


def intervals_chart(
    rows: pl.DataFrame,
    *,
    title: str,
    axis: str,
    domain: Sequence[float],
    number: str,
    tips: Sequence[alt.Tooltip],
) -> alt.LayerChart:
    """One panel over `rows`: `row` [from 0, downwards], `label, value, low, high, colour, lift` [rows, + up].

    `axis` is the title of the horizontal axis with its unit, `number` a d3 format. A row without a value
    has its name alone. Several values may share a row: each is lifted by its own `lift`.
    """
    height = rows["row"].n_unique()
    drawn = rows.with_columns((pl.col("row") + LABEL_UP / 2 - pl.col("lift") + 0.12).alias("at"))
    names = rows.unique("row", maintain_order=True).select(
        "label", (pl.col("row") - LABEL_UP).alias("at"), pl.lit(domain[0]).alias("value")
    )
    y_scale = alt.Scale(domain=[-0.55, height - 0.45], reverse=True, nice=False)
    y = alt.Y("at:Q", scale=y_scale, axis=None)
    x_scale = alt.Scale(domain=list(domain), nice=False, clamp=True)
    x = alt.X("value:Q", scale=x_scale, axis=axis_of(title=axis, format=number, tickCount=5))
    known = alt.Chart(drawn.filter(pl.col("value").is_not_null()))
    colour = alt.Color("colour:N", scale=None)
    bars = known.mark_rule(strokeWidth=2.5, opacity=0.55).encode(
        x=alt.X("low:Q", scale=x_scale), x2="high:Q", y=y, color=colour, tooltip=list(tips)
    )
    dots = known.mark_point(filled=True, size=70, opacity=1).encode(
        x=x, y=y, color=colour, tooltip=list(tips)
    )
    labels = (
        alt.Chart(names)
        .mark_text(align="left", baseline="middle")
        .encode(x=alt.X("value:Q", scale=x_scale), y=y, text="label:N")
    )
    return layered(bars, dots, labels).properties(width=900, height=height * ROW_PX, title=title)
