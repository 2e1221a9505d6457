"""The same circuits before and after a firmware version: rates with their intervals."""

from __future__ import annotations

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.intervals_by_row import intervals_chart
from coilbook.dashboards.phrases import phrase

MEASURE = {"starts": "Starts", "short_runs": "Runs under the least run time", "findings": "Findings"}
BEFORE, AFTER = palette.GREY, palette.BLUE
LIFT = 0.1


def firmware_cohorts_data(cohorts: pl.DataFrame) -> pl.DataFrame:
    """`measure` in words, `firmware, period, circuits, circuit_weeks, count`, and `rate, low, high`
    [1/circuit-week].

    `cohorts` as `analytics.queries.firmware.firmware_cohorts` returns it.
    """
    order = pl.col("measure").replace_strict(
        {name: place for place, name in enumerate(MEASURE)}, return_dtype=pl.Int64
    )
    return cohorts.sort(order, "firmware", pl.col("period") == "after").select(
        pl.col("measure").replace_strict(MEASURE, return_dtype=pl.String),
        "firmware",
        "period",
        "circuits",
        "circuit_weeks",
        "count",
        pl.col("per_circuit_week").alias("rate"),
        "low",
        "high",
    )


def firmware_cohorts_chart(rates: pl.DataFrame) -> alt.VConcatChart:
    """`rates` as `firmware_cohorts_data` returns them; at least one row. One panel a measure."""
    panels = [
        _panel(str(name), rates.filter(pl.col("measure") == name))
        for name in rates["measure"].unique(maintain_order=True)
    ]
    return alt.vconcat(*panels)


def _panel(name: str, rates: pl.DataFrame) -> alt.LayerChart:
    places = {version: place for place, version in enumerate(rates["firmware"].unique(maintain_order=True))}
    before = pl.col("period") == "before"
    drawn = rates.select(
        pl.col("firmware").replace_strict(places, return_dtype=pl.Int64).alias("row"),
        phrase("Version {}, {} circuits", "firmware", pl.col("circuits").max().over("firmware")).alias(
            "label"
        ),
        pl.col("rate").alias("value"),
        "low",
        "high",
        "period",
        pl.when(before).then(pl.lit(BEFORE)).otherwise(pl.lit(AFTER)).alias("colour"),
        pl.when(before).then(LIFT).otherwise(-LIFT).alias("lift"),
    )
    top = rates["high"].max()
    assert isinstance(top, float)
    tips = [
        alt.Tooltip("label:N", title="cohort"),
        alt.Tooltip("period:N", title="weeks"),
        alt.Tooltip("value:Q", title="per circuit-week", format=".3~r"),
        alt.Tooltip("low:Q", title="from", format=".3~r"),
        alt.Tooltip("high:Q", title="to", format=".3~r"),
    ]
    return intervals_chart(
        drawn,
        title=f"{name} per circuit-week before (grey) and after (blue), with 95 % limits",
        axis=f"{words.lower_first(name)} [1/circuit-week]",
        domain=(0, top * 1.04 or 1),
        number=".2~r",
        tips=tips,
    )
