"""How long runs last, against the least run time."""

from __future__ import annotations

from functools import cache

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.forms import Spec, filled, rows, rows_of, slot, stacked
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, checked, layered

PANEL_PX = 100
EDGES_MIN = (0.5, 1, 2, 4, 7, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360, 720, 1440, 2880)
"""Edges of the classes of run length [min]; the first and last take what lies beyond."""


def run_lengths_data(runs: pl.DataFrame) -> pl.DataFrame:
    """Finished runs counted by `circuit_id, cause, low_min, high_min` with the newest `min_run_min`.

    `runs` as `analytics.queries.site.run_lengths` returns them. Open runs, of no length yet, are left out.
    """
    minutes = (pl.col("duration_s") / 60).clip(EDGES_MIN[0], EDGES_MIN[-1] - 1e-6)
    place = pl.lit(pl.Series(EDGES_MIN)).search_sorted(minutes, side="right") - 1
    edges = pl.DataFrame(
        {"_class": range(len(EDGES_MIN) - 1), "low_min": EDGES_MIN[:-1], "high_min": EDGES_MIN[1:]}
    )
    cause = pl.col("cause_on").fill_null("unknown")
    done = runs.filter(~pl.col("open")).with_columns(
        pl.when(cause.is_in(list(palette.CAUSE))).then(cause).otherwise(pl.lit("unknown")).alias("cause"),
        place.cast(pl.Int64).alias("_class"),
        (pl.col("min_run_s").last().over("circuit_id", order_by="start") / 60).alias("min_run_min"),
    )
    return (
        done.group_by("circuit_id", "cause", "_class")
        .agg(pl.len().alias("runs"), pl.col("min_run_min").first())
        .join(edges, on="_class")
        .select("circuit_id", "cause", "low_min", "high_min", "runs", "min_run_min")
        .sort("circuit_id", "low_min", "cause")
    )


def run_lengths_chart(counts: pl.DataFrame) -> Spec:
    """`counts` as `run_lengths_data` returns them; at least one row. One panel a circuit."""
    panels = [
        _panel(name, counts.filter(pl.col("circuit_id") == name))
        for name in counts["circuit_id"].unique(maintain_order=True)
    ]
    return stacked(panels)


def _panel(name: str, counts: pl.DataFrame) -> Spec:
    least = counts["min_run_min"][0]
    stacked_runs = (
        counts.with_columns(pl.col("runs").cum_sum().over("low_min", order_by="cause").alias("to_runs"))
        .with_columns((pl.col("to_runs") - pl.col("runs")).alias("from_runs"))
        .with_columns(
            pl.col("cause").replace_strict(words.CAUSE, return_dtype=pl.String).alias("said"),
            pl.col("cause").replace_strict(palette.CAUSE, return_dtype=pl.String).alias("colour"),
        )
    )
    title = f"Circuit {name}: runs by length and cause"
    if not least:
        return filled(chart_form(limited=False), title=title, runs=rows(stacked_runs))
    title = f"{title}, least run time {words.duration(least * 60)} (broken line)"
    return filled(chart_form(limited=True), title=title, runs=rows(stacked_runs), limit=[{"least": least}])


@cache
def chart_form(*, limited: bool) -> Spec:
    """Slots: `title`, `runs`, and `limit` where there is one."""
    scale = alt.Scale(type="log", domain=[EDGES_MIN[0], EDGES_MIN[-1]], nice=False)
    ticks = [1, 2, 5, 10, 30, 60, 120, 360, 1440]
    bars = (
        alt.Chart(rows_of("runs"))
        .mark_rect()
        .encode(
            x=alt.X(
                "low_min:Q",
                scale=scale,
                axis=axis_of(title="length of a run [min]", values=ticks, grid=False),
            ),
            x2="high_min:Q",
            y=alt.Y(
                "from_runs:Q",
                axis=axis_of(title="runs", minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=4, tickMinStep=1),
            ),
            y2="to_runs:Q",
            color=alt.Color("colour:N", scale=None),
            tooltip=[
                alt.Tooltip("said:N", title="begun"),
                alt.Tooltip("low_min:Q", title="from [min]"),
                alt.Tooltip("high_min:Q", title="to [min]"),
                alt.Tooltip("runs:Q", title="runs"),
            ],
        )
    )
    layers: list[alt.Chart] = [bars]
    if limited:
        rule = alt.Chart(rows_of("limit")).mark_rule(color=palette.LIMIT, strokeDash=[5, 4], strokeWidth=1.5)
        layers.append(rule.encode(x=alt.X("least:Q", scale=scale)))
    return checked(layered(*layers).properties(width=900, height=PANEL_PX, title=slot("title")))
