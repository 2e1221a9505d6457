"""Rated life used by each contactor, with its projection and 90 % interval."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache

import altair as alt
import polars as pl
from coilbook.dashboards import palette
from coilbook.dashboards.charts.forms import Spec, filled, rows, rows_of, slot, stacked
from coilbook.dashboards.charts.look import AXIS_PX, axis_of, checked, layered, local_dates, time_scale

PANEL_PX = 110
AHEAD = timedelta(days=3 * 365)
"""How far ahead a projection is drawn."""

SHAPE = {
    "circuit_id": pl.String,
    "part": pl.String,
    "day": pl.Date,
    "early": pl.Date,
    "late": pl.Date,
    "used": pl.Float64,
}


def wear_data(wear: pl.DataFrame) -> pl.DataFrame:
    """`circuit_id, part` (logged or expected), `day, early, late` [local dates], `used` [1].

    `wear` as `analytics.queries.site.wear` returns it. The expected part runs from the newest day over 80 %
    to 100 %; `early` and `late` bound it. Circuits without life figures have no row: use not known.
    """
    known = wear.filter(pl.col("used").is_not_null()).sort("circuit_id", "local_date")
    logged = known.select(
        "circuit_id",
        pl.lit("logged").alias("part"),
        pl.col("local_date").alias("day"),
        pl.col("local_date").alias("early"),
        pl.col("local_date").alias("late"),
        "used",
    )
    newest = known.group_by("circuit_id", maintain_order=True).last()
    here = newest.select(
        "circuit_id",
        pl.lit("expected").alias("part"),
        pl.col("local_date").alias("day"),
        pl.col("local_date").alias("early"),
        pl.col("local_date").alias("late"),
        "used",
    )
    marks = [_mark(newest, level) for level in (80, 100)]
    parts = [
        part.select(pl.col(name).cast(kind) for name, kind in SHAPE.items())
        for part in (logged, here, *marks)
    ]
    return pl.concat(parts).sort("circuit_id", "part", "day", "used", descending=[False, True, False, False])


def wear_chart(parts: pl.DataFrame, zone: str) -> Spec:
    """`parts` as `wear_data` returns them; at least one row. One panel a circuit."""
    logged = parts.filter(pl.col("part") == "logged")
    first, last = logged["day"].min(), logged["day"].max()
    assert isinstance(first, date)
    assert isinstance(last, date)
    reach = parts["late"].max()
    assert isinstance(reach, date)
    span = (_ms(first), _ms(min(reach, last + AHEAD) if reach > last else last))
    names = parts["circuit_id"].unique(maintain_order=True).to_list()
    panels = [
        _panel(
            name,
            parts.filter(pl.col("circuit_id") == name),
            span,
            local_dates(zone) if name == names[-1] else None,
        )
        for name in names
    ]
    return stacked(panels)


def _mark(newest: pl.DataFrame, level: int) -> pl.DataFrame:
    """The dates of a level of use that is still ahead."""
    ahead = newest.filter((pl.col("used") < level / 100) & pl.col(f"date_{level}").is_not_null())
    day = pl.col(f"date_{level}")
    return ahead.select(
        "circuit_id",
        pl.lit("expected").alias("part"),
        day.alias("day"),
        pl.coalesce(f"date_{level}_early", day).alias("early"),
        pl.coalesce(f"date_{level}_late", day).alias("late"),
        pl.lit(level / 100).alias("used"),
    )


def _panel(name: str, parts: pl.DataFrame, span: tuple[int, int], under: str | None) -> Spec:
    drawn = parts.drop("circuit_id").with_columns(
        pl.col("day").dt.to_string("%-d %b %Y").alias("on"),
        *(pl.col(c).cast(pl.Datetime("ms")).dt.epoch("ms") for c in ("day", "early", "late")),
    )
    logged, expected = (drawn.filter(pl.col("part") == part).drop("part") for part in ("logged", "expected"))
    top = logged["used"].max()
    assert isinstance(top, float)
    return filled(
        chart_form(),
        under=under,
        dates=_month(span),
        title=f"Contactor of circuit {name}: rated life used, expected (broken line) and its 90 % interval",
        first=str(span[0]),
        stop=str(span[1]),
        top=max(1.05, top * 1.05),
        logged=rows(logged.drop("early", "late")),
        expected=rows(expected),
    )


@cache
def chart_form() -> Spec:
    """Slots: `title`; `top` of the upright axis; rows `logged, expected`.

    Of the time axis: `first, stop` [ms, as text], how its `dates` are written, its title `under`.
    """
    x_scale = time_scale(slot("first"), slot("stop"))
    y = alt.Y(
        "used:Q",
        scale=alt.Scale(domain=[0, slot("top")], nice=False),
        axis=axis_of(
            title="life used", format=".0%", minExtent=AXIS_PX, maxExtent=AXIS_PX, values=[0, 0.5, 0.8, 1]
        ),
    )
    x = alt.X(
        "day:T",
        scale=x_scale,
        axis=axis_of(title=slot("under"), labelOverlap=True, grid=False, format=slot("dates")),
    )
    tips = [alt.Tooltip("on:N", title="local date"), alt.Tooltip("used:Q", title="life used", format=".1%")]
    expected = alt.Chart(rows_of("expected"))
    band = expected.mark_area(
        opacity=0.28, color=palette.SEVERITY["wear"], clip=True, orient="horizontal"
    ).encode(x=alt.X("early:T", scale=x_scale), x2="late:T", y=y)
    ahead = expected.mark_line(
        color=palette.SEVERITY["wear"], strokeDash=[5, 4], clip=True, order=False
    ).encode(x=x, y=y, tooltip=tips)
    past = (
        alt.Chart(rows_of("logged"))
        .mark_line(color=palette.BLUE, strokeWidth=2)
        .encode(x=x, y=y, tooltip=tips)
    )
    stood = layered(band, ahead, past).properties(width=900, height=PANEL_PX, title=slot("title"))
    return checked(stood)


def _month(span: tuple[int, int]) -> str:
    """How the axis names its dates: days where the span is a few months, else months."""
    return "%-d %b %Y" if span[1] - span[0] < _ms(date(1970, 5, 1)) else "%b %Y"


def _ms(day: date) -> int:
    return (day - date(1970, 1, 1)).days * 86_400_000
