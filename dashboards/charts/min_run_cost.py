"""Yearly cost and starts a day against the minimum run, with what is known of them."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl
from coilbook.dashboards import palette
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, layered

PANEL_PX = 170
MOST_SERIES = 5
OTHERS = ("on_level", "off_level", "on_delay_s", "off_delay_s", "min_rest_s")
SERIES_COLOURS = (palette.BLUE, palette.ORANGE, palette.GREEN, palette.PURPLE, palette.VERMILLION)
"""The first is the one that holds the candidate of least cost."""

MEASURES = {"cost": "cost a circuit and year", "starts_per_day": "starts a day"}
PARTS = ("mean", "mean_low", "mean_high", "median", "p10", "p90")


def cost_data(curves: pl.DataFrame, chosen: int | None, older: pl.DataFrame | None = None) -> pl.DataFrame:
    """`measure, series, rank, min_run_min, mean, mean_low, mean_high, median, p10, p90, chosen, today`.

    `curves` of one class as a tuning gives them; `chosen` is the candidate of least cost. A series is one set
    of all other settings; `rank` 0 holds `chosen`, the rest follow by least cost, at most `MOST_SERIES`.
    `older`: curves of an earlier tuning, its cheapest series gets rank -1. `today`: mean of today's setting.
    """
    parts = [_long(curves, chosen)]
    if older is not None and not older.is_empty():
        earlier = _long(older, None).filter(pl.col("rank") == 0)
        parts.append(
            earlier.with_columns(pl.lit(-1, pl.Int64).alias("rank"), pl.lit("earlier").alias("series"))
        )
    return pl.concat(parts)


def series_key(data: pl.DataFrame) -> list[tuple[str, str]]:
    """Colour and words of each series of `data`, where there are several."""
    series = (
        data.filter(pl.col("rank") >= 0).select("rank", "series").unique(maintain_order=True).sort("rank")
    )
    if series.height < 2:
        return []
    return [(SERIES_COLOURS[rank], words) for rank, words in series.iter_rows()]


def _long(curves: pl.DataFrame, chosen: int | None) -> pl.DataFrame:
    today = curves.filter(pl.col("candidate").is_null())
    tried = curves.filter(pl.col("candidate").is_not_null())
    varied = [name for name in OTHERS if tried[name].n_unique() > 1]
    series = pl.concat_str([_said(name) for name in varied], separator=", ") if varied else pl.lit("")
    named = tried.with_columns(
        series.alias("series"),
        (pl.col("candidate") == pl.lit(chosen, pl.Int64)).fill_null(False).alias("chosen"),
    )
    order = (
        named.group_by("series", maintain_order=True)
        .agg(pl.col("chosen").any(), pl.col("cost_mean").min())
        .sort("chosen", "cost_mean", descending=[True, False], maintain_order=True)
        .with_row_index("rank")
        .select("series", pl.col("rank").cast(pl.Int64))
        .head(MOST_SERIES)
    )
    kept = named.join(order, on="series", maintain_order="left")
    return pl.concat(
        kept.select(
            pl.lit(measure).alias("measure"),
            "series",
            "rank",
            (pl.col("min_run_s") / 60).alias("min_run_min"),
            *(pl.col(f"{measure}_{part}").alias(part) for part in PARTS),
            "chosen",
            pl.lit(today[f"{measure}_mean"][0] if today.height else None, pl.Float64).alias("today"),
        )
        for measure in MEASURES
    ).sort("measure", "rank", "min_run_min", maintain_order=True)


def _said(name: str) -> pl.Expr:
    value = pl.col(name)
    whole = value.round(0).cast(pl.Int64).cast(pl.String)
    share = (value * 100).round(0).cast(pl.Int64).cast(pl.String)
    words = {
        "on_level": pl.concat_str(pl.lit("on at "), share, pl.lit(" %")),
        "off_level": pl.concat_str(pl.lit("off under "), share, pl.lit(" %")),
        "on_delay_s": pl.concat_str(pl.lit("on delay "), whole, pl.lit(" s")),
        "off_delay_s": pl.concat_str(pl.lit("off delay "), whole, pl.lit(" s")),
        "min_rest_s": pl.concat_str(
            pl.lit("rest "), (value / 60).round(0).cast(pl.Int64).cast(pl.String), pl.lit(" min")
        ),
    }
    return words[name].fill_null("rest as it is")


def cost_chart(data: pl.DataFrame, currency: str) -> alt.VConcatChart:
    """`data` as `cost_data` returns it; at least one row. A panel for cost, one for starts."""
    ticks = sorted(set(data["min_run_min"].to_list()))
    panels = [_panel(data.filter(pl.col("measure") == m), m, currency, ticks) for m in MEASURES]
    return alt.vconcat(*panels)


def _panel(data: pl.DataFrame, measure: str, currency: str, ticks: list[float]) -> alt.LayerChart:
    unit = f" [{currency}]" if measure == "cost" else ""
    title = MEASURES[measure] + unit
    scale = alt.Scale(type="sqrt", domain=[0, max(ticks[-1], 1)], nice=False)
    axis = axis_of(
        title="minimum run [min]", values=ticks, grid=False, labelOverlap="greedy", labelBound=True
    )
    x: Any = alt.X("min_run_min:Q", scale=scale, axis=axis)
    span = axis_of(title=title, minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=5)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=span, scale=alt.Scale(zero=measure != "cost", nice=True))

    colours = alt.Scale(domain=list(range(MOST_SERIES)), range=list(SERIES_COLOURS))
    colour = alt.Color("rank:N", scale=colours, legend=None)
    best = alt.Chart(data.filter(pl.col("rank") == 0)).encode(x=x)
    tried = alt.Chart(data.filter(pl.col("rank") >= 0)).encode(x=x)
    tips = [
        alt.Tooltip("min_run_min:Q", title="minimum run [min]"),
        alt.Tooltip("series:N", title="other settings"),
        alt.Tooltip("mean:Q", title=f"mean{unit}", format=",.2f"),
        alt.Tooltip("mean_low:Q", title="90 % interval from", format=",.2f"),
        alt.Tooltip("mean_high:Q", title="to", format=",.2f"),
        alt.Tooltip("median:Q", title="median", format=",.2f"),
        alt.Tooltip("p10:Q", title="10 % of circuits under", format=",.2f"),
        alt.Tooltip("p90:Q", title="90 % of circuits under", format=",.2f"),
    ]
    layers: list[alt.Chart] = [
        best.mark_area(opacity=0.13, color=palette.BLUE).encode(y=y("p10"), y2="p90:Q"),
        best.mark_area(opacity=0.3, color=palette.BLUE).encode(y=y("mean_low"), y2="mean_high:Q"),
        best.mark_line(strokeDash=[2, 3], strokeWidth=1.3, color=palette.BLUE).encode(y=y("median")),
        tried.mark_line(strokeWidth=2).encode(y=y("mean"), color=colour, detail="series:N"),
        tried.mark_point(filled=True, size=34, opacity=1).encode(y=y("mean"), color=colour, tooltip=tips),
    ]
    earlier = data.filter(pl.col("rank") == -1)
    if earlier.height:
        drawn = alt.Chart(earlier).mark_line(color=palette.GREY, strokeDash=[6, 3], strokeWidth=1.8)
        layers.append(drawn.encode(x=x, y=y("mean")))
    now = data.filter(pl.col("rank") == 0).head(1)
    if now["today"][0] is not None:
        rule = alt.Chart(now.select("today")).mark_rule(strokeDash=[8, 4], strokeWidth=1.4)
        layers.append(rule.encode(y=y("today")))
    marked = data.filter(pl.col("chosen"))
    if marked.height:
        ring = alt.Chart(marked).mark_point(
            size=150, strokeWidth=2.2, filled=False, color=palette.BLACK, opacity=1
        )
        layers.append(ring.encode(x=x, y=y("mean"), color=alt.value(palette.GREEN), tooltip=tips))
    return layered(*layers).properties(width=900, height=PANEL_PX, title=title[0].upper() + title[1:])
