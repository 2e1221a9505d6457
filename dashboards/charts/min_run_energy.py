"""Where the appliance's energy came from under each minimum run."""

from __future__ import annotations

import altair as alt
import polars as pl
from coilbook.dashboards import palette
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, layered

PANEL_PX = 170
TODAY = "today"
SOURCE = {"sun": palette.ORANGE, "bought": palette.BLUE}


def energy_data(curves: pl.DataFrame, chosen: int | None) -> pl.DataFrame:
    """`setting, source` (sun or bought), `kwh, from_kwh, to_kwh` [kWh/a, mean over circuits], `chosen`.

    `curves` of one class; today's setting first, then the candidates that share all but the minimum run with
    `chosen` (with the first, where there is none).
    """
    tried = curves.filter(pl.col("candidate").is_not_null())
    like = tried.filter(pl.col("candidate") == (tried["candidate"][0] if chosen is None else chosen))
    for name in ("on_level", "off_level", "on_delay_s", "off_delay_s", "min_rest_s"):
        tried = tried.filter(pl.col(name).eq_missing(like[name][0]))
    rows = pl.concat([curves.filter(pl.col("candidate").is_null()), tried]).with_columns(
        pl.when(pl.col("candidate").is_null())
        .then(pl.lit(TODAY))
        .otherwise((pl.col("min_run_s") / 60).round(1).cast(pl.String).str.strip_suffix(".0"))
        .alias("setting"),
        (pl.col("candidate") == pl.lit(chosen, pl.Int64)).fill_null(False).alias("chosen"),
    )
    sun, bought = pl.col("solar_kwh"), pl.col("bought_kwh")
    parts = [
        rows.select(
            "setting",
            pl.lit(source).alias("source"),
            kwh.alias("kwh"),
            below.alias("from_kwh"),
            (below + kwh).alias("to_kwh"),
            "chosen",
        )
        for source, kwh, below in (("sun", sun, pl.lit(0.0)), ("bought", bought, sun))
    ]
    return pl.concat(parts)


def energy_chart(data: pl.DataFrame) -> alt.LayerChart:
    """`data` as `energy_data` returns it; at least one row."""
    order = data["setting"].unique(maintain_order=True).to_list()
    drawn = data.with_columns(
        pl.col("source").replace_strict(SOURCE, return_dtype=pl.String).alias("colour"),
        (pl.col("kwh") / pl.col("to_kwh").max().over("setting")).alias("share"),
    )
    axis = axis_of(title="kWh a circuit and year", minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=5)
    base = alt.Chart(drawn).encode(
        x=alt.X("setting:N", sort=order, axis=axis_of(title="minimum run [min]", labelAngle=0)),
        y=alt.Y("from_kwh:Q", axis=axis),
        y2="to_kwh:Q",
    )
    bars = base.mark_bar().encode(
        color=alt.Color("colour:N", scale=None),
        tooltip=[
            alt.Tooltip("setting:N", title="minimum run [min]"),
            alt.Tooltip("source:N", title="from"),
            alt.Tooltip("kwh:Q", title="kWh a circuit and year", format=",.0f"),
            alt.Tooltip("share:Q", title="share", format=".1%"),
        ],
    )
    ring = (
        alt.Chart(
            drawn.filter(pl.col("chosen") & (pl.col("source") == "bought")).with_columns(from_kwh=pl.lit(0.0))
        )
        .mark_bar(filled=False, stroke=palette.GREEN, strokeWidth=2.5)
        .encode(x=alt.X("setting:N", sort=order), y=alt.Y("from_kwh:Q", axis=axis), y2="to_kwh:Q")
    )
    return layered(bars, ring).properties(
        width=900,
        height=PANEL_PX,
        title="Energy of a circuit in a year: from the sun (below), bought (on top)",
    )
