"""The timeline: one lane a circuit over the site's power, in the site's local time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import cache

import altair as alt
import polars as pl
from coilbook.dashboards import palette, words
from coilbook.dashboards.charts.forms import Spec, filled, rows, rows_of, slot
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, checked, layered, time_scale
from coilbook.dashboards.labels import circuit_name, said
from coilbook.dashboards.local_wall import wall, wall_time
from coilbook.dashboards.phrases import phrase

TITLES = {"pv": "PV", "house": "house", "surplus": "surplus"}
LANE_PX = 46
POWER_PX = 190
TICKS = 8
LAYERS = {"window": 0.3, "whole": 0.35, "run": 1.0, "dip": 1.0}
"""Layers of bars from the back to the front, with their opacity [1]."""

FROM_TO = (alt.Tooltip("from_text:N", title="from"), alt.Tooltip("to_text:N", title="to"))
TOP, BOTTOM = 0.36, 0.86
"""Where a run's bar begins and ends within its lane [1]; the lane's name stands above, dips below."""

SHAPE: dict[str, type[pl.DataType] | pl.DataType] = {
    "from": pl.Datetime("us"),
    "to": pl.Datetime("us"),
    "top": pl.Float64,
    "bottom": pl.Float64,
}
SHAPE |= {
    "layer": pl.String,
    "circuit_id": pl.String,
    "colour": pl.String,
    "what": pl.String,
    "more": pl.String,
}


def timeline_data(
    circuits: pl.DataFrame,
    runs: pl.DataFrame,
    windows: pl.DataFrame,
    dips: pl.DataFrame,
    islands: pl.DataFrame,
    holes: pl.DataFrame,
    zone: str,
) -> pl.DataFrame:
    """Every bar: `layer, circuit_id, from, to` [wall time], `top, bottom` [lanes], `colour, what, more`.

    Frames as in `analytics.queries.timeline.Timeline`; `layer` is window, whole (islanding and holes, over
    all lanes, of no circuit), run or dip.
    """
    lanes = circuits.select("circuit_id", pl.int_range(pl.len()).cast(pl.Float64).alias("lane"))
    bars = [
        _windows(windows, lanes),
        _whole(islands, "islanded", lanes.height),
        _whole(holes, "no log", lanes.height),
        _runs(runs, lanes),
        _dips(dips, lanes),
    ]
    shaped = [bar.select(pl.col(name).cast(kind) for name, kind in SHAPE.items()) for bar in bars]
    return pl.concat(shaped).with_columns(wall("from", zone), wall("to", zone))


def power_data(power: pl.DataFrame, zone: str) -> pl.DataFrame:
    """One row a bin: `from, to` [wall time], and of pv, house and surplus `…_w, …_min_w, …_max_w` [W].

    `power` as in `analytics.queries.timeline.Timeline`. Where a hole begins stands a row of nulls.
    """
    names = [f"{name}{edge}_w" for name in palette.POWER for edge in ("", "_min", "_max")]
    bins = power.sort("ts").select("ts", "stop", *names)
    holes = bins.filter(pl.col("stop") < pl.col("ts").shift(-1)).select(
        pl.col("stop").alias("ts"), "stop", *(pl.lit(None, pl.Float64).alias(name) for name in names)
    )
    return (
        pl.concat([bins, holes])
        .sort("ts")
        .select(wall("ts", zone).alias("from"), wall("stop", zone).alias("to"), *names)
    )


def timeline_chart(
    bars: pl.DataFrame,
    power: pl.DataFrame,
    circuits: pl.DataFrame,
    start: datetime,
    end: datetime,
    zone: str,
    marks: Sequence[datetime] = (),
) -> Spec:
    """Lanes over power for `[start, end)` [naive UTC]; `bars` and `power` as the data functions give them.

    Where the power log holds nothing, the lanes stand alone. `marks` are minutes of evidence [wall time],
    each a broken line through all panels.
    """
    begin, stop = _ms(wall_time(start, zone)), _ms(wall_time(end, zone))
    drawn = bars.drop("circuit_id").with_columns(pl.col("from", "to").dt.epoch("ms"))
    lanes = max(1, circuits.height)
    names = circuits.select(
        pl.lit(begin).alias("from"),
        pl.int_range(pl.len()).cast(pl.Float64).alias("lane"),
        circuit_name().alias("name"),
    )
    made = filled(
        chart_form(with_power=not power.is_empty()),
        first=str(begin),
        stop=str(stop),
        under=f"local time, {zone}",
        times=_format(end - start),
        lanes=lanes,
        names=rows(names),
        lane_marks=[
            {**mark, "top": lane + TOP - 0.06, "bottom": lane + 1.0}
            for mark in _marks(marks)
            for lane in range(lanes)
        ],
        **{layer: rows(drawn.filter(pl.col("layer") == layer).drop("layer")) for layer in LAYERS},
        **({} if power.is_empty() else {"power": rows(_kilowatts(power)), "marks": _marks(marks)}),
    )
    for panel in made["vconcat"]:  # Vega warns of the scales of layers without rows
        panel["layer"] = [layer for layer in panel["layer"] if layer.get("data") != {"values": []}]
    made["vconcat"][0]["height"] = LANE_PX * lanes
    return made


@cache
def chart_form(*, with_power: bool) -> Spec:
    """Slots: `first, stop` of the axis [ms, as text], its title `under`, how `times` are written, `lanes`.

    Rows: `names` of lanes, each layer, `lane_marks`, and `power` and `marks` where there is a panel for them.
    """
    scale = time_scale(slot("first"), slot("stop"))
    ticks = axis_of(
        title=slot("under"),
        labelOverlap="greedy",
        labelSeparation=8,
        tickCount=TICKS,
        format=slot("times"),
        grid=True,
    )
    if not with_power:
        return checked(_brushed(_lanes(alt.X("from:T", scale=scale, axis=ticks))))
    lines = axis_of(labels=False, ticks=False, title=None, grid=True, tickCount=TICKS)
    over = _lanes(alt.X("from:T", scale=scale, axis=lines))
    return checked(_brushed(over, _power(alt.X("from:T", scale=scale, axis=ticks))))


def _brushed(*panels: alt.LayerChart) -> alt.VConcatChart:
    """Panels one under the other, of which a range can be chosen in the last."""
    last = panels[-1].add_params(alt.selection_interval(name="chosen", encodings=["x"]))
    stood: alt.VConcatChart = alt.vconcat(*panels[:-1], last, spacing=6).resolve_scale(
        x="independent", color="independent"
    )
    return stood


def _lanes(x: alt.X) -> alt.LayerChart:
    y_scale = alt.Scale(domain=[0, slot("lanes")], reverse=True, nice=False, zero=False)
    blank = axis_of(labels=False, ticks=False, domain=False, grid=False, title=None, minExtent=AXIS_PX)
    top, bottom = alt.Y("top:Q", scale=y_scale, axis=blank), alt.Y2("bottom:Q")
    drawn = [
        _timed(alt.Chart(rows_of(layer)).mark_rect(opacity=opacity, clip=True)).encode(
            x=x,
            x2="to:T",
            y=top,
            y2=bottom,
            color=alt.Color("colour:N", scale=None),
            tooltip=[alt.Tooltip("what:N", title=" "), alt.Tooltip("more:N", title=" "), *FROM_TO],
        )
        for layer, opacity in LAYERS.items()
    ]
    label = (
        alt.Chart(rows_of("names"))
        .mark_text(align="left", baseline="top", dx=3, dy=2, clip=False)
        .encode(x=x, y=alt.Y("lane:Q", scale=y_scale, axis=blank), text="name:N")
    )
    drawn.append(_marked(x, "lane_marks").encode(y=top, y2=bottom))
    # The names come first, as a range is chosen in the first layer, and theirs is never left out.
    return layered(label, *drawn).properties(
        width=900, title="Switching: runs by cause, over run windows and lockouts"
    )


def _power(x: alt.X) -> alt.LayerChart:
    y_axis = axis_of(title="kW", minExtent=AXIS_PX, maxExtent=AXIS_PX, tickCount=5)
    base = alt.Chart().encode(x=x)
    layers = []
    for name, hue in palette.POWER.items():
        colour = hue or alt.Undefined
        band = base.mark_area(opacity=0.2, clip=True, interpolate="step-after", color=colour)
        line = base.mark_line(strokeWidth=1.4, clip=True, interpolate="step-after", color=colour)
        layers.append(band.encode(y=alt.Y(f"{name}_min_w:Q", axis=y_axis), y2=f"{name}_max_w:Q"))
        layers.append(line.encode(y=alt.Y(f"{name}_w:Q", axis=y_axis)))
    watts = [alt.Tooltip(f"{name}_w:Q", title=f"{title} [kW]") for name, title in TITLES.items()]
    # Nobody hits a thin line with a finger: a clear sheet over each bin answers instead.
    sheet = _timed(base.mark_rect(opacity=0, clip=True)).encode(
        x2="to:T", y=alt.value(0), y2=alt.value(POWER_PX), tooltip=[*watts, *FROM_TO]
    )
    return layered(*layers, _marked(x, "marks"), sheet, data=rows_of("power")).properties(
        width=900,
        height=POWER_PX,
        title="Power: PV, house and surplus; bands from least to greatest sample",
    )


def _marked(x: alt.X, name: str) -> alt.Chart:
    """A broken line at each minute of evidence."""
    rule = alt.Chart(rows_of(name)).mark_rule(strokeWidth=1.5, strokeDash=[3, 3], clip=True)
    told: alt.Chart = rule.encode(x=x, tooltip=alt.Tooltip("what:N", title=" "))
    return told


def _marks(marks: Sequence[datetime]) -> list[Spec]:
    """A row a minute of evidence."""
    return [
        {"from": _ms(mark), "what": f"evidence, {words.day(mark.date())} {mark:%H:%M:%S}"} for mark in marks
    ]


def _kilowatts(power: pl.DataFrame) -> pl.DataFrame:
    watts = [pl.col(name) for name in power.columns if name.endswith("_w")]
    return power.with_columns(
        *((value / 1000).round(3) for value in watts), pl.col("from", "to").dt.epoch("ms")
    )


def _timed(chart: alt.Chart) -> alt.Chart:
    """With the wall times of `from` and `to` as texts, for the tooltip."""
    texts = {f"{name}_text": f"utcFormat(toDate(datum.{name}), '%-d %b %Y %H:%M')" for name in ("from", "to")}
    told: alt.Chart = chart.transform_calculate(**texts)
    return told


def _windows(windows: pl.DataFrame, lanes: pl.DataFrame) -> pl.DataFrame:
    named = pl.when(pl.col("kind") == "run").then(pl.lit("run window")).otherwise(pl.lit("lockout"))
    return windows.join(lanes, on="circuit_id").select(
        "circuit_id",
        pl.col("start_ts").alias("from"),
        pl.col("end_ts").alias("to"),
        (pl.col("lane") + TOP - 0.06).alias("top"),
        (pl.col("lane") + BOTTOM + 0.06).alias("bottom"),
        pl.lit("window").alias("layer"),
        named.replace_strict(palette.BEHIND, return_dtype=pl.String).alias("colour"),
        phrase("{} {}", named, "window_id").alias("what"),
        said("verdict", words.VERDICT).alias("more"),
    )


def _whole(stretches: pl.DataFrame, what: str, lanes: int) -> pl.DataFrame:
    return stretches.select(
        pl.lit(None, pl.String).alias("circuit_id"),
        pl.col("start").alias("from"),
        pl.col("stop").alias("to"),
        pl.lit(0.0).alias("top"),
        pl.lit(float(max(1, lanes))).alias("bottom"),
        pl.lit("whole").alias("layer"),
        pl.lit(palette.BEHIND[what]).alias("colour"),
        pl.lit(what).alias("what"),
        pl.lit("").alias("more"),
    )


def _runs(runs: pl.DataFrame, lanes: pl.DataFrame) -> pl.DataFrame:
    cause = pl.col("cause_on").fill_null("unknown")
    known = pl.when(cause.is_in(list(palette.CAUSE))).then(cause).otherwise(pl.lit("unknown"))
    length = pl.col("on_s").map_elements(words.duration, pl.String)
    many = pl.when(pl.col("runs") > 1).then(phrase("{} runs, {} on", "runs", length)).otherwise(length)
    return runs.join(lanes, on="circuit_id").select(
        "circuit_id",
        pl.col("start").alias("from"),
        pl.col("stop").alias("to"),
        (pl.col("lane") + TOP).alias("top"),
        (pl.col("lane") + BOTTOM).alias("bottom"),
        pl.lit("run").alias("layer"),
        known.replace_strict(palette.CAUSE, return_dtype=pl.String).alias("colour"),
        phrase("on: {}", known.replace_strict(words.CAUSE, return_dtype=pl.String)).alias("what"),
        pl.when("open").then(phrase("{}, still on", many)).otherwise(many).alias("more"),
    )


def _dips(dips: pl.DataFrame, lanes: pl.DataFrame) -> pl.DataFrame:
    return dips.join(lanes, on="circuit_id").select(
        "circuit_id",
        pl.col("dip_ts").alias("from"),
        pl.col("dip_end_ts").alias("to"),
        (pl.col("lane") + BOTTOM + 0.02).alias("top"),
        (pl.col("lane") + 1.0).alias("bottom"),
        pl.lit("dip").alias("layer"),
        pl.lit(palette.DIP).alias("colour"),
        pl.lit("surplus under the off level").alias("what"),
        phrase("because of: {}", "why").alias("more"),
    )


def _format(span: timedelta) -> str:
    """How the axis names its times: by the clock, the weekday or the month."""
    if span <= timedelta(days=3):
        return "%-d %b %H:%M"
    return "%a %-d %b" if span <= timedelta(days=60) else "%-d %b %Y"


def _ms(moment: datetime) -> int:
    return round((moment - datetime(1970, 1, 1)).total_seconds() * 1000)  # noqa: DTZ001 - wall time has no zone
