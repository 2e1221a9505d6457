"""How long runs last: as logged, as replayed with today's setting, as replayed with the recommended one."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl
from coilbook.dashboards import palette
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, layered

PANEL_PX = 84
LEAST_MIN, MOST_MIN = 0.5, 1440.0
"""Ends of the axis [min]; the first and last class take what lies beyond."""

WHOSE = {"logged": palette.GREY, "today": palette.SKY, "recommended": palette.GREEN}
TITLES = {
    "logged": "As logged, runs by hand left out",
    "today": "Replayed with today's setting",
    "recommended": "Replayed with",
}


def lengths_data(run_lengths: pl.DataFrame, chosen: int | None) -> pl.DataFrame:
    """`whose` (logged, today, recommended), `words, from_s, to_s, runs, share` [1].

    `run_lengths` of one class as a tuning gives them; `to_s` of the last class is empty. Without `chosen`
    nothing is recommended.
    """
    whose = (
        pl.when(pl.col("words") == "as logged")
        .then(pl.lit("logged"))
        .when(pl.col("candidate").is_null())
        .then(pl.lit("today"))
        .when(pl.col("candidate") == pl.lit(chosen, pl.Int64))
        .then(pl.lit("recommended"))
    )
    kept = run_lengths.with_columns(whose.alias("whose")).filter(pl.col("whose").is_not_null())
    order = pl.col("whose").replace_strict({name: k for k, name in enumerate(WHOSE)}, return_dtype=pl.Int64)
    total = pl.col("runs").sum().over("whose")
    return (
        kept.with_columns(order.alias("_order"), (pl.col("runs") / total).fill_nan(0.0).alias("share"))
        .sort("_order", "from_s", maintain_order=True)
        .select("whose", "words", "from_s", "to_s", "runs", "share")
    )


def lengths_chart(data: pl.DataFrame, min_run_s: float | None) -> alt.VConcatChart:
    """`data` as `lengths_data` returns it; at least one row. `min_run_s`: the recommended minimum run [s]."""
    top = max(0.01, float(data["share"].max() or 0.0))  # type: ignore[arg-type]
    panels = [
        _panel(data.filter(pl.col("whose") == whose), whose, min_run_s, top)
        for whose in data["whose"].unique(maintain_order=True)
    ]
    return alt.vconcat(*panels)


def _panel(data: pl.DataFrame, whose: str, min_run_s: float | None, top: float) -> alt.LayerChart:
    drawn = data.with_columns(
        (pl.col("from_s") / 60).clip(LEAST_MIN, MOST_MIN).alias("low"),
        (pl.col("to_s") / 60).fill_null(MOST_MIN).clip(LEAST_MIN, MOST_MIN).alias("high"),
    )
    scale = alt.Scale(type="log", domain=[LEAST_MIN, MOST_MIN], nice=False)
    ticks = [1, 2, 5, 10, 20, 30, 60, 120, 360, 1440]
    x: Any = alt.X(
        "low:Q", scale=scale, axis=axis_of(title="length of a run [min]", values=ticks, grid=False)
    )
    y = alt.Y(
        "share:Q",
        scale=alt.Scale(domain=[0, top]),
        axis=axis_of(title="of runs", format=".0%", minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=3),
    )
    bars = (
        alt.Chart(drawn)
        .mark_rect(color=WHOSE[whose], opacity=0.85)
        .encode(
            x=x,
            x2="high:Q",
            y=y,
            y2=alt.datum(0),
            tooltip=[
                alt.Tooltip("low:Q", title="from [min]"),
                alt.Tooltip("high:Q", title="to [min]"),
                alt.Tooltip("runs:Q", title="runs"),
                alt.Tooltip("share:Q", title="share", format=".1%"),
            ],
        )
    )
    layers: list[alt.Chart] = [bars]
    title = f"{TITLES[whose]}: {data['runs'].sum():,} runs"
    if whose == "recommended":
        title = f"{TITLES[whose]} {data['words'][0]}: {data['runs'].sum():,} runs"
        if min_run_s:
            rule = alt.Chart(pl.DataFrame({"least": [min_run_s / 60]})).mark_rule(
                color=palette.LIMIT, strokeDash=[5, 4], strokeWidth=1.5
            )
            layers.append(rule.encode(x=alt.X("least:Q", scale=scale)))
    return layered(*layers).properties(width=900, height=PANEL_PX, title=title)
