"""How often each rule was right where somebody went to see, with its interval."""

from __future__ import annotations

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.intervals_by_row import intervals_chart
from coilbook.dashboards.labels import said
from coilbook.dashboards.phrases import phrase


def rule_precision_data(precision: pl.DataFrame) -> pl.DataFrame:
    """`rule` in words, `confirmed, not_found, seen, no_access, setting_changed, precision, low, high` [1].

    `precision` as `analytics.queries.fleet.measured_precision` returns it. Rules seen most often first.
    """
    return precision.select(
        said("rule", words.RULE).alias("rule"),
        "confirmed",
        "not_found",
        (pl.col("confirmed") + pl.col("not_found")).alias("seen"),
        "no_access",
        "setting_changed",
        "precision",
        "low",
        "high",
    ).sort("seen", "rule", descending=[True, False])


def rule_precision_chart(rules: pl.DataFrame) -> alt.LayerChart:
    """`rules` as `rule_precision_data` returns them; at least one row with a precision."""
    known = rules.filter(pl.col("precision").is_not_null())
    drawn = known.with_row_index("row").select(
        pl.col("row").cast(pl.Int64),
        phrase("{}: {} of {} confirmed", "rule", "confirmed", "seen").alias("label"),
        pl.col("precision").alias("value"),
        "low",
        "high",
        pl.lit(palette.BLUE).alias("colour"),
        pl.lit(0.0).alias("lift"),
    )
    tips = [
        alt.Tooltip("label:N", title="rule"),
        alt.Tooltip("value:Q", title="precision", format=".0%"),
        alt.Tooltip("low:Q", title="from", format=".0%"),
        alt.Tooltip("high:Q", title="to", format=".0%"),
    ]
    return intervals_chart(
        drawn,
        title="Measured precision of each rule, with Wilson's 95 % interval",
        axis="confirmed of confirmed and not found [%]",
        domain=(0, 1),
        number=".0%",
        tips=tips,
    )
